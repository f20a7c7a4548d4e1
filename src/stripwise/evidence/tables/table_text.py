"""The text of a file of test data: read once, decoded, cut into rows."""

from __future__ import annotations

import csv
import functools
import hashlib
import io
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from stripwise.errors import EvidenceError
from stripwise.units.names import is_encodable, printable

__all__ = ["FILE_LIMIT", "TableText", "frame_text", "printable_file_name", "read_text"]

SEPARATOR_LINE = re.compile(r'"?sep=(?P<sign>[;,\t])"?\s*', re.IGNORECASE)
"""First line by which a spreadsheet says what stands between the cells."""

FALLBACK_ENCODING = "cp1252"
"""Encoding of tables that are no UTF-8: that of spreadsheets in western Europe and America."""

FILE_LIMIT = 200_000_000
"""Largest file in bytes."""


def printable_file_name(path: Path) -> str:
    """Return the name of a file, safe to print."""
    return printable(path.name, 200).strip('"') or str(path)


@dataclass(frozen=True, slots=True)
class TableText:
    """A file as it was read at once, decoded again each time it is gone through."""

    data: bytes
    encoding: str

    def stream(self) -> io.TextIOWrapper:
        """Return the decoded text from its beginning."""
        return io.TextIOWrapper(io.BytesIO(self.data), encoding=self.encoding, newline="")

    def separator(self) -> str:
        """Return the sign between cells, by the first line that is no comment."""
        lines = (x for x in self.stream() if x.strip() and not x.startswith("#"))
        head = next(lines, "")
        if told := SEPARATOR_LINE.fullmatch(head):
            return told["sign"]
        return next((sign for sign in (";", "\t") if sign in head), ",")

    def rows(self, name: str) -> Iterator[tuple[int, list[str]]]:
        """Go through the rows that are neither blank nor comments, each with its last line."""
        separator = self.separator()
        reader = csv.reader(self.stream(), delimiter=separator, strict=True)
        begun = False
        try:
            for row in reader:
                if not begun and SEPARATOR_LINE.fullmatch(separator.join(row)):
                    continue
                begun = begun or bool(row and row[0] and not row[0].startswith("#"))
                if any(cell and not cell.isspace() for cell in row) and not row[0].startswith("#"):
                    yield reader.line_num, row
        except csv.Error as error:
            rule = f"has a quotation mark that does not close ({error})"
            if "field limit" in str(error):
                rule = (
                    f"has a cell of more than {csv.field_size_limit():,} characters, the limit; "
                    "is a quotation mark left open?"
                )
            raise EvidenceError([f"{name}: line {reader.line_num}: {rule}"]) from error


def read_text(path: Path) -> tuple[TableText, str]:
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
            size = os.fstat(stream.fileno()).st_size
            # as much as it holds, since a read makes room for what it is asked for
            data = b"" if size > FILE_LIMIT else stream.read(size)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise EvidenceError([f"{name}: cannot be read: {reason}"]) from error
    if size > FILE_LIMIT:
        raise EvidenceError([f"{name}: is larger than 200 MB, the limit of a table"])
    code = "utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    if code == "utf-8-sig" and _first_bad_byte(data, code) < len(data):
        code = FALLBACK_ENCODING
    text = TableText(data, code)
    pieces = iter(functools.partial(text.stream().read, 1_000_000), "")
    try:
        if any("\0" in piece for piece in pieces):
            raise EvidenceError([f"{name}: is no text; save the table as CSV"])
    except UnicodeDecodeError as error:
        line = data[: _first_bad_byte(data, code)].count(b"\n") + 1
        raise EvidenceError(
            [f"{name}: line {line}: is neither UTF-8 nor Windows-1252 text; save it as CSV UTF-8"]
        ) from error
    return text, hashlib.sha256(data).hexdigest()


def frame_text(frame: pd.DataFrame) -> tuple[TableText, str]:
    """Return a table as the text that its file would have, and its SHA-256."""
    data = frame.to_csv(index=False).encode()
    return TableText(data, "utf-8"), hashlib.sha256(data).hexdigest()


def _first_bad_byte(data: bytes, code: str) -> int:
    try:
        data.decode(code)
    except UnicodeDecodeError as error:
        return error.start
    return len(data)
