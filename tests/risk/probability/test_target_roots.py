"""Roots put back, closed answers, and what is said where there is no root."""

from statistics import NormalDist

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import special

from stripwise.distributions.distribution import distribution
from stripwise.risk.model.wall import COVER, Plan
from stripwise.risk.probability.nominal_covers import SamplingOptions, probability_by_repeat
from stripwise.risk.probability.target_roots import (
    ANY,
    NEVER,
    NOT_MONOTONE,
    OK,
    crossing,
    earliest_strip_ages,
    equivalent_cover,
    find_target_root,
    with_strip_age,
)
from stripwise.risk.probability.target_rule import TargetRule
from stripwise.units.drawing_steps import round_cover_up, round_hours_up

COVERS = np.linspace(30.0, 130.0, 61)
TARGET = 1.3


def limit(repeats):
    return 5.5


RULE = TargetRule(TARGET, limit, 1e-6)
AGE = np.array([50.0])
POINTS = 2048


def test_required_cover_put_back_gives_the_target(walls):
    wall = walls.wall(plans=(Plan("24 h", 24.0, 1.0),))
    sample = SamplingOptions(2048, 16, 1)
    found = find_target_root(
        COVERS, probability_by_repeat(wall, COVERS, AGE, sample=sample)[:, 0, 0], RULE, points=2048
    )
    assert found.status == OK
    there = np.array([found.value])
    # the same sample gives the target itself, another one within its own sampling error
    same = probability_by_repeat(wall, there, AGE, sample=sample).mean()
    assert_allclose(-special.ndtri(same), TARGET, rtol=0, atol=1e-6)
    ends = probability_by_repeat(
        wall, np.array([found.low95, found.high95]), AGE, sample=SamplingOptions(16384, 16, 99)
    ).mean(axis=0)[0, 0]
    assert ends[0] > special.ndtr(-TARGET) > ends[1]


def test_required_cover_of_the_lognormal_case_is_the_closed_one(walls):
    # With cv the variation of the cover, E ln c - E ln x = beta sqrt(var ln x + var ln c), which
    # is solved for the mean cover by bisection; see test_covers.py for the law.
    from importlib.util import module_from_spec, spec_from_file_location
    from pathlib import Path

    spec = spec_from_file_location(
        "covers_case", Path(__file__).with_name("test_nominal_covers.py")
    )
    case = module_from_spec(spec)
    spec.loader.exec_module(case)
    wall = case.lognormal_wall(walls, cover=distribution("lognormal", mean=60.0, sd=8.0))
    p = probability_by_repeat(wall, COVERS, AGE, sample=SamplingOptions(16384, 8, 1))[:, 0, 0]
    found = find_target_root(COVERS, p, RULE, points=POINTS)
    var_d = np.log1p(0.25)
    k_e = np.exp(4800.0 * (1.0 / 293.0 - 1.0 / 283.15))
    shape = (28.0 / 365.25 / 50.0) ** 0.4 * 50.0
    z = special.erfcinv(0.5 / 2.9)
    mean_x = np.log(2.0 * z) + 0.5 * np.log(k_e * shape) + 0.5 * (np.log(150.0) - 0.5 * var_d)

    def index(mean):
        var_c = np.log1p((8.0 / mean) ** 2)
        return (np.log(mean) - 0.5 * var_c - mean_x) / np.sqrt(0.25 * var_d + var_c)

    low, high = 30.0, 130.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if index(middle) < TARGET else (low, middle)
    assert_allclose(found.value, low, rtol=0, atol=2e-4)


def test_earliest_strip_age_put_back_gives_the_target(walls):
    wall = walls.wall()
    plans = (
        Plan("none", 24.0, 1.0),
        Plan("sheet", 24.0, 1.0, 72.0, 1.0, "curing.retention.sheet.vertical"),
    )
    sample = SamplingOptions(1024, 8, 1)
    covers = np.array([62.0, 70.0, 78.0])
    found = earliest_strip_ages(
        wall, plans, covers=covers, strip_ages=(8.0, 240.0), age=50.0, rule=RULE, sample=sample
    )
    checked = 0
    for plan, line in zip(plans, found, strict=True):
        for cover, one in zip(covers, line, strict=True):
            if one.status != OK:
                continue
            checked += 1
            assert one.low95 < one.value < one.high95
            p = probability_by_repeat(
                wall.with_plans((with_strip_age(plan, one.value),)),
                np.array([cover]),
                AGE,
                sample=sample,
            ).mean()
            assert_allclose(-special.ndtri(p), TARGET, rtol=0, atol=2e-4)
    assert checked >= 3
    sheet, none = (line[1].value for line in (found[1], found[0]))
    assert sheet < none


