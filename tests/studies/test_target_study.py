"""What a study of targets finds, held to a wall whose answers are formulas."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import special

import stripwise
from stripwise.risk.model.wall import Plan
from stripwise.studies.candidate_targets import GRID, STATED, candidate_targets
from stripwise.studies.decision import NO, YES
from stripwise.studies.from_scenario import build_wall, compute_curves, target_from
from stripwise.studies.result_tables import strategy_table
from stripwise.studies.target_answers import find_answers
from stripwise.studies.target_costs import NO_TARGET
from stripwise.studies.target_sentences import over_stated_life, within_flat
from stripwise.studies.target_study import annual_probability

PER_YEAR = "per year: not comparable"


@pytest.fixture(scope="module")
def study(closed):
    return stripwise.target(closed.scenario)


def over_a_life(study):
    return study.targets[study.targets["strategy"] != ""]


def plan_of(case, name) -> Plan:
    return next(p for p in build_wall(case.scenario).plans if p.name == name)


def test_every_probability_is_that_of_the_formula(study, closed):
    for row in over_a_life(study).to_dict("records"):
        plan = plan_of(closed, row["strategy"])
        hours = closed.scenario.input(plan.strip_age).distribution.mean
        front = closed.front(hours, row["service_life_yr"], like=plan)
        expected = special.ndtr((front - 60.0) / closed.sd)
        assert_allclose(row["probability"], expected, rtol=0, atol=1e-8)
        assert row["meets_target"] == (YES if expected <= row["allowed_probability"] else NO)
        assert np.isnan(row["confidence"])  # nothing is epistemic


def test_required_cover_is_front_plus_index_times_sd(study, closed):
    # x + beta sd, from P = Phi((x - c) / sd) = Phi(-beta)
    low, high, _ = closed.scenario.choices.cover
    inside = 0
    for row in over_a_life(study).to_dict("records"):
        plan = plan_of(closed, row["strategy"])
        hours = closed.scenario.input(plan.strip_age).distribution.mean
        exact = closed.front(hours, row["service_life_yr"], like=plan)
        exact += row["reliability_index"] * closed.sd
        if low < exact < high:
            inside += 1
            assert_allclose(row["required_cover_mm"], exact, rtol=1e-5)
            assert row["drawn_cover_mm"] % 5.0 == 0.0
            assert 0.0 <= row["drawn_cover_mm"] - exact <= 5.0 + 1e-3
        elif exact >= high:
            assert row["required_cover_mm"] == np.inf
        else:
            assert row["required_cover_mm"] == low
    assert inside > 20


def test_the_strip_age_to_build_meets_the_target_and_an_hour_less_does_not(study, closed):
    first, last = closed.scenario.choices.strip_age
    rows = over_a_life(study).query("source == @GRID or source == @STATED")
    checked = 0
    for row in rows.to_dict("records"):
        hours = row["site_strip_age_h"]
        if not first < hours < min(last, 72.0):
            continue
        plan = plan_of(closed, row["strategy"])
        limit = 60.0 - row["reliability_index"] * closed.sd
        assert closed.front(hours, row["service_life_yr"], like=plan) <= limit
        assert closed.front(hours - 1.0, row["service_life_yr"], like=plan) > limit
        checked += 1
    assert checked > 3


def test_annual_probability_of_a_constant_hazard():
    # the exponential law has one hazard: 1 - exp(-rate) in every year
    years = np.arange(1.0, 51.0)
    p = -np.expm1(-0.02 * years)
    assert_allclose(annual_probability(p), np.full(50, -np.expm1(-0.02)), rtol=1e-12)
    assert_allclose(annual_probability(np.array([1.0, 1.0])), [1.0, 0.0])


def test_the_largest_annual_probability_is_that_of_the_formula(study, closed):
    for row in study.annual.to_dict("records"):
        plan = plan_of(closed, row["strategy"])
        hours = closed.scenario.input(plan.strip_age).distribution.mean
        life = closed.scenario.target.service_life
        p = np.array(
            [
                special.ndtr((closed.front(hours, t, like=plan) - 60.0) / closed.sd)
                for t in np.arange(1.0, life + 1.0)
            ]
        )
        hazard = annual_probability(p)
        assert row["age_yr"] == 1.0 + np.argmax(hazard)
        assert_allclose(row["probability"], hazard.max(), atol=4e-6)
        assert_allclose(row["reliability_index"], -special.ndtri(row["probability"]), rtol=1e-9)


def test_targets_per_year_are_listed_and_never_answered(study):
    rows = study.targets[study.targets["status"] == PER_YEAR]
    assert set(rows["reliability_index"]) == {1.3, 1.7, 2.3, 2.9}
    assert rows["meets_target"].eq("").all()
    assert rows["service_life_yr"].isna().all()
    assert rows["source_period_yr"].eq(1.0).all()


def test_the_stated_target_comes_first_and_stands_once(quick_case):
    targets = candidate_targets(quick_case)
    own = quick_case.target
    same = [
        t
        for t in targets
        if t.life == own.service_life and t.probability == own.probability and not t.published
    ]
    assert targets[0].source == STATED
    assert same == [targets[0]]
    lives = {t.life / own.service_life for t in targets if t.source == GRID}
    assert lives == {0.5, 0.75, 1.0, 1.25, 1.5}
    tunnels = next(t for t in targets if t.index == 1.8)
    assert (tunnels.life, tunnels.period) == (own.service_life, 100.0)
    assert tunnels.source.endswith("(from memory, verify)")


def test_lives_end_at_500_yr_and_the_horizon_grows_to_the_longest(quick_case):
    target = replace(quick_case.target, service_life=400.0)
    long = replace(quick_case, target=target, sampling=replace(quick_case.sampling, horizon=400.0))
    assert max(t.life for t in candidate_targets(long)) == 500.0


def test_a_weaker_optimum_is_never_called_acceptable(quick_case, small_sizes):
    # a repair that costs next to nothing makes the weakest pair the cheapest
    cheap = replace(quick_case, cost=replace(quick_case.cost, repair=0.01))
    strict = replace(
        cheap, target=replace(cheap.target, probability=0.001, reliability_index=3.0902)
    )
    with small_sizes():
        study = stripwise.target(strict)
    text = " ".join(study.verdict)
    assert "which the stated limit of 0.1 % does not allow" in text
    assert "not acceptable" in text
    assert "Accept" not in text


def test_the_cheapest_pair_is_the_one_of_the_design(pier_case, pier, small_sizes):
    with small_sizes(), pytest.MonkeyPatch.context() as patch:
        # pairs come from these ages, so that they must be those of the design
        patch.setattr("stripwise.studies.design.setting.STRIP_AGES", 25)
        patch.setattr("stripwise.risk.probability.target_roots.STRIP_NODES", 17)
        study = stripwise.target(pier_case)
    stated = study.costs[study.costs["source"] == STATED].iloc[0]
    pairs = pier.cost[pier.cost["kind"] == "cheapest pair"]
    best = pairs.loc[pairs["cost"].idxmin()]
    keys = ["follow_up", "nominal_cover_mm", "strip_age_h"]
    assert [stated[k] for k in keys] == [best[k] for k in keys]
    assert_allclose(stated["cost"], best["cost"], rtol=1e-9)
    free = study.costs[study.costs["source"] == NO_TARGET].iloc[0]
    assert free["cost"] <= study.costs["cost"].min() + 1e-9
    assert len(within_flat(study.costs)) >= 1
    # a stricter target never costs less
    rows = study.costs.dropna(subset=["allowed_probability", "cost"])
    rows = rows.sort_values("allowed_probability")
    assert (np.diff(rows["cost"]) <= 1e-6).all()


def test_the_answers_are_those_of_a_run(pier_case, small_sizes):
    with small_sizes():
        wall, targets = build_wall(pier_case), candidate_targets(pier_case)
        answers = find_answers(pier_case, wall, targets, workers=2)
        curves = compute_curves(wall, pier_case, workers=2, progress=None)
    rows = strategy_table(wall, curves, target_from(pier_case))
    # a run interpolates between ages to 2e-6
    assert_allclose(answers.probability[0], rows["probability_at_target"], rtol=0, atol=4e-6)
    assert [d.meets_target for d in answers.decisions[0]] == rows["meets_target"].tolist()
    assert [d.confidence for d in answers.decisions[0]] == rows["confidence"].tolist()


def test_without_choices_who_passes_is_still_told(quick_case):
    bare = replace(quick_case, choices=None, cost=None)
    study = stripwise.target(bare)
    assert study.costs is None
    assert over_stated_life(bare, study.targets)["drawn_cover_mm"].isna().all()
    assert any("Without a [choices] section" in text for text in study.warnings)
    assert study.verdict[0].startswith("The stated target, ")
