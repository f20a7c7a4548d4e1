"""The tables of a report as one workbook, a sheet each."""

from __future__ import annotations

import datetime
import importlib
import io
import math
from collections.abc import Mapping
from pathlib import PurePosixPath
from typing import Any

import pandas as pd

from stripwise.errors import InputError

__all__ = ["WORKBOOK", "require_workbooks", "workbook"]

WORKBOOK = "tables.xlsx"

CREATED = datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC)
"""Date in every workbook, so that the same tables are the same bytes."""

AS_TEXT = {
    "in_memory": True,
    "strings_to_formulas": False,
    "strings_to_numbers": False,
    "strings_to_urls": False,
}
"""A cell that holds text stays text, whatever it begins with."""

SHEET_NAME_LIMIT = 31
WIDEST_COLUMN = 40


def require_workbooks() -> Any:
    """Return the library that writes workbooks; InputError if it is not installed."""
    try:
        return importlib.import_module("xlsxwriter")
    except ImportError as problem:
        raise InputError(
            "--xlsx", "needs the package XlsxWriter; install it by: pip install 'stripwise[xlsx]'"
        ) from problem


def workbook(tables: Mapping[str, pd.DataFrame]) -> bytes:
    """Write tables by file name to the bytes of one workbook, numbers to 16 digits.

    A missing number is an empty cell, an infinite one the text "inf".
    """
    buffer = io.BytesIO()
    book = require_workbooks().Workbook(buffer, AS_TEXT)
    book.set_properties({"created": CREATED.replace(tzinfo=None)})
    head = book.add_format({"bold": True, "bottom": 1})
    for name, table in tables.items():
        sheet = book.add_worksheet(PurePosixPath(name).stem[:SHEET_NAME_LIMIT])
        sheet.freeze_panes(1, 0)
        for j, column in enumerate(table.columns):
            cells = [_cell(value) for value in table[column]]
            sheet.write_string(0, j, str(column), head)
            for i, value in enumerate(cells, start=1):
                if isinstance(value, str):
                    sheet.write_string(i, j, value)
                elif value is not None:
                    sheet.write_number(i, j, value)
            texts = [len(value) for value in cells if isinstance(value, str)]
            sheet.set_column(j, j, min(max([len(str(column)), *texts]) + 2, WIDEST_COLUMN))
    book.close()
    return buffer.getvalue()


def _cell(value: Any) -> str | float | None:
    """Turn a value of a table into what its cell holds."""
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, bool):
        return str(value)
    if isinstance(value, int | float):
        if math.isnan(value):
            return None
        return float(value) if math.isfinite(value) else str(float(value))
    return None if value is None or value is pd.NaT else str(value)