def test_targets_out_of_reach_are_answers(walls):
    wall = walls.wall()
    plans = (Plan("none", 24.0, 1.0),)
    sample = SamplingOptions(256, 8, 1)
    found = earliest_strip_ages(
        wall,
        plans,
        covers=np.array([20.0, 150.0]),
        strip_ages=(8.0, 48.0),
        age=50.0,
        rule=RULE,
        sample=sample,
    )[0]
    assert [one.status for one in found] == [NEVER, ANY]
    assert [one.value for one in found] == [np.inf, -np.inf]
    p = probability_by_repeat(wall, np.array([20.0, 21.0, 22.0, 23.0]), AGE, sample=sample)[:, 0, 0]
    assert find_target_root(np.arange(20.0, 24.0), p, RULE, points=POINTS).status == NEVER
    assert find_target_root(np.arange(20.0, 24.0), 1e-3 * p, RULE, points=POINTS).status == ANY


def test_a_falling_index_is_told_and_the_last_crossing_taken():
    x = np.linspace(0.0, 4.0, 41)
    index = 1.0 + np.sin(x * np.pi)  # passes 1.5 upwards near 0.17 and near 2.17
    p = np.tile(special.ndtr(-index), (8, 1))
    found = find_target_root(x[:26], p[:, :26], TargetRule(1.5, limit, 1e-6), points=POINTS)
    assert found.status == NOT_MONOTONE
    assert_allclose(found.value, 2.0 + 1.0 / 6.0, rtol=0, atol=1e-4)


def test_crossing_is_exact_on_a_cubic():
    x = np.linspace(1.0, 3.0, 12)
    assert_allclose(crossing(x, x**3 - 2.0 * x, 5.0), 2.0945514815423265, rtol=0, atol=1e-10)


@pytest.mark.parametrize(
    ("probability", "index"),
    [
        (1e-1, 1.28),
        (1e-2, 2.32),
        (1e-3, 3.09),
        (1e-4, 3.72),
        (1e-5, 4.27),
        (1e-6, 4.75),
        (1e-7, 5.20),
    ],
)
def test_targets_of_en_1990_come_out_of_a_known_margin(probability, index):
    # EN 1990:2002, Table C1 (recalled, recomputed): a cover margin that is normal with sd 8 mm
    # needs beta times 8 mm; the table prints beta to two digits, at most 0.006 from exact.
    sd = 8.0
    covers = np.linspace(0.0, 60.0, 121)
    p = np.tile(special.ndtr(-covers / sd), (8, 1))
    target = -float(special.ndtri(probability))
    found = find_target_root(covers, p, TargetRule(target, limit, 1e-6), points=POINTS)
    assert_allclose(found.value / sd, index, rtol=0, atol=0.0065)
    assert_allclose(found.value / sd, -NormalDist().inv_cdf(probability), rtol=0, atol=1e-7)


@pytest.mark.parametrize(
    ("required", "units", "drawn"),
    [
        (60.0, "SI", 60.0),
        (60.01, "SI", 65.0),
        (50.8, "US", 50.8),
        (50.9, "US", 57.15),
        (np.inf, "SI", np.inf),
    ],
)
def test_drawn_cover(required, units, drawn):
    # steps of a drawing: common practice, no source
    assert round_cover_up(required, units=units) == pytest.approx(drawn, abs=1e-9)


def test_cover_falls_with_probability_for_every_family(walls):
    for law in (
        distribution("normal", mean=60.0, sd=8.0, low=0.0),
        distribution("beta", mean=60.0, sd=6.0, low=40.0, high=90.0),
        distribution("uniform", mean=60.0, sd=5.0),
    ):
        wall = walls.wall(changes={COVER: law}, plans=(Plan("24 h", 24.0, 1.0),))
        p = probability_by_repeat(
            wall, np.linspace(40.0, 90.0, 26), AGE, sample=SamplingOptions(256, 8, 1)
        )
        assert np.all(np.diff(p[:, 0, 0], axis=1) <= 1e-12)


def test_crossing_of_infinite_values():
    x = np.linspace(0.0, 4.0, 5)
    assert crossing(x, np.full(5, np.inf), np.inf) == -np.inf
    assert crossing(x, np.full(5, -np.inf), np.inf) == np.inf
    assert crossing(x, np.full(5, -np.inf), -np.inf) == -np.inf


