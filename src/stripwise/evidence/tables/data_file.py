"""What a file of test data contains, with every problem of the file at once."""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.errors import EvidenceError
from stripwise.evidence.tables.columns import UNUSUAL, Column, FileKind, normalise_name
from stripwise.evidence.tables.headers import Headers, detect_kind, match_headers
from stripwise.evidence.tables.table_problems import TableProblems
from stripwise.evidence.tables.table_text import (
    FALLBACK_ENCODING,
    TableText,
    frame_text,
    printable_file_name,
    read_text,
)
from stripwise.units.names import name_problem, printable
from stripwise.units.source_files import SourceFile

__all__ = ["LINE", "DataFile", "read_data_file", "read_data_frame"]

LINE = "line"
"""Column of the table that says on which line of the file a row ends."""

PIECE = 20_000
"""Rows that are held as text at once."""

MISSING_MARKERS = frozenset({"", "-", "na", "n/a", "nan", "null", "."})
"""What stands for a missing value, in lower case."""


YES, NO = frozenset({"yes", "true", "1"}), frozenset({"no", "false", "0"})
"""Words of the column that says whether a row is meant although it is unusual."""


@dataclass(frozen=True, slots=True)
class DataFile:
    """A file of test data as read.

    Attributes
    ----------
    path
        The file.
    kind
        What it holds.
    data
        One row per row of the file, in internal units, columns named as `Column` says, and the
        line of the file in `LINE`. A missing optional number is NaN, a missing text "".
    headers
        The file's own name of each column of `data`.
    bases
        Unit of the columns that have no single internal unit, by stem: chloride -> "pct".
    notes
        What a reader should know: columns that were not used.
    digest
        SHA-256 of the file.
    left_out
        Number of rows that were left out because they cannot be used.
    scales
        Factor and offset from the unit of the file to the internal one, by canonical name.
    """

    path: Path
    kind: FileKind
    data: pd.DataFrame
    headers: dict[str, str]
    bases: dict[str, str]
    notes: tuple[str, ...]
    digest: str
    left_out: int = 0
    scales: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """Name of the file, safe to print."""
        return printable_file_name(self.path)

    @property
    def sources(self) -> tuple[SourceFile, ...]:
        """The file itself, by name and hash."""
        return (SourceFile(self.name, self.digest),)

    def problems(self) -> TableProblems:
        """Start a list of problems of this file."""
        return TableProblems(self.name)

    def typed(self, column: str, value: Any) -> Any:
        """Return a number of a column as the file would type it; a text stays."""
        factor, offset = self.scales.get(column, (1.0, 0.0))
        return value if isinstance(value, str) else float(f"{(value - offset) / factor:.10g}")

    def has(self, column: str) -> bool:
        """Whether the file has the column of this canonical name."""
        return column in self.data.columns


def read_data_file(
    path: str | Path, *, kinds: Sequence[FileKind], skip_bad: bool | None = None
) -> DataFile:
    """Read a file of test data, of one of some kinds.

    The table is text separated by comma, semicolon or tab, with a header. Lines that start
    with "#" and blank lines are skipped. An EvidenceError has one line per problem. With `skip_bad`
    rows that cannot be used are left out and told in the notes; None offers no such choice.
    """
    path = Path(path)
    text, digest = read_text(path)
    return _data_file(path, text, digest, kinds=kinds, skip_bad=skip_bad)


def read_data_frame(
    frame: pd.DataFrame, *, kinds: Sequence[FileKind], name: str = "table.csv"
) -> DataFile:
    """Read a table of test data with the columns of a file; `name` stands in messages and reports."""
    text, digest = frame_text(frame)
    return _data_file(Path(name), text, digest, kinds=kinds)


def _data_file(
    path: Path,
    text: TableText,
    digest: str,
    *,
    kinds: Sequence[FileKind],
    skip_bad: bool | None = None,
) -> DataFile:
    name = printable_file_name(path)
    if path.suffix.lower() == ".toml":
        rule = "is a scenario and no table of test data; did you mean `stripwise run`?"
        raise EvidenceError([f"{name}: {rule}"])
    header, line, filled, widths = _first_look(text, name)
    problems = TableProblems(name)
    names = [normalise_name(own_header) for own_header in header]
    kind = detect_kind(names, kinds=kinds, file=name)
    headers = match_headers(header, filled=filled, line=line, kind=kind, problems=problems)
    problems.raise_all()
    widths.raise_all()
    data = _table(text, headers=headers, problems=problems)
    problems.raise_unless_skipped(skip_bad=skip_bad)
    bad = data[LINE].isin(problems.rows)
    if bad.all():
        raise EvidenceError([*problems.texts, f"{name}: has no row that can be used"])
    notes = headers.notes
    if text.encoding == FALLBACK_ENCODING:
        notes += (
            f"{name} is no UTF-8 text and was read as Windows-1252; check names with accents.",
        )
    if bad.any():
        data = data[~bad].reset_index(drop=True)
        notes += problems.left_out_notes()
    return DataFile(
        path,
        kind,
        data,
        headers.header_names(),
        headers.bases,
        notes,
        digest,
        left_out=int(bad.sum()),
        scales={one.canonical(): headers.scales[one.stem] for one, _ in headers.used.values()},
    )


