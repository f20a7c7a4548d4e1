"""What is wrong with a file of test data, on which line and in which column."""

from __future__ import annotations

from collections import Counter

from stripwise.errors import EvidenceError
from stripwise.units.names import printable
from stripwise.units.problem_list import ProblemList

__all__ = ["TableProblems"]

MAX_REPEATS = 5
"""Problems of one rule in one column that are written out; the rest are counted."""


class TableProblems(ProblemList):
    """The problems of one file; `file` is its name for the messages."""

    error = EvidenceError

    def __init__(self, file: str) -> None:
        super().__init__(file)
        self._counts: Counter[tuple[str, str]] = Counter()
        self._last: dict[tuple[str, str], int] = {}

    @property
    def texts(self) -> tuple[str, ...]:
        """The problems so far, one line each, in the order of the file."""
        notes = list(self._notes)
        for (column, rule), count in self._counts.items():
            if count > MAX_REPEATS:
                where = f"{column}: " if column else ""
                text = f"{self.file}: {where}{rule}: {count - MAX_REPEATS:,} more places like these"
                notes.append((self._last[column, rule], text))
        return tuple(text for _, text in sorted(notes, key=lambda note: note[0]))

    def add(
        self,
        rule: str,
        *,
        line: int = 0,
        column: str = "",
        found: object = None,
        about: str = "",
    ) -> None:
        """Add one problem.

        Parameters
        ----------
        rule
            What is allowed, and the next step; the same words for the same kind of problem.
        line
            Line of the file, from 1; 0 for the file as a whole.
        column
            Column as the file names it.
        found
            The value as the file gives it; None where there is none.
        about
            What the row is about (a specimen, a pour), where that helps to locate it.
        """
        key = (column, rule)
        self._counts[key] += 1
        if self._counts[key] > MAX_REPEATS:
            return
        self._last[key] = line
        place = ", ".join(part for part in (f"line {line}" if line else "", about, column) if part)
        value = "" if found is None else f" = {printable(found)}"
        start = f"{place}{value}: " if place or value else ""
        self.note(f"{start}{rule}", line=line)
