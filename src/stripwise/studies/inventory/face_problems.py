"""What is wrong with the rows of a table of faces: every row, with its line and column."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from stripwise.evidence.tables.table_problems import LAST, TableProblems, skip_offer
from stripwise.units.names import printable
from stripwise.units.result_columns import columns

__all__ = ["FaceProblems"]

MOST_LISTED = 100_000
"""Most bad rows that are listed; the rest are counted."""


@dataclass(slots=True)
class FaceProblems:
    """The bad rows of a table.

    Attributes
    ----------
    file
        Name of the table.
    count
        Bad rows.
    """

    file: str
    count: int = 0
    _told: TableProblems = field(init=False)
    _rows: list[tuple[int, str, str, str, str]] = field(default_factory=list)
    _bad: set[int] = field(default_factory=set)

    def __post_init__(self) -> None:
        self._told = TableProblems(self.file)

    def add(self, line: int, column: str, rule: str, *, element: str, found: str | None) -> None:
        """Note one problem of a row; a row may have several."""
        self._told.add(rule, line=line, column=column, found=found)
        if line not in self._bad:
            self._bad.add(line)
            self.count += 1
        if len(self._rows) < MOST_LISTED:
            shown = "" if found is None else printable(found).strip('"')
            self._rows.append((line, printable(element).strip('"'), column, shown, rule))

    @property
    def lines(self) -> frozenset[int]:
        """Lines of the bad rows."""
        return frozenset(self._bad)

    def raise_all(self) -> None:
        """Raise an EvidenceError that lists every kind of problem, with its lines."""
        if self._bad:
            self._told.note(skip_offer(self.count), line=LAST)
        self._told.raise_all()

    @property
    def table(self) -> pd.DataFrame:
        """The bad rows, a row per problem."""
        rows = sorted(self._rows)
        safe = [[_harmless(x) if isinstance(x, str) else x for x in row] for row in rows]
        return pd.DataFrame(safe, columns=columns("left-out"))


def _harmless(text: str) -> str:
    """Keep a spreadsheet from reading a quoted cell as a formula."""
    return f"'{text}" if text[:1] in "=+-@\uff1d\uff0b\uff0d\uff20" and text else text
