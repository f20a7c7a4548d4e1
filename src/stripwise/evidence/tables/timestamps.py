"""Which instants in UTC the clock times of site records mean.

Local times that daylight saving repeats or skips are refused rather than guessed.
"""

from __future__ import annotations

import difflib
import re
import zoneinfo
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.errors import InputError
from stripwise.evidence.tables.table_problems import TableProblems

__all__ = ["DATE_FORMATS", "Zone", "find_time_zone", "read_times"]

DATE_FORMATS = {
    "year first": r"\d{4}-\d{1,2}-\d{1,2}",
    "day.month.year": r"\d{1,2}\.\d{1,2}\.\d{4}",
    "slashes": r"\d{1,2}/\d{1,2}/\d{4}",
}
"""Dates that are read; whether the day or the month comes first in slashes, the file must show."""

TIME_OF_DAY = r"(?P<clock>\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?)"
AM_PM = r"\s*(?P<half>[AaPp]\.?[Mm]\.?)?"
UTC_OFFSET = r"\s*(?P<offset>[Zz]|UTC|[+-]\d{2}(?::?\d{2})?)?"
TIMESTAMP = rf"(?P<date>{'|'.join(DATE_FORMATS.values())})[T\s]\s*{TIME_OF_DAY}{AM_PM}{UTC_OFFSET}"

Zone = zoneinfo.ZoneInfo | timezone
"""A zone of the time zone database, or one offset throughout."""

ZONE_OFFSET = re.compile(r"(?P<sign>[+-])(?P<hours>0\d|1[0-4]):?(?P<minutes>[0-5]\d)")
"""An offset from UTC as --zone takes it: +01:00."""

YEAR_RANGE = (1900, 2199)

EXAMPLE = '"2026-03-09 14:30" or "2026-03-09 14:30+01:00"'

Times = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _ParsedTimes:
    """Times as the file gives them, one row per distinct text."""

    parts: pd.DataFrame
    lines: pd.Series[int]
    column: str
    problems: TableProblems

    def add_problem(self, rows: pd.Series[bool] | NDArray[np.bool_], rule: str) -> None:
        for text, line in self.lines[np.asarray(rows)].items():
            self.problems.add(rule, line=int(line), column=self.column, found=text)


def find_time_zone(name: str | None) -> Zone | None:
    """Return the zone of that name in the time zone database or of that offset; None for None.

    Examples
    --------
    >>> find_time_zone("CET")
    zoneinfo.ZoneInfo(key='CET')
    """
    if name is None:
        return None
    if offset := ZONE_OFFSET.fullmatch(name.strip()):
        ahead = timedelta(hours=int(offset["hours"]), minutes=int(offset["minutes"]))
        return timezone(-ahead if offset["sign"] == "-" else ahead)
    try:
        return zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError) as error:
        zones = {zone.casefold(): zone for zone in zoneinfo.available_timezones()}
        similar = difflib.get_close_matches(name.casefold(), list(zones), n=1, cutoff=0.5)
        nearest = f"; the nearest is {zones[similar[0]]!r}" if similar else ""
        rule = (
            f'{name[:60]!r} is no zone of the time zone database, such as "UTC" or "CET", and no '
            'offset from UTC, such as "+01:00"'
        )
        raise InputError("--zone", rule + nearest) from error


def read_times(
    texts: pd.Series[str],
    *,
    lines: pd.Series[int],
    column: str,
    zone: Zone | None,
    problems: TableProblems,
) -> Times:
    """Turn clock times of one column into hours since 1970 in UTC, (n,); NaN after a problem.

    Dates are year first, day.month.year, or with slashes where some date shows which comes
    first; then the time of day, and optionally the offset from UTC. `zone` is that of times
    without an offset.
    """
    first_lines = pd.Series(lines.to_numpy(), index=texts.to_numpy())
    first_lines = first_lines[~first_lines.index.duplicated() & (first_lines.index != "")]
    parts = first_lines.index.to_series().astype(object).str.extract(f"^{TIMESTAMP}$")
    parsed = _ParsedTimes(parts, first_lines, column, problems)
    unread = parts["date"].isna()
    parsed.add_problem(unread, f"is no date with a time of day; write {EXAMPLE}")
    order = _date_order(parsed)
    if not order:
        return np.full(len(texts), np.nan)
    hours = pd.Series(np.nan, index=parts.index)
    dates = _dates(parts[~unread], order)
    outside = ~dates["year"].between(*YEAR_RANGE)
    parsed.add_problem(
        outside.reindex(parts.index, fill_value=False).to_numpy(),
        f"must lie in the years {YEAR_RANGE[0]} to {YEAR_RANGE[1]}",
    )
    naive = _naive_times(parts[~unread], dates.mask(outside))
    missing = naive.isna() & ~outside
    parsed.add_problem(
        missing.reindex(parts.index, fill_value=False).to_numpy(),
        "is no time that exists in the calendar",
    )
    with_offset = parts["offset"].notna().reindex(naive.index) & naive.notna()
    hours[naive.index[with_offset]] = _hours(naive[with_offset]) - _offset_hours(
        parts["offset"].reindex(naive.index)[with_offset]
    )
    local = naive[~with_offset & naive.notna()]
    if len(local) and zone is None:
        rule = "has no zone; give --zone NAME, or write the offset from UTC behind it"
        parsed.add_problem(parts.index.isin(local.index), rule)
    elif zone is not None:
        hours[local.index] = _localised(local, zone, parsed)
    return np.asarray(hours.reindex(texts.to_numpy()), dtype=np.float64)


