"""The commented scenarios that `stripwise new` writes: one text, with the lines of an exposure."""

from __future__ import annotations

import functools
import re
import tomllib
from importlib import resources

__all__ = ["exposures", "starter_text"]


def exposures() -> tuple[str, ...]:
    """Return the names of the exposures that a starter can have beside its own."""
    return tuple(_values())


def starter_text(like: str | None = None) -> str:
    """Return the starter, or the same text with the values of another exposure.

    Examples
    --------
    >>> "tidal zone" in starter_text("tidal")
    True
    """
    text = _read("starter.toml")
    for key, value in (_values()[like] if like else {}).items():
        before, _, after = re.split(rf"(?m)^({key} = .*)$", text, maxsplit=1)
        text = f"{before}{key} = {value}{after}"
    return text


@functools.cache
def _values() -> dict[str, dict[str, str]]:
    return tomllib.loads(_read("starters.toml"))


def _read(name: str) -> str:
    return resources.files("stripwise.scenario").joinpath(name).read_text("utf-8")
