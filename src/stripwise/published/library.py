"""The cited constants, each with its unit, its source and how far it may be trusted."""

from __future__ import annotations

import difflib
import functools
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from types import MappingProxyType
from typing import Any

from stripwise.errors import InputError

__all__ = ["MARKS", "PublishedValue", "constant", "keys", "published_value"]

MARKS = ("read", "recalled", "recomputed", "assumed")
"""read: seen in the document; recalled: from memory; recomputed: recalled and calculated anew;
assumed: no document gives it."""

LESS_SURE = "less sure"
"""Start of the note of a value whose recollection is uncertain."""

SINGLE_NUMBER = "value"
"""Name of the number in an entry that has only one."""


@dataclass(frozen=True, slots=True)
class PublishedValue:
    """One cited constant, distribution or row of a table.

    Attributes
    ----------
    key
        Its name in the library.
    numbers
        The numbers by name: ``value`` for a constant; ``mean``, ``sd``, ``low``, ``high`` for a
        distribution; the column heads for the row of a table; all in `unit`.
    unit
        Unit as text; empty for a plain number.
    source
        Document, table or equation, year.
    mark
        One of `MARKS`.
    family
        Family of a distribution; empty for anything else.
    note
        What a user of the number must know; may be empty.
    """

    key: str
    numbers: Mapping[str, float]
    unit: str
    source: str
    mark: str
    family: str = ""
    note: str = ""

    @property
    def citation(self) -> str:
        """Source with its mark, another one where the recollection is uncertain."""
        mark = "from memory, verify" if self.note.startswith(LESS_SURE) else self.mark
        return f"{self.source} ({mark})"

    @property
    def words(self) -> str:
        """Family, numbers and unit in one line, such as "normal, mean 4800, sd 700 K"."""
        numbers = ", ".join(
            f"{name} {number:.6g}".removeprefix(f"{SINGLE_NUMBER} ")
            for name, number in self.numbers.items()
        )
        return f"{self.family}, {numbers} {self.unit}".removeprefix(", ").rstrip()

    @property
    def number(self) -> float:
        """The number of an entry that has only one; InputError if it holds several."""
        if tuple(self.numbers) != (SINGLE_NUMBER,):
            raise InputError(
                self.key, f"holds several numbers; ask for one of {', '.join(self.numbers)}"
            )
        return self.numbers[SINGLE_NUMBER]


def constant(key: str) -> float:
    """Return one cited number, in the unit of its entry.

    The key of a distribution or table row is followed by a dot and the name of the number.
    InputError if there is no such number; the message gives the nearest spelling.

    Examples
    --------
    >>> constant("fib34.chloride.reference_age")
    28.0
    >>> constant("fib34.chloride.d_rcm.cem_i.0.40")
    8.9
    """
    return _number(key)


@functools.cache
def _number(key: str) -> float:
    library = _library()
    if key in library:
        return library[key].number
    for name, entry in library.items():
        if key.startswith(name + "."):
            part = key[len(name) + 1 :]
            if part not in entry.numbers:
                raise InputError(name, _unknown("number", part, list(entry.numbers)))
            return entry.numbers[part]
    raise InputError(key, _unknown("key", key, list(library)))


def published_value(key: str) -> PublishedValue:
    """Return a cited constant, distribution or table row with its source.

    InputError if there is no such entry; the message gives the nearest spelling.

    Examples
    --------
    >>> published_value("fib34.chloride.critical_content").numbers["mean"]
    0.6
    """
    library = _library()
    if key not in library:
        raise InputError(key, _unknown("key", key, list(library)))
    return library[key]


def keys() -> tuple[str, ...]:
    """Return the keys of all entries, in the order of the file."""
    return tuple(_library())


def _unknown(what: str, name: str, allowed: list[str]) -> str:
    nearest = difflib.get_close_matches(name, allowed, n=1, cutoff=0.0)
    return f"no published {what} {name!r}; the nearest is {nearest[0]!r}"


@functools.cache
def _library() -> Mapping[str, PublishedValue]:
    text = resources.files("stripwise.published").joinpath("values.toml").read_text("utf-8")
    raw = tomllib.loads(text)
    return MappingProxyType({key: _entry(key, fields) for key, fields in raw.items()})


def _entry(key: str, fields: Mapping[str, Any]) -> PublishedValue:
    texts = {
        name: str(fields.get(name, "")) for name in ("unit", "source", "mark", "family", "note")
    }
    content = fields[SINGLE_NUMBER]
    numbers = content if isinstance(content, dict) else {SINGLE_NUMBER: content}
    return PublishedValue(
        key=key,
        numbers=MappingProxyType({str(name): float(number) for name, number in numbers.items()}),
        **texts,
    )
