"""One curve over the growth of a front against an integral at every epistemic point."""

import dataclasses

import numpy as np
import pytest

from stripwise.distributions.distribution import distribution, fixed
from stripwise.risk.model.wall import COVER, Plan
from stripwise.risk.probability.nested_sampling import NestedSample

AGES = np.array([0.0, 0.01, 0.4, 3.0, 20.0, 50.0, 75.0, 120.0])
EPISTEMIC = (
    "concrete.ageing_exponent",
    "concrete.temperature_coefficient",
    "curing.law",
    "curing.early_slope",
)
PLANS = (Plan("12 h", 12.0, 1.0), Plan("24 h", 24.0, 1.0), Plan("7 d", 168.0, 1.0))


def nested_sample(wall):
    nested = NestedSample.from_wall(
        wall, points=512, seed=3, stage="knowledge", outer_points=32, inner_points=512
    )
    assert nested is not None
    return nested


def one_by_one(nested, wall, upper):
    points = [nested.probabilities(wall, AGES, upper, first=k, most=1) for k in range(nested.count)]
    return np.concatenate(points)


@pytest.mark.parametrize("above", [False, True])
@pytest.mark.parametrize("sd", [8.0, 0.5])
def test_every_epistemic_point_is_read_from_one_curve(walls, above, sd):
    cover = distribution("normal", mean=55.0, sd=sd)
    wall = walls.wall(changes={COVER: cover}, knowledge=EPISTEMIC, plans=PLANS)
    nested = nested_sample(wall)
    assert nested.front_growth(wall, AGES) is not None
    upper = np.full((len(PLANS), AGES.size), above)
    found, exact = nested.all_probabilities(wall, AGES, upper), one_by_one(nested, wall, upper)
    assert found.shape == (32, len(PLANS), AGES.size)
    np.testing.assert_allclose(found, exact, rtol=0.0, atol=2e-6)
    if sd == 8.0:
        seen = exact > 1e-12
        np.testing.assert_allclose(found[seen], exact[seen], rtol=1e-4)


def test_a_diffusivity_that_is_epistemic_is_part_of_the_growth(walls):
    wall = walls.wall(knowledge=(*EPISTEMIC, "concrete.diffusivity"), plans=PLANS)
    nested = nested_sample(wall)
    assert nested.front_growth(wall, AGES) is not None
    upper = np.zeros((len(PLANS), AGES.size), dtype=bool)
    found, exact = nested.all_probabilities(wall, AGES, upper), one_by_one(nested, wall, upper)
    np.testing.assert_allclose(found, exact, rtol=0.0, atol=2e-6)


def with_random_strip(walls):
    wall = walls.wall(knowledge=EPISTEMIC, plans=PLANS)
    hours = dataclasses.replace(
        wall.inputs[0], name="strip", distribution=distribution("uniform", low=12.0, high=36.0)
    )
    plan = dataclasses.replace(PLANS[0], strip_age="strip")
    return dataclasses.replace(wall, inputs=(*wall.inputs, hours), plans=(plan,))


@pytest.mark.parametrize(
    "case", ["surface chloride", "between walls", "random strip age", "layered"]
)
def test_what_acts_through_more_than_the_growth_is_integrated_point_by_point(walls, case):
    wall = walls.wall(knowledge=EPISTEMIC, plans=PLANS)
    if case == "surface chloride":
        wall = walls.wall(knowledge=(*EPISTEMIC, "exposure.surface_chloride"), plans=PLANS)
    elif case == "between walls":
        inputs = tuple(
            dataclasses.replace(item, between_walls=0.5)
            if item.name == "concrete.diffusivity"
            else item
            for item in wall.inputs
        )
        wall = dataclasses.replace(wall, inputs=inputs)
    elif case == "random strip age":
        wall = with_random_strip(walls)
    else:
        wall = dataclasses.replace(wall, layered=True)
    nested = nested_sample(wall)
    assert nested.front_growth(wall, AGES) is None
    if case != "layered":
        upper = np.zeros((len(wall.plans), AGES.size), dtype=bool)
        found = nested.all_probabilities(wall, AGES, upper)
        exact = one_by_one(nested, wall, upper)
        np.testing.assert_allclose(found, exact, rtol=1e-12, atol=1e-16)


def test_growth_that_is_the_same_everywhere_is_one_point(walls):
    plan = (Plan("7 d", 168.0, 1.0),)
    changes = {name: fixed(walls.DEFAULTS[name][0].mean) for name in EPISTEMIC[:2]}
    # the penalty is 1 at the reference curing, whatever the law
    wall = walls.wall(changes=changes, knowledge=EPISTEMIC[2:], plans=plan)
    nested = nested_sample(wall)
    age, upper = np.array([50.0]), np.zeros((1, 1), dtype=bool)
    assert nested.front_growth(wall, age) is not None
    found = nested.all_probabilities(wall, age, upper)
    exact = nested.probabilities(wall, age, upper, first=0, most=1)
    np.testing.assert_allclose(found, np.broadcast_to(exact, found.shape), rtol=0.0, atol=1e-9)


@pytest.mark.parametrize("sd", [0.05, 0.2])
def test_a_step_between_two_nodes_is_not_missed(walls, sd):
    changes = {
        name: fixed(walls.DEFAULTS[name][0].mean)
        for name in (
            "exposure.surface_chloride",
            "exposure.convection_zone",
            "reinforcement.critical_chloride",
            "concrete.diffusivity",
        )
    }
    changes[COVER] = distribution("normal", mean=55.0, sd=sd)
    wall = walls.wall(changes=changes, knowledge=EPISTEMIC, plans=PLANS)
    nested, ages = nested_sample(wall), np.geomspace(0.5, 500.0, 150)
    assert nested.front_growth(wall, ages) is not None
    upper = np.zeros((len(PLANS), ages.size), dtype=bool)
    found = nested.all_probabilities(wall, ages, upper)
    exact = [nested.probabilities(wall, ages, upper, first=k, most=1) for k in range(nested.count)]
    np.testing.assert_allclose(found, np.concatenate(exact), rtol=0.0, atol=2e-6)
