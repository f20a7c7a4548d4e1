"""The tables of the page to try pairs on: that reading them gives what a run gives."""

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import special

import stripwise
from stripwise.risk.probability import confidence as confidence_module
from stripwise.risk.probability.confidence import epistemic_probability
from stripwise.risk.probability.nominal_covers import (
    SamplingOptions,
    probability_by_repeat,
    with_nominal_cover,
)
from stripwise.studies.decision import NO, TOO_CLOSE, YES
from stripwise.studies.design import explore_tables as tables_module
from stripwise.studies.design.explore_axes import hours_axes
from stripwise.studies.design.explore_interpolation import age_weights, node_weights, piece_nodes
from stripwise.studies.design.explore_reading import (
    Goal,
    PairPlace,
    earliest_hours,
    expected_cost,
    least_cover,
    read_ages,
    read_answer,
)
from stripwise.studies.design.explore_tables import explore_refusal, explore_tables
from stripwise.studies.design.prices import CostAges, Option, price_options
from stripwise.studies.design.setting import Setting
from stripwise.studies.from_scenario import build_plan, compute_curves

# strip age [h], concrete until stripping [degC], place of the curing after stripping
PAIRS = (
    (10.0, 15.0, 0),
    (13.0, 8.0, 1),
    (14.0, 20.0, 0),
    (18.0, 5.0, 1),
    (24.0, 15.0, 1),
    (30.0, 25.0, 0),
    (36.0, 8.0, 1),
    (48.0, 15.0, 0),
    (72.0, 20.0, 1),
    (120.0, 10.0, 0),
)


FACTOR = {"family": "lognormal", "mean": 1.0, "cov": 0.1}


@pytest.fixture(scope="module")
def case(pier_case):
    choices = replace(pier_case.choices, follow_up=pier_case.choices.follow_up[:2])
    sampling = replace(pier_case.sampling, points=1024, repeats=8)
    return replace(pier_case, choices=choices, sampling=sampling)


@pytest.fixture(scope="module")
def setting(case):
    return Setting.from_scenario(case, workers=2)


@pytest.fixture(scope="module")
def few_points():
    """Few epistemic points, in the tables and in a run alike."""
    with pytest.MonkeyPatch.context() as patch:
        for module in (tables_module, confidence_module):
            patch.setattr(module, "OUTER_POINTS", 16)
        yield


@pytest.fixture(scope="module")
def tables(setting, few_points):
    return explore_tables(setting)


@pytest.fixture(scope="module")
def goal(case):
    return Goal(case.target.service_life, case.target.probability)


def place(tables, cover, pair):
    hours, celsius, follow_up = pair
    warmth = int(np.argmin(np.abs(np.array(tables.temperatures) - celsius)))
    return PairPlace(cover, hours, warmth, follow_up)


@pytest.fixture(scope="module")
def wall(case, setting):
    plans = tuple(
        build_plan(
            case,
            f"{k}",
            strip_age=hours,
            temperature=celsius,
            follow_up=case.choices.follow_up[follow_up],
        )
        for k, (hours, celsius, follow_up) in enumerate(PAIRS)
    )
    return setting.wall_with(plans)


def test_fifty_pairs_read_as_a_run_computes_them(case, tables, wall, goal):
    # a target far from every pair, so that the run keeps to the points of the tables
    decided = replace(case, target=replace(case.target, probability=0.999))
    sampling = case.sampling
    every = probability_by_repeat(
        wall,
        tables.covers[::2],
        np.array([goal.life]),
        sample=SamplingOptions(sampling.points, sampling.repeats, sampling.seed),
    ).mean(axis=0)[:, 0]
    moved = with_nominal_cover(wall, float(tables.covers[4]))
    curves = compute_curves(moved, decided, workers=2, progress=None, band=False)
    assert_allclose(every[:, 2], special.ndtr(-curves.mean.at([goal.life])[:, 0]), rtol=1e-5)
    lives = curves.mean.age_at_index(goal.index)
    for pair, life in zip(PAIRS, lives, strict=True):
        found = read_answer(tables, place(tables, 4, pair), goal)
        assert_allclose(found.life, life, rtol=0.01, atol=0.0)
    for place_of_cover, expected in zip(range(0, 9, 2), every.T, strict=True):
        answers = [read_answer(tables, place(tables, place_of_cover, pair), goal) for pair in PAIRS]
        for p, found in zip(expected, answers, strict=True):
            if p > 0.01:
                assert_allclose(found.probability, p, rtol=0.01, atol=0.0)
            else:
                gap = special.ndtri(found.probability) - special.ndtri(p)
                assert abs(gap) < 0.01
            # the page never says yes where the run does not, and leaves little open
            assert found.meets != YES or p <= goal.allowed
            assert found.meets != NO or p > goal.allowed
            assert found.meets != TOO_CLOSE or abs(p - goal.allowed) < 0.02


def test_the_confidence_is_that_of_a_run(case, tables, wall, goal):
    for cover in (2, 5):
        moved = with_nominal_cover(wall, float(tables.covers[cover]))
        answers = [read_answer(tables, place(tables, cover, pair), goal) for pair in PAIRS]
        found = epistemic_probability(
            moved,
            age=goal.life,
            mean_index=np.array([-special.ndtri(one.probability) for one in answers]),
            points=case.sampling.points,
            seed=case.sampling.seed,
        )
        expected = found.confidence(goal.index).value
        assert_allclose([one.confidence for one in answers], expected, rtol=0.0, atol=0.03)
        for one, low, high in zip(
            answers, *np.quantile(found.index, (0.975, 0.025), axis=(0, 1)), strict=True
        ):
            assert_allclose(
                [-special.ndtri(one.low), -special.ndtri(one.high)], [low, high], atol=0.1
            )