def _first_look(text: TableText, name: str) -> tuple[list[str], int, set[int], TableProblems]:
    """Return the header, its line, the columns that are not empty and rows of another width."""
    rows = text.rows(name)
    line, header = next(rows, (0, []))
    if not header:
        raise EvidenceError([f"{name}: is empty; the first row names the columns"])
    filled: set[int] = set()
    widths = TableProblems(name)
    empty = True
    for at, row in rows:
        empty = False
        if len(filled) < len(header):
            filled.update(i for i, cell in enumerate(row) if i not in filled and cell.strip())
        if len(row) < len(header) or any(cell.strip() for cell in row[len(header) :]):
            widths.add(
                f"has another number of cells than the header, which has {len(header)}",
                line=at,
                about=f"{len(row)} cells",
            )
    if empty:
        raise EvidenceError([f"{name}: has a header and no rows"])
    return header, line, filled, widths


@dataclass(frozen=True, slots=True)
class _Cells:
    """One column of a file as text, with its place."""

    texts: pd.Series[str]
    blank: NDArray[np.bool_]
    column: Column
    header: str
    lines: NDArray[np.int_]

    def add_problem(
        self,
        problems: TableProblems,
        at: Any,
        rule: str,
        *,
        shown: bool = True,
        of_row: bool = False,
    ) -> None:
        found = _number_or_text(self.texts.iloc[at]) if shown else None
        line = int(self.lines[at])
        problems.add(rule, line=line, column=self.header, found=found, of_row=of_row)


@dataclass(frozen=True, slots=True)
class _Spellings:
    """The names of one column so far: each as it stands first, and in small letters."""

    first: dict[str, str] = field(default_factory=dict)
    folded: dict[str, str] = field(default_factory=dict)


def _table(text: TableText, *, headers: Headers, problems: TableProblems) -> pd.DataFrame:
    """Read the rows below the header, a piece at a time."""
    rows = itertools.islice(text.rows(problems.file), 1, None)
    decimal_signs: set[str] | None = set() if text.separator() != "," else None
    spellings: defaultdict[str, _Spellings] = defaultdict(_Spellings)
    pieces: defaultdict[str, list[Any]] = defaultdict(list)
    while piece := list(itertools.islice(rows, PIECE)):
        columns = _columns(
            piece,
            headers=headers,
            decimal_signs=decimal_signs,
            spellings=spellings,
            problems=problems,
        )
        for name, values in columns.items():
            pieces[name].append(values)
    if decimal_signs is not None and len(decimal_signs) > 1:
        problems.add("has decimal commas and decimal points; write all decimals in one way")
    return pd.DataFrame({name: np.concatenate(pieces.pop(name)) for name in list(pieces)})


def _columns(
    rows: list[tuple[int, list[str]]],
    *,
    headers: Headers,
    decimal_signs: set[str] | None,
    spellings: defaultdict[str, _Spellings],
    problems: TableProblems,
) -> dict[str, Any]:
    """Return the columns of some rows; `decimal_signs` as in `_numbers`."""
    lines = np.array([line for line, _ in rows])
    table: dict[str, Any] = {LINE: lines}
    meant = _meant([row for _, row in rows], lines, headers=headers, problems=problems)
    for position, (column, header) in headers.used.items():
        if column is UNUSUAL:
            continue
        stripped = [row[position].strip() for _, row in rows]
        texts = pd.Series(stripped, dtype=object)
        blank = np.array([text.lower() in MISSING_MARKERS for text in stripped])
        cells = _Cells(texts, blank, column, header, lines)
        if column.required or any(column.stem in stems for stems in headers.kind.one_of):
            for at in np.flatnonzero(blank):
                rule = "has no value; every row needs one"
                cells.add_problem(problems, at, rule, shown=False, of_row=True)
        if not column.measure.number:
            table[column.canonical()] = _names_or_texts(cells, spellings[column.stem], problems)
            continue
        values, below = _numbers(cells, decimal_signs, problems)
        scale, offset = headers.scales[column.stem]
        values = values * scale + offset
        _check_range(values, cells, problems, headers=headers, meant=meant)
        table[column.canonical()] = values
        if column.censored:
            table[f"{column.stem}_below"] = below
    return table


