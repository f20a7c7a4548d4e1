"""The ranking under service conditions: every method must look at the same wall."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import special

from stripwise.distributions.sampling import random_stream, sobol_blocks
from stripwise.errors import NumericalError
from stripwise.risk.model.wall import COVER
from stripwise.risk.probability.nominal_covers import SamplingOptions, probability_by_repeat
from stripwise.risk.reliability.limit_state import LimitState
from stripwise.risk.sensitivity.quantities_of_interest import FAILURE, MARGIN, QuantitiesOfInterest
from stripwise.scenario.loading import load
from stripwise.studies.from_scenario import build_wall
from stripwise.studies.rank import convergence, rank_study
from stripwise.studies.rank.rank_study import rank
from stripwise.studies.rank.reliability_table import reliability, sampled_probabilities

SCENARIO = Path(__file__).parents[3] / "scenarios" / "retaining-wall.toml"


@pytest.fixture(scope="module")
def wall():
    case = load(SCENARIO)
    wall = build_wall(case)
    return wall, next(p for p in wall.plans if p.name == case.reference_strategy)


def test_form_and_importance_sampling_agree_with_the_sampled_answer(wall):
    found = reliability(*wall, ages=[60.0, 5.0], repeats=16, seed=3).methods
    for age in (60.0, 5.0):
        rows = found[found["age_yr"] == age].set_index("method")
        sampled, around = rows.loc["sampled"], rows.loc["importance sampling"]
        error = np.hypot(*(row["cov"] * row["probability"] for row in (sampled, around)))
        assert abs(around["probability"] - sampled["probability"]) < 4.0 * error
        assert abs(rows.loc["FORM", "gap_to_sampled"]) < 0.15
        assert "carbonation alone" in rows.loc["FORM", "note"]


def test_content_form_agrees_by_subset_simulation(wall, rare_estimates):
    state = LimitState.from_wall(*wall, age=20.0)
    nested = rare_estimates.subset_simulation(state, state.dimensions, seed=5)
    each = sampled_probabilities(*wall, ages=[20.0], repeats=16, seed=5)[:, 0]
    error = np.hypot(nested.cov * nested.probability, each.std(ddof=1) / 4.0)
    assert abs(nested.probability - each.mean()) < 4.0 * error


def test_indices_are_of_the_wall_under_its_conditions(wall):
    ages = np.array([20.0, 60.0])
    q = QuantitiesOfInterest.from_wall(
        *wall, reference=wall[1], ages=ages, quantities=(MARGIN, FAILURE)
    )
    rng = random_stream(4, stage="rank", index=(0,))
    z = next(iter(sobol_blocks(q.sampler.dimensions, 8192, rng)))
    out = q(z)
    p = sampled_probabilities(*wall, ages=ages, repeats=8, seed=4).mean(axis=0)
    assert_allclose(out[2:].mean(axis=1), p, rtol=0, atol=3e-3)
    assert_allclose(np.mean(out[:2] <= 0.0, axis=1), p, rtol=0, atol=8e-3)
    # sign of the content form and of the depth form, sample by sample
    state = LimitState.from_wall(*wall, age=60.0)
    names = [q.sampler.names.index(n) for n in state.sampler.names]
    assert np.mean((state(z[names]) <= 0.0) == (out[1] <= 0.0)) > 0.999


def test_many_covers_follow_the_conditions(wall):
    one = wall[0].with_plans((wall[1],))
    mean = one.input(COVER).distribution.parent_mean
    p = probability_by_repeat(
        one, np.array([mean]), np.array([60.0]), sample=SamplingOptions(4096, 8, 6, workers=1)
    )
    alone = sampled_probabilities(*wall, ages=[60.0], repeats=8, seed=6)
    assert_allclose(p.mean(), alone.mean(), rtol=0, atol=3e-3)


@pytest.mark.usefixtures("few_samples")
def test_what_follows_depassivation_is_not_ranked(monkeypatch):
    monkeypatch.setattr(convergence, "FIRST_POINTS", rank_study.SERVICE_POINTS)
    case = load(SCENARIO)
    # one strategy, no choices, and no inputs whose measurement could be worth something
    small = replace(
        case,
        choices=None,
        sampling=replace(case.sampling, repeats=4),
        inputs=tuple(replace(item, kind="scatter") for item in case.inputs),
        strategies=tuple(s for s in case.strategies if s.name == case.reference_strategy),
    )
    assert any(item.name.startswith("cracking.") for item in small.inputs)
    found = rank(small, ages=[60.0])
    assert not found.indices["input"].str.startswith("cracking.").any()
    rows = found.indices[(found.indices["quantity"] == FAILURE) & (found.indices["age_yr"] == 60.0)]
    assert rows["status"].isin(["ok", "wide"]).all()


def test_a_falling_surface_content_has_no_design_point(wall):
    conditions = wall[0].conditions
    history = replace(
        conditions.history, shape="table", ages=(0.0, 5.0, 20.0), relative_contents=(0.0, 1.0, 0.4)
    )
    falling = replace(wall[0], conditions=replace(conditions, history=history, duration=""))
    with pytest.raises(NumericalError, match="falls in time"):
        LimitState.from_wall(falling, wall[1], age=60.0)
    found = reliability(falling, wall[1], ages=[60.0], repeats=8, seed=1).methods
    row = found.set_index("method").loc["FORM"]
    assert row["note"].startswith("undefined: the surface chloride falls")
    assert 0.0 < special.ndtr(-found.set_index("method").loc["sampled", "reliability_index"]) < 1.0
