"""A temperature series beside the scenario, brought down to twelve months."""

from __future__ import annotations

import csv
import datetime
import hashlib
import io
from pathlib import Path
from typing import Any

import numpy as np

from stripwise.ingress.season import MONTHS
from stripwise.ingress.transformed_time import (
    REFERENCE_TEMPERATURE,
    ZERO_CELSIUS,
    log_temperature_factor,
)
from stripwise.published import constant
from stripwise.scenario.beside_files import read_beside
from stripwise.scenario.problems import KeyPath, Problems

__all__ = ["read_series"]

SERIES_LIMIT = 20
"""Largest series in million bytes; hourly values of some forty years."""

PATH: KeyPath = ("exposure", "temperature_series")
COLUMNS = ("date", "temperature_degC")
Rows = Any
"""What csv.reader returns, which has no public name."""

COLDEST, WARMEST = -60.0, 70.0


def read_series(
    name: str, *, folder: Path, files: dict[str, str], allow_outside: bool, problems: Problems
) -> tuple[float, ...]:
    """Read a CSV of dates and temperatures: twelve from January on [degC], or none.

    Each is the constant temperature with the mean temperature factor of the month's readings at the
    published mean coefficient, so that the warm hours within a month keep their weight. `name` is
    relative to `folder`, and must stay inside it unless `allow_outside`; `files` gets the SHA-256.
    """
    data = read_beside(
        name,
        PATH,
        folder=folder,
        limit=SERIES_LIMIT,
        what="a series",
        allow_outside=allow_outside,
        problems=problems,
    )
    if data is None:
        return ()
    files[name] = hashlib.sha256(data).hexdigest()
    try:
        return _monthly(csv.reader(io.StringIO(data.decode("utf-8-sig"))), name, problems)
    except UnicodeDecodeError:
        problems.add(PATH, "is not UTF-8 text; save it as CSV UTF-8", found=name)
    except csv.Error as error:
        problems.add(PATH, f"is no table: {error}", found=name)
    return ()


def _monthly(rows: Rows, name: str, problems: Problems) -> tuple[float, ...]:
    """Return the effective temperature of each month of the rows of a series, or none."""
    head = [cell.strip() for cell in next(rows, [])]
    missing = [column for column in COLUMNS if column not in head]
    if missing:
        problems.add(
            PATH,
            f"lacks the column {missing[0]}; the first line must name {' and '.join(COLUMNS)}",
            found=name,
        )
        return ()
    when, what = (head.index(column) for column in COLUMNS)
    found: list[list[float]] = [[] for _ in MONTHS]
    for row in rows:
        if not row:
            continue
        try:
            month = datetime.datetime.fromisoformat(row[when].strip()).month
            value = float(row[what])
        except (ValueError, IndexError):
            problems.add(
                PATH,
                f"line {rows.line_num} of it is no date such as 2024-07-31 with a temperature "
                "beside it",
                found=name,
            )
            return ()
        if not COLDEST <= value <= WARMEST:
            problems.add(
                PATH,
                f"line {rows.line_num} of it has {value:g} degC; must be between {COLDEST:g} and "
                f"{WARMEST:g} degC",
                found=name,
            )
            return ()
        found[month - 1].append(value)
    empty = [MONTHS[i] for i, values in enumerate(found) if not values]
    if empty:
        problems.add(
            PATH, f"has no reading in {', '.join(empty)}; all months are needed", found=name
        )
        return ()
    return tuple(_effective(np.array(values)) for values in found)


def _effective(celsius: np.ndarray[tuple[int], np.dtype[np.float64]]) -> float:
    coefficient = constant("fib34.chloride.temperature_coefficient.mean")
    factor = np.mean(np.exp(log_temperature_factor(celsius + ZERO_CELSIUS, coefficient)))
    inverse = 1.0 / REFERENCE_TEMPERATURE - float(np.log(factor)) / coefficient
    return 1.0 / inverse - ZERO_CELSIUS