def test_earliest_hours_and_least_cover_are_the_first_yes(tables, goal):
    pair = place(tables, 4, PAIRS[4])
    hours = earliest_hours(tables, pair, goal)
    before = tables.hours[list(tables.hours).index(hours) - 1]
    assert read_answer(tables, replace(pair, hours=hours), goal).meets == YES
    assert read_answer(tables, replace(pair, hours=float(before)), goal).meets != YES
    cover = list(tables.covers).index(least_cover(tables, pair, goal))
    assert read_answer(tables, replace(pair, cover=cover), goal).meets == YES
    assert read_answer(tables, replace(pair, cover=cover - 1), goal).meets != YES
    never = Goal(goal.life, 1e-3)
    assert math.isinf(earliest_hours(tables, replace(pair, cover=0), never))


def test_a_typed_least_cover_is_kept(tables, goal):
    pair = place(tables, 0, (120.0, 15.0, 0))
    assert least_cover(tables, pair, goal) < 75.0
    assert least_cover(replace(tables, least_cover=75.0), pair, goal) == 75.0


def test_costs_are_those_of_the_design(case, setting, tables):
    follow_up = case.choices.follow_up[1]
    plan = build_plan(case, "pair", strip_age=36.0, temperature=15.0, follow_up=follow_up)
    option = Option("pair", "pair", plan, follow_up, 60.0, 36.0)
    ages = CostAges.from_setting(setting)
    priced = price_options(setting, [option], ages).table(setting, ages, case.cost).iloc[0]
    first, expected = expected_cost(
        tables,
        place(tables, list(tables.covers).index(60.0), (36.0, 15.0, 1)),
        case.cost,
        method=follow_up.method,
        duration_h=follow_up.duration_h,
    )
    assert_allclose(first, priced["first_cost"], rtol=1e-9)
    assert_allclose(expected - first, priced["repair"], rtol=0.01)


def test_demanded_confidence_is_a_second_condition(case, few_points):
    few = replace(case.choices, follow_up=case.choices.follow_up[:1])
    small = replace(
        case,
        choices=few,
        sampling=replace(case.sampling, points=256),
        target=replace(case.target, confidence=0.9),
    )
    strict = explore_tables(Setting.from_scenario(small, workers=2))
    goal = Goal(case.target.service_life, case.target.probability, 0.9)
    plain = replace(goal, confidence=0.0)
    agreed = 0
    for cover in range(len(strict.covers)):
        pair = place(strict, cover, (72.0, 15.0, 0))
        one, other = read_answer(strict, pair, goal), read_answer(strict, pair, plain)
        assert one.life <= other.life
        if one.meets == YES:
            assert other.meets == YES
            assert one.confidence > 0.85
        agreed += one.meets == other.meets
        if one.confidence < 0.85:
            assert one.meets == NO
    assert 0 < agreed < len(strict.covers)


def test_stored_quantiles_rise_and_straddle_the_mean(tables):
    pair = place(tables, 4, PAIRS[4])
    gaps = [read_ages(tables, tables.epistemic, pair, k)[-3] for k in range(9)]
    assert np.all(np.diff(gaps) > 0.0)
    assert gaps[0] < 0.0 < gaps[-1]


def test_nodes_lie_on_the_kinks_of_the_law(setting):
    for axis, plan in zip(hours_axes(setting), setting.plans, strict=True):
        retention = setting.wall.input(plan.retention).distribution.mean if plan.retention else 0
        assert_allclose(axis.offset_h, retention * plan.follow_up_h * plan.follow_up_factor)
        inside = np.exp(axis.borders[1:-1]) / 24.0
        assert set(np.round(inside, 9)) <= {1.0, 3.0, 7.0, 28.0}
        assert {1.0, 3.0} <= set(np.round(inside, 9))


def test_reading_is_exact_for_polynomials():
    borders = (0.0, 1.0, 3.0)
    nodes = piece_nodes(borders, 9)
    for x in (0.0, 0.3, 1.0, 2.9, 3.0):
        assert_allclose(node_weights(borders, 9, x) @ nodes**8, x**8, rtol=1e-12, atol=1e-12)
    ages = np.array([1.0, 2.0, 5.0, 11.0, 30.0])
    for age in (1.0, 1.5, 7.0, 30.0):
        assert_allclose(age_weights(ages, age) @ np.log(ages) ** 2, np.log(age) ** 2, atol=1e-12)


@pytest.mark.parametrize(
    ("name", "changes", "words"),
    [
        ("coated-wall.toml", {}, "numerically"),
        ("pier-wall-cost.toml", {"model.front_factor": FACTOR}, "a factor on the front"),
        ("pier-wall-cost.toml", {"curing.affected_depth": "20 mm"}, "skin"),
        (
            "pier-wall-cost.toml",
            {"reinforcement.cover": "60 mm", "choices.cover_sd": None},
            "fixed",
        ),
        ("pier-wall-cost.toml", {"target.probability": 5e-4}, "too rare"),
        ("pier-wall-cost.toml", {}, ""),
    ],
)
def test_what_the_tables_cannot_carry_is_refused_with_a_reason(designs, name, changes, words):
    case = stripwise.load(designs.SCENARIOS / name).replace(changes)
    refusal = explore_refusal(Setting.from_scenario(case, workers=1))
    assert words in refusal
    assert bool(refusal) == bool(words)
