"""Which columns the result files have, each with its unit and meaning.

Every table of results takes its columns and their order from `TABLES`; `stripwise list columns`
and the README show `column_rows`.
"""

from __future__ import annotations

import fnmatch
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import resources
from types import MappingProxyType
from typing import NamedTuple

__all__ = [
    "COLUMNS",
    "TABLES",
    "Column",
    "ColumnRow",
    "column_rows",
    "columns",
    "file_words",
    "fits",
    "required",
]

OPTIONAL, REPEATED = "?", "+"
"""Endings of a column that may be left out, and of one that may stand several times."""


class Column(NamedTuple):
    """A column: its unit, empty for a text and "-" for a plain number, and its meaning."""

    unit: str
    meaning: str


class ColumnRow(NamedTuple):
    """A column of one file, in words. A name with ``*`` stands for columns that the data name."""

    table: str
    column: str
    unit: str
    meaning: str


@dataclass(frozen=True, slots=True)
class _Registry:
    columns: Mapping[str, Column]
    tables: Mapping[str, tuple[str, ...]]
    meanings: Mapping[str, Mapping[str, Column]]


def _read() -> _Registry:
    text = resources.files("stripwise.units").joinpath("result_columns.toml").read_text("utf-8")
    raw = tomllib.loads(text)
    return _Registry(
        MappingProxyType({name: Column(*item) for name, item in raw["columns"].items()}),
        MappingProxyType({name: tuple(items) for name, items in raw["tables"].items()}),
        MappingProxyType(
            {
                name: {column: Column(*item) for column, item in items.items()}
                for name, items in raw["meanings"].items()
            }
        ),
    )


_REGISTRY = _read()

COLUMNS = _REGISTRY.columns
"""Unit and meaning of every column by name."""

TABLES = _REGISTRY.tables
"""Columns of each result file in their order, by the file's name without its ending.

Where several kinds of data write a file of one name, the kind stands before it: "drying/specimens".
"""


def columns(table: str) -> list[str]:
    """Return the columns of a table in their order.

    Examples
    --------
    >>> columns("penalties")
    ['strategy', 'specimens', 'mean', 'sd', 'low95', 'high95']
    """
    return [name.rstrip(OPTIONAL + REPEATED) for name in TABLES[table]]


def required(table: str) -> list[str]:
    """Return the columns that a table always has.

    Examples
    --------
    >>> required("next_inspections")[-1]
    'chance_high95'
    """
    return [name for name in TABLES[table] if not name.endswith((OPTIONAL, REPEATED))]


def file_words(table: str) -> str:
    """Return where a table stands, such as "specimens.csv (fit, drying)".

    Examples
    --------
    >>> file_words("drying/specimens")
    'specimens.csv (fit, drying)'
    """
    kind, _, stem = table.rpartition("/")
    return f"{stem}.csv (fit, {kind})" if kind else f"{stem}.csv"


def column_rows() -> list[ColumnRow]:
    """List every column of every file with its unit and meaning there."""
    return [
        ColumnRow(table, name, *_REGISTRY.meanings.get(table, {}).get(name, COLUMNS[name]))
        for table in TABLES
        for name in columns(table)
    ]


def fits(table: str, found: Sequence[str]) -> bool:
    """Whether the head of a file is the declared one, with columns that may be left out or repeat.

    Examples
    --------
    >>> fits("penalty_covariance", ["strategy", "Forms 12 h", "Forms 7 d"])
    True
    >>> fits("penalties", ["strategy", "specimens", "mean", "sd"])
    False
    """
    rest = list(found)
    for name in TABLES[table]:
        pattern, start = name.rstrip(OPTIONAL + REPEATED), len(rest)
        while rest and fnmatch.fnmatchcase(rest[0], pattern):
            del rest[0]
            if not name.endswith(REPEATED):
                break
        if len(rest) == start and not name.endswith(OPTIONAL):
            return False
    return not rest
