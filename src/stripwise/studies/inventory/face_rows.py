"""The rows of a table of faces in pieces: from CSV, Parquet or frames, each with its line."""

from __future__ import annotations

import csv
import hashlib
import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from stripwise.errors import EvidenceError
from stripwise.evidence.tables.table_text import printable_file_name
from stripwise.units.names import is_encodable

__all__ = ["PART_ROWS", "FaceRows", "Piece", "open_faces"]

PART_ROWS = 5000
"""Rows of a part, which is computed as one."""

PARQUET = (".parquet", ".pq")


@dataclass(frozen=True, slots=True)
class Piece:
    """Some rows of the table as texts.

    Attributes
    ----------
    lines
        Line, or row of a table without lines, on which each row ends.
    cells
        One list of texts per column.
    uneven
        Position and number of cells of rows that have another number than the head.
    """

    lines: list[int]
    cells: list[list[str]]
    uneven: list[tuple[int, int]]

    def __len__(self) -> int:
        """Count the rows."""
        return len(self.lines)


@dataclass(frozen=True, slots=True)
class FaceRows:
    """A table of faces that can be gone through more than once.

    Attributes
    ----------
    name
        Its name, safe to print.
    names
        Heads of its columns.
    digest
        SHA-256 of the file; empty for frames.
    pieces
        Goes through the rows, `PART_ROWS` at a time.
    head_line
        Line of the head.
    """

    name: str
    names: list[str]
    digest: str
    pieces: Callable[[], Iterator[Piece]]
    head_line: int = 1


def open_faces(table: str | Path | pd.DataFrame | Iterable[pd.DataFrame]) -> FaceRows:
    """Open a table of faces: a path, a frame, or an iterable of frames that can be gone through twice."""
    if isinstance(table, pd.DataFrame):
        return _frames([table])
    if isinstance(table, str | Path):
        path = Path(table)
        name = printable_file_name(path)
        if not is_encodable(path.name):
            raise EvidenceError([f"{name}: the name of the file is not UTF-8; rename it"])
        if not path.is_file():
            there = "is no file" if path.exists() else "there is no such file"
            raise EvidenceError([f"{name}: {there}; give one table as CSV or Parquet"])
        if path.suffix.lower() == ".toml":
            raise EvidenceError([f"{name}: is a scenario; the table of faces comes first"])
        try:
            return _parquet(path, name) if path.suffix.lower() in PARQUET else _csv(path, name)
        except OSError as error:
            raise EvidenceError([f"{name}: cannot be read: {error.strerror or error}"]) from error
    return _frames(list(table))


def _digest(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _csv(path: Path, name: str) -> FaceRows:
    with path.open("rb") as stream:
        start = stream.read(4096)
    code = "utf-16" if start[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    start_lines = start.decode(code, errors="replace").splitlines()
    first = next((x for x in start_lines if x.strip() and not x.startswith("#")), "")
    separator = next((sign for sign in (";", "\t") if sign in first), ",")

    def rows() -> Iterator[tuple[int, list[str]]]:
        with path.open(encoding=code, newline="") as stream:
            reader = csv.reader(stream, delimiter=separator, strict=True)
            try:
                for row in reader:
                    if row and any(row) and not row[0].startswith("#"):
                        yield reader.line_num, row
            except csv.Error as error:
                rule = f"has a quotation mark that does not close, or a cell too long ({error})"
                raise EvidenceError([f"{name}: line {reader.line_num}: {rule}"]) from error
            except UnicodeError as error:
                rule = "is not UTF-8 text; save it as CSV UTF-8"
                raise EvidenceError([f"{name}: line {reader.line_num + 1}: {rule}"]) from error

    line, header = next(rows(), (1, []))
    if not header:
        raise EvidenceError([f"{name}: is empty; the first row names the columns"])
    if any("\0" in cell for cell in header):
        raise EvidenceError([f"{name}: is no text; save the table as CSV"])

    def pieces() -> Iterator[Piece]:
        source = rows()
        next(source, None)
        lines: list[int] = []
        table: list[list[str]] = []
        for at, row in source:
            lines.append(at)
            table.append(row)
            if len(lines) == PART_ROWS:
                yield _piece(lines, table, len(header))
                lines, table = [], []
        if lines:
            yield _piece(lines, table, len(header))

    return FaceRows(name, [cell.strip() for cell in header], _digest(path), pieces, line)


def _piece(lines: list[int], table: list[list[str]], width: int) -> Piece:
    uneven = []
    for k, row in enumerate(table):
        if len(row) != width:
            if len(row) < width or any(cell.strip() for cell in row[width:]):
                uneven.append((k, len(row)))
            table[k] = (row + [""] * width)[:width]
    cells = [[cell.strip() for cell in column] for column in zip(*table, strict=True)]
    return Piece(lines, cells, uneven)


def _parquet(path: Path, name: str) -> FaceRows:
    try:
        from pyarrow import ArrowInvalid, parquet  # noqa: PLC0415 - an extra
    except ImportError as error:
        rule = 'needs pyarrow; install it with `pip install "stripwise[parquet]"`'
        raise EvidenceError([f"{name}: {rule}"]) from error
    try:
        names = list(parquet.ParquetFile(path).schema_arrow.names)
    except ArrowInvalid as error:
        raise EvidenceError([f"{name}: is no Parquet file ({error})"]) from error

    def pieces() -> Iterator[Piece]:
        start = 0
        for batch in parquet.ParquetFile(path).iter_batches(batch_size=PART_ROWS):
            frame = batch.to_pandas()
            yield _frame_piece(frame, start)
            start += len(frame)

    return FaceRows(name, names, _digest(path), pieces, 0)


def _frames(frames: list[pd.DataFrame]) -> FaceRows:
    names = [str(column) for column in frames[0].columns] if frames else []
    digest = hashlib.sha256()
    for frame in frames:
        if [str(column) for column in frame.columns] != names:
            raise EvidenceError(["table: its frames have different columns"])
        digest.update(frame.to_csv(index=False).encode("utf-8", "surrogatepass"))

    def pieces() -> Iterator[Piece]:
        start = 0
        for frame in frames:
            for first in range(0, len(frame), PART_ROWS):
                part = frame.iloc[first : first + PART_ROWS]
                yield _frame_piece(part, start + first)
            start += len(frame)

    return FaceRows("table", names, digest.hexdigest(), pieces, 0)


def _frame_piece(frame: pd.DataFrame, start: int) -> Piece:
    lines = [start + k + 1 for k in range(len(frame))]
    return Piece(lines, [_texts(frame[column]) for column in frame.columns], [])


def _texts(column: pd.Series[Any]) -> list[str]:
    """Return the cells of a column as a CSV file would hold them."""
    if isinstance(column.dtype, np.dtype) and np.issubdtype(column.dtype, np.floating):
        return ["" if math.isnan(value) else repr(float(value)) for value in column.tolist()]
    missing = column.isna().to_numpy()
    if pd.api.types.is_datetime64_any_dtype(column.dtype):
        column = column.dt.strftime("%Y-%m-%d")
    return [
        "" if gone else str(x).strip() for gone, x in zip(missing, column.tolist(), strict=True)
    ]
