"""One piece of a table while its rows are checked: its cells by role, and what is wrong with them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.scenario.fields import Quantity, Random
from stripwise.studies.inventory.face_columns import FaceColumn, FaceHeader
from stripwise.studies.inventory.face_problems import FaceProblems
from stripwise.studies.inventory.face_rows import Piece
from stripwise.units.names import nearest_spelling

__all__ = ["MISSING", "RowCheck"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

MISSING = frozenset({"", "-", "na", "n/a", "nan", "null"})
"""What stands for a missing value, in lower case."""


@dataclass(slots=True)
class RowCheck:
    """Checks one piece: `good` says which rows are sound so far."""

    header: FaceHeader
    piece: Piece
    problems: FaceProblems
    good: Flags = field(init=False)

    def __post_init__(self) -> None:
        self.good = np.ones(len(self.piece), dtype=bool)

    def bad(self, row: int, column: str, rule: str, found: str | None = None) -> None:
        """Note a problem of a row."""
        self.good[row] = False
        place = self.header.place("element")
        element = "" if place is None else self.piece.cells[place][row]
        self.problems.add(self.piece.lines[row], column, rule, element=element, found=found)

    def texts(self, role: str) -> list[str]:
        """Return the cells of a role, "" where there is none."""
        place = self.header.place(role)
        if place is None:
            return [""] * len(self.piece)
        return ["" if c.lower() in MISSING else c for c in self.piece.cells[place]]

    def words(self, role: str, allowed: Sequence[str]) -> list[str]:
        """Return the cells of a role that must be one of some words, or empty."""
        cells, known = self.texts(role), {"", *allowed}
        for row, cell in enumerate(cells):
            if cell not in known:
                options = ", ".join(allowed) if allowed else "nothing: the scenario has none"
                shown = options if len(options) < 300 else f"the {len(allowed)} of the scenario"
                self.bad(
                    row, role, f"must be one of {shown}{nearest_spelling(cell, allowed)}", cell
                )
        return cells

    def numbers(self, column: FaceColumn, place: int, meant: Flags) -> Array:
        """Return a column of numbers in its internal unit; NaN where the cell is empty or bad."""
        cells = self.piece.cells[place]
        read = pd.to_numeric(pd.Series(cells, dtype=object), errors="coerce")
        values = read.to_numpy(dtype=float, copy=True)
        blank = np.zeros(len(cells), dtype=bool)
        for row in np.flatnonzero(~np.isfinite(values)):
            if cells[row].lower() in MISSING:
                blank[row] = True
                continue
            hint = "; write decimals with a point" if re.match(r"[+-]?\d+,\d", cells[row]) else ""
            self.bad(int(row), column.header, f"must be a finite number{hint}", cells[row])
        values[~np.isfinite(values)] = np.nan
        check = column.check
        if not isinstance(check, Quantity | Random):
            return values
        if column.difference:
            return check.measure.column(values, column.unit, difference=True)
        found, allowed = check.column(values, column.unit)
        insisted = check.column(values, column.unit, unusual=True)[1]
        fine = np.where(meant, insisted, allowed) | np.isnan(values)
        for row in np.flatnonzero(~fine):
            self.bad(int(row), column.header, _rule(check, float(found[row])), cells[row])
        return np.where(fine, found, np.nan)

    def role_numbers(self, role: str, meant: Flags) -> Array:
        """Return the numbers of a role, NaN where there is no column."""
        place = self.header.place(role)
        if place is None:
            return np.full(len(self.piece), np.nan)
        return self.numbers(self.header.columns[place], place, meant)

    def head(self, role: str) -> str:
        """Return the head of the column of a role, or the role where there is none."""
        place = self.header.place(role)
        return role if place is None else self.header.columns[place].header


def _rule(check: Quantity | Random, value: float) -> str:
    """Say which of the declared ranges a number misses."""
    insist = "check the unit, or write yes in a column unusual if it is meant"
    if isinstance(check, Quantity):
        if not bool(check.limits.hold(value)):
            return check.rule
        return f"the usual value is {check.usual}; {insist}"
    if not bool(check.bounds.hold(value)):
        return check.rule
    if not bool(check.allowed(value, unusual=True)):
        return f"must be {check.possible_range}"
    return f"the usual value is {check.usual_range}; {insist}"
