"""The fixed prose of the pages, read from one file of texts."""

from __future__ import annotations

import functools
import tomllib
from importlib import resources
from string import Template
from typing import Any

__all__ = ["paragraphs", "sentence"]


def paragraphs(entry: str, /, **values: object) -> tuple[str, ...]:
    """Return the texts of an entry "page.part", each $name in them replaced by its value.

    KeyError if there is no such entry, or if a value is missing.

    Examples
    --------
    >>> paragraphs("run.ageing_ends", age="30 yr")
    ('Ageing stops 30 yr after first exposure.',)
    """
    page, _, part = entry.partition(".")
    return tuple(Template(text).substitute(values) for text in _texts()[page][part])


def sentence(entry: str, /, **values: object) -> str:
    """Return the texts of an entry as one."""
    return " ".join(paragraphs(entry, **values))


@functools.cache
def _texts() -> dict[str, Any]:
    source = resources.files("stripwise.report.templates").joinpath("prose.toml")
    return tomllib.loads(source.read_text(encoding="utf-8"))
