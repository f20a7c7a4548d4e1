"""What a temperature record says about the time in the forms, in place of one mean."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.errors import InputError
from stripwise.evidence.tables.logger_files import TemperatureRecord, clip_record, read_logger
from stripwise.evidence.tables.table_problems import TableProblems
from stripwise.evidence.tables.timestamps import find_time_zone, read_times
from stripwise.units.names import printable
from stripwise.units.source_files import SourceFile

__all__ = ["LoggedTemperature", "LoggerFile", "read_logged"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LoggerFile:
    """A logger's file, and how to read it.

    Attributes
    ----------
    path
        The file.
    zone
        Zone of times without an offset from UTC; None where every time has one.
    placed
        When the concrete was placed, as text; None for the first reading.
    pour
        Pour of a file that holds several.
    skip_bad
        Whether readings that cannot be used are left out; None where the caller offers no such
        choice.
    """

    path: Path
    zone: str | None = None
    placed: str | None = None
    pour: str | None = None
    skip_bad: bool | None = None


@dataclass(frozen=True, slots=True, eq=False)
class LoggedTemperature:
    """Concrete temperature from placing to stripping.

    Attributes
    ----------
    source, sha256
        Name of the file and its hash.
    hours, degrees
        (n,) lengths of the intervals [h] and the mean temperature in each [degC].
    coldest, last
        Lowest temperature, and that at stripping [degC].
    notes
        What to know about gaps.
    """

    source: str
    sha256: str
    hours: Array
    degrees: Array
    coldest: float
    last: float
    notes: tuple[str, ...]

    @property
    def sources(self) -> tuple[SourceFile, ...]:
        """The file that was read."""
        return (SourceFile(self.source, self.sha256),)

    @property
    def mean(self) -> float:
        """Mean over time [degC]."""
        return float(self.hours @ self.degrees / self.hours.sum())


def read_logged(file: LoggerFile, *, strip_age: float) -> LoggedTemperature:
    """Read the record from placing to a strip age [h].

    An InputError or EvidenceError says what cannot be used.
    """
    records = read_logger(file.path, zone=find_time_zone(file.zone), skip_bad=file.skip_bad)
    record = _record_of(file, records)
    start = float(record.time[0]) if file.placed is None else _placed(file)
    hours, degrees, notes = clip_record(record, start=start, end=start + strip_age)
    told = (note.removeprefix(f"{record.source}: ").rstrip(".") for note in record.notes)
    inside = record.temperature[(record.time >= start) & (record.time <= start + strip_age)]
    return LoggedTemperature(
        source=record.source,
        sha256=record.sha256,
        hours=hours,
        degrees=degrees,
        coldest=float(min(degrees.min(), *inside)),
        last=float(degrees[-1]),
        notes=(*told, *notes),
    )


def _record_of(file: LoggerFile, records: dict[str, TemperatureRecord]) -> TemperatureRecord:
    names = ", ".join(printable(name) for name in records)
    if file.pour is None:
        if len(records) > 1:
            raise InputError("--logger", f"the file holds {names}; say which with --pour")
        return next(iter(records.values()))
    if file.pour not in records:
        holds = f"it holds {names}" if any(records) else "the file names no pours"
        raise InputError("--pour", f"{printable(file.pour)} is not in the file; {holds}")
    return records[file.pour]


def _placed(file: LoggerFile) -> float:
    problems = TableProblems("--placed")
    time = read_times(
        pd.Series([file.placed]),
        lines=pd.Series([0]),
        column="",
        zone=find_time_zone(file.zone),
        problems=problems,
    )
    problems.raise_all()
    return float(time[0])
