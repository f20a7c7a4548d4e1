"""A strip whose temperature a logger recorded, held to sums worked out here."""

import itertools
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

import stripwise
from stripwise.errors import EvidenceError, InputError, ScenarioError
from stripwise.studies.logged_temperature import LoggerFile, read_logged

pytestmark = pytest.mark.usefixtures("few_samples")

HEAD = "time,temperature_degC\n"


@pytest.fixture(scope="module")
def case(quick_case):
    return replace(quick_case, sampling=replace(quick_case.sampling, points=64))


def logger(folder: Path, *rows, **options) -> LoggerFile:
    path = folder / "logger.csv"
    path.write_text(HEAD + "".join(f"{time},{degrees}\n" for time, degrees in rows))
    return LoggerFile(path, **options)


def steady(folder, celsius, **options):
    times = [f"2026-03-04T{h:02d}:00Z" for h in range(0, 21, 2)]
    return logger(folder, *((time, celsius) for time in times), **options)


def test_a_steady_record_answers_as_its_mean(case, tmp_path):
    logged = stripwise.stripped_early(case, after="14 h", logger=steady(tmp_path, 6.0))
    told = stripwise.stripped_early(case, after="14 h", at="6 degC")
    assert_allclose(logged.maturity["equivalent_age_h"], told.maturity["equivalent_age_h"])
    assert_allclose(
        logged.outcomes["probability_at_target"], told.outcomes["probability_at_target"], rtol=1e-9
    )
    assert logged.cautions == told.cautions


@pytest.mark.usefixtures("no_more_follow_ups")
def test_the_equivalent_age_is_the_sum_over_the_record(case, tmp_path):
    # ASTM C1074 (recalled): sum of exp(-Q (1/Ta - 1/Tr)) dt, Ta the mean of each interval
    degrees = [20.0, 30.0, 40.0, 20.0, 10.0]
    rows = [(f"2026-03-04 {6 + 4 * k:02d}:00", t) for k, t in enumerate(degrees)]
    answer = stripwise.stripped_early(
        case, after="16 h", logger=logger(tmp_path, *rows, zone="UTC")
    )
    curing = case.curing
    expected = sum(
        4.0
        * math.exp(
            -curing.activation_temperature
            * (1.0 / (0.5 * (a + b) + 273.15) - 1.0 / (curing.reference_temperature + 273.15))
        )
        for a, b in itertools.pairwise(degrees)
    )
    used = answer.maturity.set_index("function")
    assert_allclose(used.loc["arrhenius", "equivalent_age_h"], expected, rtol=1e-12)
    factor = sum(4.0 * 0.5 * (a + b) for a, b in itertools.pairwise(degrees))
    assert_allclose(
        used.loc["nurse-saul", "temperature_time_degCh"],
        factor - 16.0 * curing.datum_temperature,
        rtol=1e-12,
    )
    stripped = answer.outcomes.iloc[1]
    assert_allclose(stripped["equivalent_age_h"], expected, rtol=1e-12)
    # the mean would have counted less: the function is convex
    assert_allclose(answer.record.temperature, factor / 16.0)


@pytest.mark.usefixtures("no_more_follow_ups")
def test_a_cold_night_is_warned_of_though_the_mean_is_warm(case, tmp_path):
    rows = [("2026-03-04T00:00Z", 25.0), ("2026-03-04T06:00Z", 25.0), ("2026-03-04T12:00Z", -1.0)]
    answer = stripwise.stripped_early(case, after="12 h", logger=logger(tmp_path, *rows))
    assert answer.record.temperature > 15.0
    assert answer.record.coldest == -1.0
    assert any("may have frozen already" in text for text in answer.cautions)
    # what follows is counted at the last interval, not at the warm mean
    assert answer.record.follow_up_temperature == 12.0


def test_placing_may_be_later_than_the_first_reading(tmp_path):
    rows = [(f"2026-03-04T{h:02d}:00Z", float(h)) for h in range(0, 21, 2)]
    file = logger(tmp_path, *rows, placed="2026-03-04 08:00Z")
    found = read_logged(file, strip_age=10.0)
    assert_allclose(found.hours.sum(), 10.0)
    assert_allclose(found.mean, 13.0)
    assert (found.coldest, found.last) == (8.0, 17.0)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"placed": "yesterday"}, "--placed.*is no date with a time of day"),
        ({"placed": "2026-03-04 08:00"}, "has no zone; give --zone NAME"),
        ({"placed": "2026-03-01 08:00Z"}, "has no reading between placing and stripping"),
        ({"pour": "W1"}, '--pour: "W1" is not in the file; the file names no pours'),
        ({"zone": "Nowhere"}, "is no zone of the time zone database"),
    ],
)
def test_what_cannot_be_read_is_told(tmp_path, options, message):
    with pytest.raises((InputError, EvidenceError), match=message):
        read_logged(steady(tmp_path, 6.0, **options), strip_age=14.0)


def test_a_record_that_ends_too_early_is_refused(case, tmp_path):
    with pytest.raises(InputError, match="h before stripping; at most 6 h can be filled"):
        stripwise.stripped_early(case, after="3 d", logger=steady(tmp_path, 6.0))


def test_several_pours_need_a_name(tmp_path):
    path = tmp_path / "two.csv"
    rows = [
        f"{pour},2026-03-04T{h:02d}:00Z,{t}" for pour, t in (("A", 5), ("B", 9)) for h in (0, 5, 10)
    ]
    path.write_text("pour,time,temperature_degC\n" + "\n".join(rows) + "\n")
    with pytest.raises(InputError, match='the file holds "A", "B"; say which with --pour'):
        read_logged(LoggerFile(path), strip_age=10.0)
    assert read_logged(LoggerFile(path, pour="B"), strip_age=10.0).mean == 9.0


def test_a_mean_beside_a_logger_is_refused(case, tmp_path):
    for options in ({}, {"at": "6 degC", "logger": steady(tmp_path, 6.0)}):
        with pytest.raises(InputError, match="one of them"):
            stripwise.stripped_early(case, after="14 h", **options)
    with pytest.raises(ScenarioError, match="must be between 1 h and 60 d"):
        stripwise.stripped_early(case, after="0 h", logger=steady(tmp_path, 6.0))
    assert np.isfinite(case.target.probability)


def test_readings_that_cannot_be_used_are_left_out_where_asked_for(tmp_path):
    rows = [(f"2026-03-04T{h:02d}:00Z", 6.0) for h in range(0, 21, 2)]
    rows[3] = (rows[3][0], "-999")
    with pytest.raises(EvidenceError, match="--skip-bad leaves out this row"):
        read_logged(logger(tmp_path, *rows, skip_bad=False), strip_age=14.0)
    found = read_logged(logger(tmp_path, *rows, skip_bad=True), strip_age=14.0)
    assert found.mean == 6.0
    assert found.notes[0] == "1 row left out (--skip-bad), line 5"
