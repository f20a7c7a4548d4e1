"""Every command gives the same answer on the same wall, and what a design draws passes a run."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import stripwise
from stripwise.distributions.random_input import Input
from stripwise.risk.probability.nominal_covers import shifted_cover
from stripwise.studies import from_scenario
from stripwise.studies.decision import NO, TOO_CLOSE, YES
from stripwise.studies.design import prices
from stripwise.studies.design.cost_tables import CHEAPEST_PAIR, DRAWN_STRATEGY
from stripwise.studies.from_scenario import MOST_GROWTH, build_wall, compute_curves, target_from
from stripwise.studies.result_tables import decisions_at_target

SCENARIOS = Path(__file__).parents[2] / "scenarios"


@pytest.fixture(autouse=True)
def growing_samples(few_samples, monkeypatch):
    """Keep the growth of the samples that are decided on, and all that does not decide small."""
    for module in (from_scenario, prices):
        monkeypatch.setattr(module, "MOST_GROWTH", MOST_GROWTH)


def smaller(name, points=1024):
    case = stripwise.load(SCENARIOS / name)
    return replace(case, sampling=replace(case.sampling, points=points))


def answers(case, wall):
    curves = compute_curves(wall, case, workers=1, progress=None, band=False)
    return decisions_at_target(curves, target_from(case))


@pytest.mark.parametrize("name", ["garage-wall.toml", "ramp-wall.toml", "underpass-wall.toml"])
def test_a_small_sample_gives_the_answer_of_a_large_one(name):
    """By the rule the answer does not depend on sample or seed; only too close to call may settle."""
    small, large = smaller(name, 512), smaller(name, 2048)
    other = replace(large, sampling=replace(large.sampling, seed=7))
    for few, many in zip(
        answers(small, build_wall(small)), answers(other, build_wall(other)), strict=True
    ):
        assert few.meets_target in {YES, NO, TOO_CLOSE}
        if TOO_CLOSE not in (few.meets_target, many.meets_target):
            assert few.meets_target == many.meets_target


def test_design_decides_as_a_run_and_its_drawn_covers_pass_one(pier_case):
    case = smaller("pier-wall-cost.toml", 512)
    case = replace(case, choices=replace(case.choices, follow_up=case.choices.follow_up[:2]))
    result = stripwise.design(case)
    cost = result.cost
    wall = build_wall(case)
    own = dict(zip([p.name for p in wall.plans], answers(case, wall), strict=True))
    for row in cost[cost["kind"] == "strategy"].to_dict("records"):
        assert row["meets_target"] == own[row["option"]].meets_target
    assert set(cost[cost["kind"] == CHEAPEST_PAIR]["meets_target"]) == {YES}
    for row in cost[cost["kind"] == DRAWN_STRATEGY].to_dict("records"):
        assert row["meets_target"] == YES
        plan = next(p for p in wall.plans if p.name == row["option"])
        drawn = replace(wall, plans=(plan,), inputs=_with_cover(wall, row["nominal_cover_mm"]))
        assert answers(case, drawn)[0].meets_target == YES
    # buildable and inside the ranges
    pairs = cost[cost["kind"] == CHEAPEST_PAIR]
    low, high, _ = case.choices.cover
    assert np.all(pairs["nominal_cover_mm"] % 5.0 == 0.0)
    assert pairs["nominal_cover_mm"].between(low, high).all()
    assert np.all(pairs["strip_age_h"] % 1.0 == 0.0)
    assert pairs["strip_age_h"].between(*case.choices.strip_age).all()


def _with_cover(wall, nominal):
    law = shifted_cover(wall, nominal)
    return tuple(
        replace(item, distribution=law) if item.name == "reinforcement.cover" else item
        for item in wall.inputs
    )


def test_stripped_says_of_the_plan_what_a_run_says():
    case = smaller("garage-wall.toml", 256)
    answer = stripwise.stripped_early(case, after="14 h", at="12 degC")
    plan = answer.outcomes.iloc[0]
    own = dict(zip([s.name for s in case.strategies], answers(case, build_wall(case)), strict=True))
    assert plan["meets_target"] == own[case.reference_strategy].meets_target


def test_the_kind_of_an_input_never_changes_the_probability():
    case = smaller("garage-wall.toml", 512)

    def run(change):
        wall = build_wall(case)
        wall = replace(wall, inputs=tuple(change(item) for item in wall.inputs))
        curves = compute_curves(wall, case, workers=1, progress=None, band=False)
        return curves.mean.at(np.array([50.0]))[:, 0]

    def relabelled(kind, between):
        def change(item: Input) -> Input:
            if item.name != "concrete.diffusivity":
                return item
            return replace(item, kind=kind, between_walls=between)

        return change

    base = run(lambda item: item)
    for kind, between in (("knowledge", 0.0), ("scatter", 0.5)):
        np.testing.assert_array_equal(run(relabelled(kind, between)), base)
