"""What is wrong with a file of test data, on which line and in which column."""

from __future__ import annotations

from collections import Counter

from stripwise.errors import EvidenceError
from stripwise.units.names import printable
from stripwise.units.problem_list import ProblemList

__all__ = ["LAST", "TableProblems", "skip_offer"]

LINES_TOLD = 20
"""Most lines of rows left out that are written out."""

LAST = 1 << 60
"""A line behind all others."""

MAX_REPEATS = 5
"""Problems of one rule in one column that are written out; the rest are counted."""


class TableProblems(ProblemList):
    """The problems of one file; `file` is its name for the messages."""

    error = EvidenceError

    def __init__(self, file: str) -> None:
        super().__init__(file)
        self._counts: Counter[tuple[str, str]] = Counter()
        self._last: dict[tuple[str, str], int] = {}
        self._rows: set[int] = set()
        self._stay = 0

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
        of_row: bool = False,
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
        of_row
            Whether the file can be used without the row.
        """
        if of_row:
            self._rows.add(line)
        else:
            self._stay += 1
        key = (column, rule)
        self._counts[key] += 1
        if self._counts[key] > MAX_REPEATS:
            return
        self._last[key] = line
        place = ", ".join(part for part in (f"line {line}" if line else "", about, column) if part)
        value = "" if found is None else f" = {printable(found)}"
        start = f"{place}{value}: " if place or value else ""
        self.note(f"{start}{rule}", line=line)

    @property
    def rows(self) -> frozenset[int]:
        """Lines of the rows without which the file can be used."""
        return frozenset(self._rows)

    def left_out_notes(self) -> tuple[str, ...]:
        """Say which rows were left out and why."""
        lines = [str(line) for line in sorted(self._rows)]
        more = f" and {len(lines) - LINES_TOLD:,} more" if len(lines) > LINES_TOLD else ""
        word, place = ("row", "line") if len(lines) == 1 else ("rows", "lines")
        count = f"{len(lines):,} {word} left out (--skip-bad)"
        told = f"{self.file}: {count}, {place} {', '.join(lines[:LINES_TOLD])}{more}."
        return (told, *(f"Left out: {text}." for text in self.texts))

    def raise_unless_skipped(self, *, skip_bad: bool | None) -> None:
        """Raise what is wrong; not so what is wrong with single rows if those are to be skipped.

        Parameters
        ----------
        skip_bad
            None where the caller offers no such choice.
        """
        if skip_bad and not self._stay:
            return
        if skip_bad is False and self._rows and not self._stay:
            self.note(skip_offer(len(self._rows)), line=LAST)
        self.raise_all()


def skip_offer(rows: int) -> str:
    """Say how a command goes on without bad rows."""
    return f"--skip-bad leaves out {'this row' if rows == 1 else f'these {rows:,} rows'}, and tells which"
