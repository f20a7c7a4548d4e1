"""Checks that several kinds of inspections share."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stripwise.evidence.tables.data_file import LINE, NO, YES, DataFile
from stripwise.evidence.tables.profile_rows import MAX_CONTENT
from stripwise.evidence.tables.table_problems import TableProblems

__all__ = [
    "check_chances",
    "check_errors",
    "check_specimens",
    "places",
    "stated_effective",
    "yes_no",
]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

DOUBTED_SHARE = 0.02
"""Share of the largest possible content up to which an error is not held against the contents."""


def check_errors(data_file: DataFile, problems: TableProblems) -> None:
    """Refuse errors beyond all contents: per cent of a content in place of its unit."""
    data, header = data_file.data, data_file.headers.get("error", "")
    if "error" in data:
        largest = float(data["chloride"].max())
        unit = MAX_CONTENT[data_file.bases["chloride"]][0]
        for at in np.flatnonzero(data["error"] > max(largest, DOUBTED_SHARE * unit)):
            problems.add(
                "is above every content of the file, so that the cores would tell nothing; it is a "
                "standard deviation in the unit of the content, error_share is one over the content",
                line=int(data[LINE].iloc[at]),
                column=header,
                found=data_file.typed("error", float(data["error"].iloc[at])),
            )


def places(data_file: DataFile, problems: TableProblems) -> Array | None:
    """Return places (n, 2) [m]; None where the file has none."""
    data = data_file.data
    there = [name for name in ("x_mm", "y_mm") if name in data]
    if not there:
        return None
    if len(there) == 1:
        missing = "y_m" if there[0] == "x_mm" else "x_m"
        problems.add(f"needs {missing} beside it", column=data_file.headers[there[0]])
        return None
    for name in there:
        for at in np.flatnonzero(data[name].isna()):
            problems.add(
                "has no value; every row needs one",
                line=int(data[LINE].iloc[at]),
                column=data_file.headers[name],
            )
    return data[there].to_numpy(dtype=float) / 1000.0


def stated_effective(data_file: DataFile, problems: TableProblems) -> float | None:
    """Return the one number of effective points that a file of single readings states."""
    data = data_file.data
    if "effective_points" not in data:
        return None
    header, found = data_file.headers["effective_points"], data["effective_points"]
    if found.isna().any() or (found != found.iloc[0]).any():
        problems.add("must be one number, the same in every row of the file", column=header)
        return None
    value = float(found.iloc[0])
    if value > len(data):
        problems.add(
            f"must be at most the number of readings, {len(data)}", column=header, found=value
        )
    return value


def check_chances(data_file: DataFile, problems: TableProblems) -> None:
    """Refuse a chance of detection below that of a false alarm."""
    data, head = data_file.data, data_file.headers
    for at in np.flatnonzero(data["detection"] < data["false_alarm"]):
        problems.add(
            f"must be at least {head['false_alarm']} of its row: a survey that finds more where "
            "there is nothing says the opposite of what it means",
            line=int(data[LINE].iloc[at]),
            column=head["detection"],
            found=float(data["detection"].iloc[at]),
        )


def yes_no(data_file: DataFile, name: str, problems: TableProblems) -> Flags:
    """Return where a column says yes."""
    found = []
    for text, line in zip(data_file.data[name], data_file.data[LINE], strict=True):
        word = str(text).strip().casefold()
        if word not in YES | NO:
            problems.add(
                "must be yes or no", line=int(line), column=data_file.headers[name], found=text
            )
        found.append(word in YES)
    return np.array(found, dtype=bool)


def check_specimens(data_file: DataFile, columns: list[str], problems: TableProblems) -> None:
    """Refuse a specimen of which a column has two values."""
    data = data_file.data
    for name in columns:
        first = data.groupby("specimen")[name].transform("first")
        for at in np.flatnonzero(data[name].ne(first)):
            row = data.iloc[at]
            problems.add(
                "a specimen has one; give the other one a name of its own",
                line=int(row[LINE]),
                about=f"specimen {row['specimen']}",
                column=data_file.headers.get(name, name),
                found=data_file.typed(name, row[name]),
            )
