"""What a file of test data contains, with every problem of the file at once."""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.errors import EvidenceError
from stripwise.evidence.tables.columns import UNUSUAL, Column, FileKind, normalise_name
from stripwise.evidence.tables.headers import Headers, detect_kind, match_headers
from stripwise.evidence.tables.table_problems import TableProblems
from stripwise.units.names import is_encodable, name_problem, printable

__all__ = ["FILE_LIMIT", "LINE", "DataFile", "read_data_file"]

FILE_LIMIT = 200_000_000
"""Largest file in bytes."""

LINE = "line"
"""Column of the table that says on which line of the file a row ends."""

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
    """

    path: Path
    kind: FileKind
    data: pd.DataFrame
    headers: dict[str, str]
    bases: dict[str, str]
    notes: tuple[str, ...]
    digest: str

    @property
    def name(self) -> str:
        """Name of the file, safe to print."""
        return printable_file_name(self.path)

    def problems(self) -> TableProblems:
        """Start a list of problems of this file."""
        return TableProblems(self.name)

    def has(self, column: str) -> bool:
        """Whether the file has the column of this canonical name."""
        return column in self.data.columns


def read_data_file(path: str | Path, *, kinds: Sequence[FileKind]) -> DataFile:
    """Read a file of test data, of one of some kinds.

    The table is text separated by comma, semicolon or tab, with a header. Lines that start
    with "#" and blank lines are skipped. An EvidenceError has one line per problem.
    """
    path = Path(path)
    text, digest = _text(path)
    rows, lines, separator = _rows(text, printable_file_name(path))
    problems = TableProblems(printable_file_name(path))
    names = [normalise_name(header) for header in rows[0]]
    kind = detect_kind(names, kinds=kinds, file=printable_file_name(path))
    headers = match_headers(rows[0], rows[1:], line=lines[0], kind=kind, problems=problems)
    problems.raise_all()
    data = _table(
        rows[1:], lines[1:], headers=headers, decimal_comma=separator != ",", problems=problems
    )
    problems.raise_all()
    return DataFile(path, kind, data, headers.header_names(), headers.bases, headers.notes, digest)


def printable_file_name(path: Path) -> str:
    """Return the name of a file, safe to print."""
    return printable(path.name, 200).strip('"') or str(path)


def _text(path: Path) -> tuple[str, str]:
    """Return the text of a file and its SHA-256."""
    name = printable_file_name(path)
    if not is_encodable(path.name):
        raise EvidenceError([f"{name}: the name of the file is not UTF-8; rename it"])
    try:
        if not path.exists():
            raise EvidenceError([f"{name}: there is no such file; check the path {path}"])
        if not path.is_file():
            raise EvidenceError([f"{name}: is no file; give one table as CSV"])
        with path.open("rb") as stream:
            data = stream.read(FILE_LIMIT + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise EvidenceError([f"{name}: cannot be read: {reason}"]) from error
    if len(data) > FILE_LIMIT:
        raise EvidenceError([f"{name}: is larger than 200 MB, the limit of a table"])
    code = "utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    try:
        text = data.decode(code)
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise EvidenceError(
            [f"{name}: line {line}: is not UTF-8 text; save it as CSV UTF-8"]
        ) from error
    if "\0" in text:
        raise EvidenceError([f"{name}: is no text; save the table as CSV"])
    return text, hashlib.sha256(data).hexdigest()


def _rows(text: str, name: str) -> tuple[list[list[str]], list[int], str]:
    """Split into rows with the line on which each ends; the first row is the header."""
    head = next((x for x in text.splitlines() if x.strip() and not x.startswith("#")), "")
    separator = next((sign for sign in (";", "\t") if sign in head), ",")
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    rows, lines = [], []
    try:
        for row in reader:
            if any(cell and not cell.isspace() for cell in row) and not row[0].startswith("#"):
                rows.append(row)
                lines.append(reader.line_num)
    except csv.Error as error:
        raise EvidenceError(
            [f"{name}: line {reader.line_num}: has a quotation mark that does not close ({error})"]
        ) from error
    if not rows:
        raise EvidenceError([f"{name}: is empty; the first row names the columns"])
    if len(rows) == 1:
        raise EvidenceError([f"{name}: has a header and no rows"])
    return rows, lines, separator


@dataclass(frozen=True, slots=True)
class _Cells:
    """One column of a file as text, with its place."""

    texts: pd.Series[str]
    blank: NDArray[np.bool_]
    column: Column
    header: str
    lines: NDArray[np.int_]

    def add_problem(
        self, problems: TableProblems, at: Any, rule: str, *, shown: bool = True
    ) -> None:
        found = _number_or_text(self.texts.iloc[at]) if shown else None
        problems.add(rule, line=int(self.lines[at]), column=self.header, found=found)


def _table(
    rows: list[list[str]],
    lines: list[int],
    *,
    headers: Headers,
    decimal_comma: bool,
    problems: TableProblems,
) -> pd.DataFrame:
    _check_widths(rows, lines, width=headers.width, problems=problems)
    table: dict[str, object] = {LINE: np.asarray(lines)}
    meant = _meant(rows, lines, headers=headers, problems=problems)
    decimal_signs: set[str] = set()
    for position, (column, header) in headers.used.items():
        if column is UNUSUAL:
            continue
        stripped = [row[position].strip() for row in rows]
        texts = pd.Series(stripped, dtype=object)
        blank = np.array([text.lower() in MISSING_MARKERS for text in stripped])
        cells = _Cells(texts, blank, column, header, np.asarray(lines))
        if column.required or any(column.stem in stems for stems in headers.kind.one_of):
            for at in np.flatnonzero(blank):
                cells.add_problem(problems, at, "has no value; every row needs one", shown=False)
        if not column.measure.number:
            table[column.canonical()] = _names_or_texts(cells, problems)
            continue
        values, below = _numbers(cells, decimal_signs if decimal_comma else None, problems)
        scale, offset = headers.scales[column.stem]
        values = values * scale + offset
        _check_range(values, cells, problems, meant=meant)
        table[column.canonical()] = values
        if column.censored:
            table[f"{column.stem}_below"] = below
    if len(decimal_signs) > 1:
        problems.add("has decimal commas and decimal points; write all decimals in one way")
    return pd.DataFrame(table)


def _check_widths(
    rows: list[list[str]], lines: list[int], *, width: int, problems: TableProblems
) -> None:
    for row, line in zip(rows, lines, strict=True):
        surplus = any(cell.strip() for cell in row[width:])
        if len(row) < width or surplus:
            problems.add(
                f"has another number of cells than the header, which has {width}",
                line=line,
                about=f"{len(row)} cells",
            )
    problems.raise_all()


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
        cells.add_problem(problems, at, f"must be a number{hint}")
    return values, below


def _meant(
    rows: list[list[str]], lines: list[int], *, headers: Headers, problems: TableProblems
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
                problems.add(rule, line=lines[at], column=header, found=row[position])
    return found


def _check_range(
    values: NDArray[np.float64],
    cells: _Cells,
    problems: TableProblems,
    *,
    meant: NDArray[np.bool_],
) -> None:
    column = cells.column
    internals = column.measure.internal_units
    unit = internals[0] if len(internals) == 1 else ""
    unit = {"pct": " %", "": "", "m2_s": " m2/s"}.get(unit, f" {unit}")
    outside = np.zeros(len(values), dtype=bool)
    rules = []
    if column.low is not None:
        outside |= values <= column.low if column.open_low else values < column.low
        rules.append(f"{'above' if column.open_low else 'at least'} {column.low:g}{unit}")
    if column.high is not None:
        outside |= values > column.high
        rules.append(f"at most {column.high:g}{unit}")
    for at in np.flatnonzero(outside):
        cells.add_problem(problems, at, f"must be {' and '.join(rules)}")
    if column.usual is None:
        return
    low, high = column.usual
    slack = 1e-9 * max(abs(low), abs(high))
    unlikely = (values < low - slack) | (values > high + slack)
    for at in np.flatnonzero(unlikely & ~outside & ~meant):
        cells.add_problem(
            problems,
            at,
            f"the usual value is {low:g} to {high:g}{unit}; check the unit and the columns, or "
            f"write yes in a column {UNUSUAL.stem} if it is meant",
        )


def _number_or_text(cell: str) -> object:
    """Return a number without quotation marks, for a message."""
    try:
        return float(cell)
    except ValueError:
        return cell


def _names_or_texts(cells: _Cells, problems: TableProblems) -> pd.Series[str]:
    """Read texts; a name must be written in one way throughout."""
    texts = cells.texts.mask(cells.blank, "")
    if not cells.column.is_name:
        return texts
    folded: dict[str, str] = {}
    for at, text in texts.drop_duplicates().items():
        if not text:
            continue
        if problem := name_problem(text):
            cells.add_problem(problems, at, problem)
        first_spelling = folded.setdefault(" ".join(text.casefold().split()), text)
        if first_spelling != text:
            rule = f"is also spelt {printable(first_spelling)}; write one name in one way"
            cells.add_problem(problems, at, rule)
    return texts
