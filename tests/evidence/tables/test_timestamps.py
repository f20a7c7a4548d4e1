"""Clock times against the standard library's own conversion, one at a time."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from stripwise.errors import InputError
from stripwise.evidence.tables.table_problems import TableProblems
from stripwise.evidence.tables.timestamps import find_time_zone, read_times


def times(*texts, zone=None):
    problems = TableProblems("log.csv")
    hours = read_times(
        pd.Series(texts, dtype=object),
        lines=pd.Series(range(2, len(texts) + 2)),
        column="placed",
        zone=find_time_zone(zone),
        problems=problems,
    )
    return hours, "\n".join(problems.texts)


def hours_of(moment):
    return (moment - datetime(1970, 1, 1, tzinfo=UTC)) / timedelta(hours=1)


@pytest.mark.parametrize("zone", ["CET", "EST5EDT", "Australia/Lord_Howe", "Asia/Kathmandu"])
@pytest.mark.parametrize(
    "form", ["%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M:%S", "%d.%m.%Y %H:%M", "%m/%d/%Y %I:%M %p"]
)
def test_local_times_as_the_standard_library_has_them(zone, form):
    rng = np.random.default_rng(7)
    place = ZoneInfo(zone)
    moments = [
        datetime(2026, 1, 1, tzinfo=UTC) + timedelta(minutes=int(m))
        for m in rng.integers(0, 525_600, 300)
    ]
    local = [moment.astimezone(place) for moment in moments]
    known = [
        (m, here)
        for m, here in zip(moments, local, strict=True)
        if here.replace(fold=0).utcoffset() == here.replace(fold=1).utcoffset()
    ]
    hours, told = times(*(here.strftime(form) for _, here in known), zone=zone)
    assert told == ""
    assert_allclose(hours, [hours_of(m) for m, _ in known], rtol=0, atol=1e-9)


@pytest.mark.parametrize(
    ("text", "minutes"),
    [
        ("Z", 0),
        ("z", 0),
        (" UTC", 0),
        ("+01:00", 60),
        ("-0500", -300),
        ("+05:45", 345),
        (" +02", 120),
    ],
)
def test_offsets_from_utc(text, minutes):
    hours, told = times(f"2026-03-04T10:00:30{text}", zone="CET")
    moment = datetime(2026, 3, 4, 10, 0, 30, tzinfo=UTC) - timedelta(minutes=minutes)
    assert told == ""
    assert_allclose(hours, [hours_of(moment)], rtol=0, atol=1e-9)


def test_the_night_of_the_change_has_an_hour_less():
    hours, _ = times("2026-03-28 20:00", "2026-03-29 08:00", zone="CET")
    assert np.diff(hours) == [11.0]
    hours, _ = times("2026-10-24 20:00", "2026-10-25 08:00", zone="CET")
    assert np.diff(hours) == [13.0]


def test_an_hour_that_happens_twice_can_be_told_by_its_offset():
    hours, told = times("2026-10-25 02:30+02:00", "2026-10-25 02:30+01:00", zone="CET")
    assert told == ""
    assert np.diff(hours) == [1.0]


@pytest.mark.parametrize(
    ("texts", "zone", "message"),
    [
        (
            ["2026-03-29 02:30"],
            "CET",
            'line 2, placed = "2026-03-29 02:30": never happened in CET: '
            "the clocks went forward over it",
        ),
        (
            ["2026-03-01 02:30", "2026-10-25 02:30"],
            "CET",
            'line 3, placed = "2026-10-25 02:30": happened twice in CET, when the clocks went back; '
            "write the offset from UTC behind it, +02:00 or +01:00",
        ),
        (["2026-03-01 02:30"], None, "has no zone; give --zone NAME, or write the offset"),
        (["2026-02-30 10:00"], "CET", "is no time that exists in the calendar"),
        (["2026-02-20 24:30"], "CET", "is no time that exists in the calendar"),
        (["12/25/2026 13:30 pm"], "CET", "is no time that exists in the calendar"),
        (["2026-02-20"], "CET", 'is no date with a time of day; write "2026-03-09 14:30" or'),
        (["46101.59"], "CET", "is no date with a time of day"),
        (
            ["2026-03-04 10:00", "05.03.2026 10:00"],
            "CET",
            "placed: has dates in 2 formats: '2026-03-04 10:00' (line 2) and '05.03.2026 10:00' "
            "(line 3); write all dates in one way",
        ),
        (
            ["13/04/2026 10:00", "04/13/2026 10:00"],
            "CET",
            "'13/04/2026 10:00' (line 2) puts the day first, '04/13/2026 10:00' (line 3) the month",
        ),
        (
            ["03/04/2026 10:00", "05/06/2026 10:00"],
            "CET",
            "does not show whether the day or the month comes first; write the year first",
        ),
    ],
)
def test_what_is_refused_and_how(texts, zone, message):
    hours, told = times(*texts, zone=zone)
    assert message in told
    assert np.isnan(hours).any()


def test_slashes_read_as_the_file_shows():
    hours, told = times("03/04/2026 10:00", "25/04/2026 10:00", zone="UTC")
    assert told == ""
    assert hours[0] == hours_of(datetime(2026, 4, 3, 10, tzinfo=UTC))
    hours, _ = times("03/04/2026 10:00", "04/25/2026 10:00", zone="UTC")
    assert hours[0] == hours_of(datetime(2026, 3, 4, 10, tzinfo=UTC))


def test_an_unknown_zone():
    with pytest.raises(InputError, match=r"--zone: 'UCT1' is no zone .* nearest is 'UCT'"):
        find_time_zone("UCT1")


@pytest.mark.parametrize("year", ["0001", "1899", "2200", "9999"])
@pytest.mark.parametrize("zone", [None, "CET"])
def test_years_that_no_log_has(year, zone):
    offset = "" if zone else "Z"
    hours, text = times(f"{year}-12-31 23:59{offset}", "2026-01-01 08:00" + offset, zone=zone)
    assert np.isnan(hours[0])
    assert np.isfinite(hours[1])
    assert text.endswith("must lie in the years 1900 to 2199")
