"""A sweep held to runs of each point, and samples redone by general-purpose libraries."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

import stripwise
from stripwise.risk.probability.nominal_covers import SamplingOptions, probability_by_repeat
from stripwise.studies.from_scenario import build_wall

SCENARIOS = Path(__file__).parents[2] / "scenarios"
COVER = "reinforcement.cover.nominal"


@pytest.fixture(scope="module")
def case():
    garage = stripwise.load(SCENARIOS / "garage-wall.toml")
    return replace(garage, sampling=replace(garage.sampling, points=512))


def test_points_of_a_sweep_are_cases_of_their_own(case):
    values = {
        COVER: ["45 mm", "60 mm", "75 mm"],
        "concrete.diffusivity.mean": ["3e-12 m^2/s", "5e-12 m^2/s"],
    }
    table = stripwise.sweep(case, values)
    assert len(table) == 3 * 2 * len(case.strategies)
    assert list(table)[:3] == [COVER, "concrete.diffusivity.mean", "strategy"]
    one = case.replace({COVER: "45 mm", "concrete.diffusivity.mean": "3e-12 m^2/s"})
    p = probability_by_repeat(
        build_wall(one),
        np.array([45.0]),
        np.array([50.0]),
        sample=SamplingOptions(512, 16, case.sampling.seed, "main", 1),
    ).mean(axis=0)[:, 0, 0]
    own = table[(table[COVER] == "45 mm") & (table["concrete.diffusivity.mean"] == "3e-12 m^2/s")]
    assert_allclose(own["probability"], p, rtol=1e-9, atol=0)
    # more cover never harms, since all points share their sample
    for _, rows in table.groupby(["strategy", "concrete.diffusivity.mean"]):
        assert np.all(np.diff(rows["probability"]) < 0.0)


def test_a_list_of_points_and_other_ages(case):
    table = stripwise.sweep(case, [{COVER: "50 mm"}, {COVER: "2 in"}], ages=[10.0, 50.0])
    assert set(table["age_yr"]) == {10.0, 50.0}
    assert (table.loc[table["age_yr"] == 10.0, "meets_target"] == "").all()
    assert set(table.loc[table["age_yr"] == 50.0, "meets_target"]) <= {
        "yes",
        "no",
        "too close to call",
    }


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({}, None),
        ({COVER: "50 mm"}, "needs a list"),
        ([], "holds no point"),
        ({COVER: ["5 m"]}, "unusual"),
    ],
)
def test_what_is_no_sweep_is_refused(case, values, words):
    if words is None:
        assert len(stripwise.sweep(case, values)) == len(case.strategies)  # the case itself
        return
    with pytest.raises(stripwise.StripwiseError, match=words):
        stripwise.sweep(case, values)


def test_samples_redo_the_probability(case):
    """Counted failures of 2^14 sampled points against the exact cover integral, 5 standard errors."""
    drawn = stripwise.samples(case, "Forms 24 h", n=2**14, ages=[50.0])
    early = drawn["initiation_yr"] <= 50.0
    at_front = drawn["front_mm_at_50"] >= drawn["reinforcement.cover"]
    assert (early == at_front).all()
    wall = build_wall(case)
    exact = probability_by_repeat(
        wall, np.array([60.0]), np.array([50.0]), sample=SamplingOptions(4096, 8, 3, "main", 1)
    ).mean(axis=0)[[p.name for p in wall.plans].index("Forms 24 h"), 0, 0]
    assert_allclose(early.mean(), exact, rtol=0, atol=5 * np.sqrt(exact * (1 - exact) / 2**14))
    again = stripwise.samples(case, "Forms 24 h", n=2**14, ages=[50.0])
    assert again.equals(drawn)


def test_samples_split_an_input_between_walls(case):
    split = case.replace({"exposure.surface_chloride.between_walls": 0.4})
    drawn = stripwise.samples(split, n=4096)
    wall_score = drawn["exposure.surface_chloride.wall_score"]
    point_score = drawn["exposure.surface_chloride.point_score"]
    law = split.input("exposure.surface_chloride").distribution
    value = law.from_normal((np.sqrt(0.4) * wall_score + np.sqrt(0.6) * point_score).to_numpy())
    assert_allclose(drawn["exposure.surface_chloride"], value, rtol=1e-12)
    assert_allclose(np.corrcoef(wall_score, point_score)[0, 1], 0.0, atol=0.05)


def test_what_cannot_be_sampled_is_refused(case):
    with pytest.raises(stripwise.InputError, match="power of two"):
        stripwise.samples(case, n=1000)
    with pytest.raises(stripwise.InputError, match="Forms 72 h"):
        stripwise.samples(case, "Forms 3 d")