def _numbers(
    cells: _Cells, decimal_signs: set[str] | None, problems: TableProblems
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Read numbers, and which of them stand for a value below a limit.

    `decimal_signs` collects the decimal signs in use where a comma may be one, else None.
    """
    texts = cells.texts
    below = np.zeros(len(texts), dtype=bool)
    if decimal_signs is None:  # fast path for the usual table
        numbers = pd.to_numeric(texts.mask(cells.blank, None), errors="coerce").to_numpy(
            dtype=float
        )
        if (np.isfinite(numbers) | cells.blank).all():
            return numbers, below
    if cells.column.censored:
        below = texts.str.startswith("<").to_numpy(dtype=bool)
        texts = texts.str.removeprefix("<").str.strip()
    if decimal_signs is not None:
        if texts.str.contains(",", regex=False).any():
            decimal_signs.add(",")
        if texts.str.contains(r"\.\d", regex=True).any():
            decimal_signs.add(".")
        # two commas stay, and fail as a number
        texts = texts.where(texts.str.count(",") != 1, texts.str.replace(",", ".", regex=False))
    values = pd.to_numeric(texts.mask(cells.blank, None), errors="coerce").to_numpy(dtype=float)
    for at in np.flatnonzero(~np.isfinite(values) & ~cells.blank):
        hint = ""
        if decimal_signs is None and "," in texts.iloc[at]:
            hint = "; in a table separated by commas decimals are written with a point"
        cells.add_problem(problems, at, f"must be a number{hint}", of_row=not hint)
    return values, below


def _meant(
    rows: list[list[str]], lines: NDArray[np.int_], *, headers: Headers, problems: TableProblems
) -> NDArray[np.bool_]:
    """Return which rows say that their values are meant although they are unusual."""
    found = np.zeros(len(rows), dtype=bool)
    for position, (column, header) in headers.used.items():
        if column is not UNUSUAL:
            continue
        for at, row in enumerate(rows):
            word = row[position].strip().lower()
            found[at] = word in YES
            if word not in YES | NO | MISSING_MARKERS:
                rule = "must be yes, or empty"
                problems.add(rule, line=int(lines[at]), column=header, found=row[position])
    return found


def _check_range(
    values: NDArray[np.float64],
    cells: _Cells,
    problems: TableProblems,
    *,
    headers: Headers,
    meant: NDArray[np.bool_],
) -> None:
    column = cells.column
    unit, typed = headers.unit_words(column), partial(headers.typed, column)
    outside = np.zeros(len(values), dtype=bool)
    rules = []
    if column.low is not None:
        outside |= values <= column.low if column.open_low else values < column.low
        rules.append(f"{'above' if column.open_low else 'at least'} {typed(column.low)}{unit}")
    if column.high is not None:
        outside |= values > column.high
        rules.append(f"at most {typed(column.high)}{unit}")
    for at in np.flatnonzero(outside):
        cells.add_problem(problems, at, f"must be {' and '.join(rules)}", of_row=True)
    if column.usual is None:
        return
    low, high = column.usual
    slack = 1e-9 * max(abs(low), abs(high))
    unlikely = (values < low - slack) | (values > high + slack)
    for at in np.flatnonzero(unlikely & ~outside & ~meant):
        cells.add_problem(
            problems,
            at,
            f"the usual value is {typed(low, 3)} to {typed(high, 3)}{unit}; check the unit and the columns, or "
            f"write yes in a column {UNUSUAL.stem} if it is meant",
        )


def _number_or_text(cell: str) -> object:
    """Return a number without quotation marks, for a message."""
    try:
        return float(cell)
    except ValueError:
        return cell


def _names_or_texts(
    cells: _Cells, spellings: _Spellings, problems: TableProblems
) -> NDArray[np.object_]:
    """Read texts; a name must be written in one way throughout."""
    texts = cells.texts.mask(cells.blank, "")
    if not (cells.column.is_name or cells.column.is_label):
        return texts.to_numpy(dtype=object)
    for at, text in texts.drop_duplicates().items():
        if not text or text in spellings.first:
            continue
        spellings.first[text] = text
        if problem := name_problem(text):
            cells.add_problem(problems, at, problem)
        first_spelling = spellings.folded.setdefault(" ".join(text.casefold().split()), text)
        if first_spelling != text and cells.column.is_name:
            rule = f"is also spelt {printable(first_spelling)}; write one name in one way"
            cells.add_problem(problems, at, rule)
    # one text for all rows that hold it
    return np.array([spellings.first.get(text, text) for text in texts], dtype=object)