def test_equivalent_cover_put_back_gives_the_same_index(walls):
    changes = np.linspace(0.0, 60.0, 31)
    wall = walls.wall(plans=(Plan("24 h", 24.0, 1.0), Plan("48 h", 48.0, 1.0)))
    sample = SamplingOptions(2048, 8, 0)
    now, later = np.moveaxis(
        -special.ndtri(probability_by_repeat(wall, 60.0 + changes, AGE, sample=sample))[:, :, 0],
        1,
        0,
    )
    extra = equivalent_cover(changes, now, later[:, 0])
    assert np.all(extra > 0.0)
    there = probability_by_repeat(wall, 60.0 + extra[:1], AGE, sample=sample)[0, 0, 0, 0]
    assert_allclose(-special.ndtri(there), later[0, 0], rtol=0, atol=1e-5)


def test_equivalent_cover_where_the_index_jumps_to_infinity():
    # nothing random but what the samples count: the index is a step, then infinite
    changes = np.linspace(0.0, 60.0, 31)
    step = np.where(changes < 30.0, 1.0, np.inf)
    ramp = np.where(changes < 30.0, 1.0 + changes, np.inf)
    index = np.array([step, ramp, ramp, ramp, ramp])
    goal = np.array([1.5, 50.0, 3.0, np.inf, 1.0])
    found = equivalent_cover(changes, index, goal)
    assert_allclose(found, [np.nan, np.nan, 2.0, np.nan, -np.inf], rtol=0, atol=1e-12)


def test_equivalent_cover_beyond_the_changes_is_infinite():
    changes = np.linspace(-30.0, 60.0, 10)
    index = np.array([0.05 * changes, 0.05 * changes])
    assert_allclose(equivalent_cover(changes, index, np.array([9.0, -9.0])), [np.inf, -np.inf])


def test_a_safe_root_stands_the_sampling_error():
    """P = Phi(-c/8) in every repeat but for a known error: the safe cover is where P + 5.5 se = 10 %."""
    covers = np.linspace(0.0, 40.0, 161)
    p = special.ndtr(-covers / 8.0)
    spread = 1e-3 * np.array([-1.0, 1.0, -1.0, 1.0])
    repeats = p * (1.0 + spread[:, None])
    rule = TargetRule(-float(special.ndtri(0.1)), limit, 1e-6)
    found = find_target_root(covers, repeats, rule, points=POINTS)
    error = 1e-3 * np.std([-1.0, 1.0, -1.0, 1.0], ddof=1) / 2.0
    assert_allclose(found.value, -8.0 * special.ndtri(0.1), rtol=0, atol=1e-6)
    assert_allclose(found.safe, -8.0 * special.ndtri(0.1 / (1.0 + 5.5 * error)), rtol=0, atol=1e-6)


def test_a_demanded_confidence_moves_the_root():
    """Epistemic points P = Phi(m - c/8) with m normal: 90 % of them meet the target from m's 90 % on."""
    covers = np.linspace(0.0, 60.0, 121)
    m = special.ndtri((np.arange(400) + 0.5) / 400)
    each = np.tile(special.ndtr(m[:, None] - covers / 8.0), (4, 1))
    mean = np.tile(special.ndtr(-covers / 8.0 / np.sqrt(2.0)), (4, 1))
    target = -float(special.ndtri(0.1))
    rule = TargetRule(target, limit, 1e-6, confidence=0.9, scramblings=4)
    found = find_target_root(covers, mean, rule, points=POINTS, epistemic=each)
    exact = 8.0 * (special.ndtri(0.9) + target)
    assert exact > 8.0 * np.sqrt(2.0) * target  # the confidence governs
    assert_allclose(found.value, exact, rtol=0, atol=1e-3)
    assert_allclose(found.safe, found.value, rtol=0, atol=1e-9)
    plain = find_target_root(
        covers, mean, TargetRule(target, limit, 1e-6), points=POINTS, epistemic=each
    )
    assert_allclose(plain.value, 8.0 * np.sqrt(2.0) * target, rtol=0, atol=1e-6)


@pytest.mark.parametrize(
    ("hours", "rounded"),
    [(10.01, 11.0), (24.0, 24.0), (47.6, 48.0), (72.1, 96.0), (100.0, 120.0), (np.inf, np.inf)],
)
def test_site_ages_round_up_to_whole_hours_and_days(hours, rounded):
    assert round_hours_up(hours) == rounded
