"""A table of numbers with named columns, from a CSV file or a DataFrame: joint draws as given."""

from __future__ import annotations

import csv
import functools
import hashlib
import io
from dataclasses import dataclass
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from stripwise.errors import InputError
from stripwise.units.names import printable

__all__ = ["DrawTable", "read_draw_table"]

Array = NDArray[np.float64]

MOST_COLUMNS = 500


@dataclass(frozen=True, slots=True, eq=False)
class DrawTable:
    """One row a draw.

    Attributes
    ----------
    heads
        Names of the columns, units in them.
    rows
        (m, columns) numbers, perhaps not finite.
    digest
        SHA-256 of the file, or of heads and numbers.
    """

    heads: tuple[str, ...]
    rows: Array
    digest: str

    @classmethod
    def from_frame(cls, frame: Any) -> DrawTable:
        """Take over a DataFrame; raise InputError with what is wrong."""
        columns = {str(head): frame[head] for head in frame.columns}
        if not columns:
            raise InputError("knowledge", "holds no column")
        parts = []
        for head, column in columns.items():
            try:
                parts.append(np.asarray(column, dtype=float).ravel())
            except (TypeError, ValueError) as error:
                raise InputError(
                    "knowledge", f"the column {printable(head)} must hold numbers alone"
                ) from error
        if len({part.size for part in parts}) > 1:
            raise InputError("knowledge", "its columns must have the same length")
        rows = np.column_stack(parts)
        text = repr(tuple(columns)).encode() + rows.tobytes()
        return cls(tuple(columns), rows, hashlib.sha256(text).hexdigest())

    def __deepcopy__(self, _memo: object) -> Self:
        """Return the table itself, which nothing changes."""
        return self

    def __repr__(self) -> str:
        """Name the draws by their digest, which stands for them in that of a case."""
        return f"<{len(self.rows):,} joint draws, sha256 {self.digest}>"


@functools.lru_cache(maxsize=4)
def read_draw_table(data: bytes) -> DrawTable:
    """Read a CSV file; raise InputError with the line of what is no number."""
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError("", "is not UTF-8 text; save it as CSV UTF-8") from error
    stream = io.StringIO(text)
    try:
        heads = tuple(cell.strip() for cell in next(csv.reader(stream), []))
    except csv.Error as error:
        raise InputError("", f"is no table: {error}") from error
    if not any(heads):
        raise InputError("", "holds nothing; its first line must name the columns")
    if len(heads) > MOST_COLUMNS:
        raise InputError("", f"has {len(heads)} columns; at most {MOST_COLUMNS} are allowed")
    body = stream.read()
    if not body.strip():
        raise InputError("", "holds no draw below its first line")
    try:
        rows = np.loadtxt(io.StringIO(body), delimiter=",", ndmin=2, comments=None)
    except ValueError:
        rows = _line_by_line(body, len(heads))
    if rows.shape[1] != len(heads):
        raise InputError("", f"line 2 has {rows.shape[1]} numbers under {len(heads)} columns")
    return DrawTable(heads, rows, hashlib.sha256(data).hexdigest())


def _line_by_line(body: str, width: int) -> Array:
    """Read the numbers one by one, to name the line that is wrong."""
    rows = []
    for number, cells in enumerate(csv.reader(io.StringIO(body)), start=2):
        if not cells:
            continue
        if len(cells) != width:
            raise InputError("", f"line {number} has {len(cells)} cells; there are {width} columns")
        try:
            rows.append([float(cell) for cell in cells])
        except ValueError as error:
            wrong = next(cell for cell in cells if not _is_number(cell))
            raise InputError(
                "", f"line {number} has {printable(wrong)}; every cell must be a number"
            ) from error
    return np.array(rows, dtype=float)


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True