def _date_order(parsed: _ParsedTimes) -> str:
    """Return the format of the dates, "" after a problem."""
    dates = parsed.parts["date"].dropna()
    used: dict[str, str] = {}
    for name, pattern in DATE_FORMATS.items():
        fitting = dates[dates.str.fullmatch(pattern)]
        if len(fitting):
            used[name] = str(fitting.index[0])
    if not used:
        return ""
    if len(used) > 1:
        examples = " and ".join(
            f"{text!r} (line {int(parsed.lines[text])})" for text in used.values()
        )
        parsed.problems.add(
            f"has dates in {len(used)} formats: {examples}; write all dates in one way",
            column=parsed.column,
        )
        return ""
    name = next(iter(used))
    if name != "slashes":
        return name
    numbers = dates.str.split("/", expand=True).astype(int)
    day_first, month_first = numbers[0] > 12, numbers[1] > 12
    if day_first.any() and month_first.any():
        one, other = numbers.index[day_first][0], numbers.index[month_first][0]
        parsed.problems.add(
            f"has dates in 2 formats: {one!r} (line {int(parsed.lines[one])}) puts the day first, "
            f"{other!r} (line {int(parsed.lines[other])}) the month; write all dates in one way",
            column=parsed.column,
        )
        return ""
    if not (day_first.any() or month_first.any()):
        parsed.problems.add(
            "does not show whether the day or the month comes first; write the year first: "
            f"{EXAMPLE}",
            line=int(parsed.lines.iloc[0]),
            column=parsed.column,
            found=str(dates.index[0]),
        )
        return ""
    return "day/month/year" if day_first.any() else "month/day/year"


def _dates(parts: pd.DataFrame, order: str) -> pd.DataFrame:
    """Return year, month and day as numbers."""
    dates = parts["date"].str.split(r"[-./]", regex=True, expand=True).astype(int)
    columns = {
        "year first": (0, 1, 2),
        "day.month.year": (2, 1, 0),
        "day/month/year": (2, 1, 0),
        "month/day/year": (2, 0, 1),
    }[order]
    return dates[list(columns)].set_axis(["year", "month", "day"], axis=1)


def _naive_times(parts: pd.DataFrame, dates: pd.DataFrame) -> pd.Series[pd.Timestamp]:
    day = pd.to_datetime(dates, errors="coerce")
    clock = parts["clock"].str.extract(r"^(\d+):(\d+)(?::(.+))?$").astype(float).fillna(0.0)
    hour, minute, second = (clock[i] for i in (0, 1, 2))
    half = parts["half"].str.lower().str[0]
    invalid = half.notna() & ((hour < 1) | (hour > 12))
    hour = hour.where(half.isna(), hour % 12 + 12.0 * (half == "p"))
    invalid |= (hour > 23) | (minute > 59) | (second >= 60)
    since = pd.to_timedelta(3600.0 * hour + 60.0 * minute + second, unit="s")
    return (day + since).mask(invalid)


def _hours(times: pd.Series[pd.Timestamp]) -> pd.Series[float]:
    return (times - pd.Timestamp(0)) / pd.Timedelta(hours=1)


def _offset_hours(texts: pd.Series[str]) -> pd.Series[float]:
    """Return offsets from UTC [h]."""
    digits = texts.str.replace(":", "", regex=False).str.replace("[Zz]|UTC", "+00", regex=True)
    sign = digits.str[0].map({"+": 1.0, "-": -1.0})
    minutes = digits.str[3:5].replace("", "0").astype(float)
    return sign * (digits.str[1:3].astype(float) + minutes / 60.0)


def _localised(
    local: pd.Series[pd.Timestamp], zone: Zone, parsed: _ParsedTimes
) -> pd.Series[float]:
    """Turn local times into hours in UTC; those that exist twice or never become NaN."""
    utc = local.dt.tz_localize(zone, ambiguous="NaT", nonexistent="NaT").dt.tz_convert("UTC")
    for text in utc.index[utc.isna()]:
        when: datetime = local[text].to_pydatetime()
        early, late = (when.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
        if early.astimezone(UTC).astimezone(zone).replace(tzinfo=None) == when:
            first, second = (f"{moment:%z}" for moment in (early, late))
            rule = (
                f"happened twice in {zone}, when the clocks went back; write the offset from "
                f"UTC behind it, {first[:3]}:{first[3:]} or {second[:3]}:{second[3:]}"
            )
        else:
            rule = f"never happened in {zone}: the clocks went forward over it"
        parsed.add_problem(parsed.parts.index == text, rule)
    return (utc.dt.tz_localize(None) - pd.Timestamp(0)) / pd.Timedelta(hours=1)
