"""`stripwise list`: keys of a scenario, columns of results, cited values, JSON Schema."""

# ruff: noqa: PLC0415 - a command imports what it needs, so that --help does not wait for pandas

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from enum import StrEnum
from typing import Annotated, Any

import typer

from stripwise.cli.shell import AsJson, app, one_of, print_json, report_errors, wrap

__all__ = ["list_names"]

Row = tuple[str, ...]

MOST_INDENT = 64
"""Widest start of a row whose last cell still stands beside it when it is wrapped."""

MOST_WIDTH = 44
"""Widest column; a longer cell pushes the rest of its row to the right."""


class Listing(StrEnum):
    """What can be listed."""

    KEYS = "keys"
    COLUMNS = "columns"
    VALUES = "values"
    SCHEMA = "schema"


@app.command("list", epilog="Example:  stripwise list columns")
def list_names(
    what: Annotated[
        Listing,
        typer.Argument(
            metavar="WHAT",
            **one_of(Listing),
            help="keys of a scenario, columns of the result files, values cited from documents, "
            "or schema: the JSON Schema of a scenario, for editors.",
        ),
    ],
    as_json: AsJson = False,
) -> None:
    """List the keys of a scenario, the columns of the results, or the values cited."""
    with report_errors():
        if what is Listing.SCHEMA:
            from stripwise.scenario.json_schema import json_schema

            typer.echo(json.dumps(json_schema(), indent=2, ensure_ascii=True))
            return
        lister: Callable[[], tuple[list[dict[str, Any]], list[str]]] = {
            Listing.KEYS: _keys,
            Listing.COLUMNS: _columns,
            Listing.VALUES: _values,
        }[what]
        records, lines = lister()
        if as_json:
            print_json({what.value: records})
        else:
            typer.echo("\n".join(lines))


def _keys() -> tuple[list[dict[str, Any]], list[str]]:
    from stripwise.scenario.key_table import key_rows

    rows = key_rows()
    cells = [(row.key, row.unit or "-", row.words) for row in rows]
    return [row._asdict() for row in rows], _aligned(cells)


def _columns() -> tuple[list[dict[str, Any]], list[str]]:
    from stripwise.units.result_columns import TABLES, column_rows, file_words

    rows = column_rows()
    lines: list[str] = []
    for table in TABLES:
        cells = [(row.column, row.unit, row.meaning) for row in rows if row.table == table]
        lines += ["", file_words(table), *_aligned(cells, start="  ")]
    return [row._asdict() for row in rows], lines[1:]


def _values() -> tuple[list[dict[str, Any]], list[str]]:
    from stripwise.published import keys, published_value

    entries = [published_value(key) for key in keys()]
    records = [
        {
            "key": entry.key,
            "numbers": dict(entry.numbers),
            "unit": entry.unit,
            "family": entry.family,
            "source": entry.source,
            "mark": entry.mark,
            "note": entry.note,
        }
        for entry in entries
    ]
    cells = [(entry.key, entry.words, entry.citation) for entry in entries]
    return records, _aligned(cells)


def _aligned(rows: Iterable[Row], *, start: str = "") -> list[str]:
    """Line up cells in columns to the left; the last is folded for a terminal."""
    rows = list(rows)
    widths = [min(max(len(row[i]) for row in rows), MOST_WIDTH) for i in range(len(rows[0]) - 1)]
    lines = []
    for *cells, last in rows:
        padded = (cell.ljust(width) for cell, width in zip(cells, widths, strict=True))
        first = start + "  ".join((*padded, ""))
        indent = len(first) if len(first) <= MOST_INDENT else len(start) + 4
        lines.append(wrap(last, first=first, then=" " * indent).rstrip())
    return lines
