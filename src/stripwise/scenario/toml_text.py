"""Parse TOML, with a limit on what would take minutes to parse."""

from __future__ import annotations

import re
import tomllib
from typing import Any

__all__ = ["parse_toml"]

_PART = r"""(?:[A-Za-z0-9_-]++|"(?:[^"\\\n]|\\.)*+"|'[^'\n]*+')"""
_LONG_KEY = re.compile(rf"(?<![A-Za-z0-9_-])(?:{_PART}[ \t]*+\.[ \t]*+){{100}}")
"""A key of more than a hundred parts; a scenario has six."""


def parse_toml(text: str) -> dict[str, Any]:
    """Return the tables of a TOML text.

    A key of more than a hundred dotted parts is refused at sight as a RecursionError, since the
    parser's time grows with the square of their number.
    """
    if _LONG_KEY.search(text):
        raise RecursionError("a key has more than a hundred parts")
    return tomllib.loads(text)
