"""What temperatures a logger recorded from placing to stripping, checked for plausibility."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stripwise.errors import InputError
from stripwise.evidence.tables.data_file import LINE, DataFile, read_data_file
from stripwise.evidence.tables.data_kinds import LOGGER
from stripwise.evidence.tables.table_problems import TableProblems
from stripwise.evidence.tables.timestamps import Zone, read_times

__all__ = ["MAX_GAP", "TemperatureRecord", "clip_record", "read_logger"]

Array = NDArray[np.float64]

REPORTED_GAP = 1.0
"""Interval between readings above which a note mentions the gap [h]."""

MAX_GAP = 6.0
"""Longest gap that is interpolated linearly [h]."""

MAX_CHANGE_RATE = 20.0
"""Fastest plausible change of concrete; a faster one is refused as a faulty reading [K/h]."""

STUCK_SENSOR_TIME = 24.0
"""Time over which a constant value suggests a stuck sensor [h]."""


@dataclass(frozen=True, slots=True)
class TemperatureRecord:
    """The temperature of one pour.

    Attributes
    ----------
    time
        (k,) hours since 1970 in UTC, rising.
    temperature
        (k,) concrete temperature [degC].
    source
        Name of the file.
    sha256
        Its SHA-256; "" for a record that is from no file.
    notes
        What to know about the file: rows that were left out.
    """

    time: Array
    temperature: Array
    source: str
    sha256: str = ""
    notes: tuple[str, ...] = ()


def read_logger(
    path: Path, *, zone: Zone | None, skip_bad: bool | None = None
) -> dict[str, TemperatureRecord]:
    """Return temperature records by pour; the key is "" where the file names no pours.

    `zone` is that of times without an offset, `skip_bad` as for `read_data_file`. An EvidenceError
    lists times that go back or occur twice, and temperature changes faster than those of concrete.
    """
    data_file = read_data_file(path, kinds=[LOGGER], skip_bad=skip_bad)
    problems = data_file.problems()
    data = data_file.data
    time = read_times(
        data["time"],
        lines=data[LINE],
        column=data_file.headers["time"],
        zone=zone,
        problems=problems,
    )
    problems.raise_all()
    names = data["pour"] if data_file.has("pour") else None
    records = {}
    for name in ("",) if names is None else tuple(dict.fromkeys(names)):
        selected = np.full(len(data), True) if names is None else (names == name).to_numpy()
        records[name] = _record(data_file, selected, time, problems)
    problems.raise_all()
    return records


def _record(
    data_file: DataFile, selected: NDArray[np.bool_], time: Array, problems: TableProblems
) -> TemperatureRecord:
    data = data_file.data[selected]
    t, degrees = time[selected], data["temperature_degC"].to_numpy(dtype=float)
    lines, header = data[LINE].to_numpy(), data_file.headers
    step, change = np.diff(t), np.diff(degrees)
    for at in np.flatnonzero(step < 0) + 1:
        problems.add(
            "is earlier than the reading before it; sort the file, or check the logger's clock "
            "(daylight saving, a restart)",
            line=int(lines[at]),
            column=header["time"],
            found=data["time"].iloc[at],
        )
    for at in np.flatnonzero((step == 0) & (change != 0)) + 1:
        problems.add(
            "is given twice with two temperatures; keep one",
            line=int(lines[at]),
            column=header["time"],
            found=data["time"].iloc[at],
        )
    # over a minute or so a sensor may jump by its resolution, hence the floor under the step
    fast = np.abs(change) > MAX_CHANGE_RATE * np.maximum(step, 0.25)
    for at in np.flatnonzero(fast & (step > 0)) + 1:
        problems.add(
            f"differs from the reading before it by more than concrete can change ({MAX_CHANGE_RATE:g} K "
            "per hour); take faulty readings out",
            line=int(lines[at]),
            column=header["temperature_degC"],
            found=float(round(degrees[at], 2)),
        )
    kept = np.append(True, step > 0)
    return TemperatureRecord(
        t[kept], degrees[kept], data_file.name, data_file.digest, data_file.notes
    )


def clip_record(
    record: TemperatureRecord, *, start: float, end: float
) -> tuple[Array, Array, list[str]]:
    """Cut a record to the time from placing to stripping [h since 1970, UTC].

    Returns
    -------
    Lengths of the intervals [h], mean temperature in each [degC], and what to know about gaps.

    Raises
    ------
    InputError
        If a part longer than `MAX_GAP` has no reading.
    """
    if record.time[-1] <= start or record.time[0] >= end:
        raise InputError(
            record.source,
            "has no reading between placing and stripping; check the zone and the file",
        )
    first = max(int(np.searchsorted(record.time, start, side="right")) - 1, 0)
    last = int(np.searchsorted(record.time, end, side="left"))
    around = record.time[first : last + 1]
    missing = {"placing": around[0] - start, "stripping": end - around[-1]}
    notes = []
    for event, gap in missing.items():
        side = "after" if event == "placing" else "before"
        verb = "begin" if event == "placing" else "end"
        if gap > MAX_GAP:
            raise InputError(
                record.source,
                f"its readings {verb} {gap:.1f} h {side} {event}; at most {MAX_GAP:g} h can be "
                "filled, give a mean temperature instead",
            )
        if gap > REPORTED_GAP:
            notes.append(
                f"readings {verb} {gap:.1f} h {side} {event}; the nearest one stands for that time"
            )
    widest = float(np.max(np.diff(around), initial=0.0))
    if widest > MAX_GAP:
        raise InputError(
            record.source,
            f"has a gap of {widest:.1f} h between readings; at most {MAX_GAP:g} h are bridged, "
            "give a mean temperature instead",
        )
    if widest > REPORTED_GAP:
        notes.append(f"a gap of {widest:.1f} h between readings is bridged by a straight line")
    inside = record.time[(record.time > start) & (record.time < end)]
    times = np.concatenate([[start], inside, [end]])
    degrees = np.interp(times, record.time, record.temperature)
    if end - start > STUCK_SENSOR_TIME and np.ptp(degrees) == 0:
        notes.append("the sensor shows one value throughout: check that it was working")
    return np.diff(times), 0.5 * (degrees[1:] + degrees[:-1]), notes
