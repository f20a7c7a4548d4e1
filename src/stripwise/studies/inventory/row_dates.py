"""How old the faces of a piece are."""

from __future__ import annotations

import calendar
import re
from datetime import date

import numpy as np
from numpy.typing import NDArray

from stripwise.studies.inventory.row_check import RowCheck

__all__ = ["built_date", "read_ages"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

DATE = re.compile(r"(\d{4})(?:-(\d{1,2})(?:-(\d{1,2}))?)?")

OLDEST = 500.0
"""Largest age [yr]."""


def read_ages(check: RowCheck, meant: Flags, year: float | None) -> Array:
    """Return ages since first exposure [yr], 0 where nothing is said."""
    place = check.header.place("built")
    if place is None:
        return np.nan_to_num(check.role_numbers("age", meant))
    found = np.zeros(len(check.piece))
    known: dict[str, float | str] = {}
    for row, cell in enumerate(check.texts("built")):
        if cell not in known:
            known[cell] = _year(cell)
        at = known[cell]
        if isinstance(at, str):
            check.bad(row, "built", at, cell)
        elif year is not None and not np.isnan(at):
            found[row] = year - at
            if found[row] > OLDEST:
                check.bad(row, "built", "lies more than 500 yr before the year of the state", cell)
    return found


def _year(cell: str) -> float | str:
    """Return a date as a year with its fraction; a year alone is its first day."""
    if not cell:
        return "has no value; every face needs the date of its first exposure"
    day = built_date(cell)
    if day is None:
        return "must be a date such as 1998, 1998-05 or 1998-05-31"
    before = day.timetuple().tm_yday - 1
    return day.year + before / (366.0 if calendar.isleap(day.year) else 365.0)


def built_date(cell: str) -> date | None:
    """Return the date that a cell of `built` stands for, its first day; None where it is none."""
    match = DATE.fullmatch(cell)
    if match is None:
        return None
    year, month, day = int(match[1]), int(match[2] or 1), int(match[3] or 1)
    if not (1500 <= year <= 2200 and 1 <= month <= 12):
        return None
    if not 1 <= day <= calendar.monthrange(year, month)[1]:
        return None
    return date(year, month, day)
