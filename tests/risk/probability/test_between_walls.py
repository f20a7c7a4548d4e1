"""Spread between walls and along one: the marginal stays, the range over walls is exact."""

import dataclasses

import numpy as np
import pytest
from scipy import special

from stripwise.distributions.distribution import fixed
from stripwise.risk.model.wall import Plan
from stripwise.risk.probability.confidence import epistemic_probability
from stripwise.risk.probability.curves import probability_curves

pytestmark = pytest.mark.usefixtures("few_rare_points")

AGE = 50.0
NAMES = ("reinforcement.cover", "concrete.diffusivity", "exposure.surface_chloride")


def with_share(wall, b, names=NAMES):
    inputs = tuple(
        dataclasses.replace(i, between_walls=b) if i.name in names else i for i in wall.inputs
    )
    return dataclasses.replace(wall, inputs=inputs)


def curves_of(wall, **options):
    return probability_curves(
        wall, horizon=100.0, kinks=(AGE,), points=512, repeats=8, seed=3, **options
    )


def test_the_probability_does_not_depend_on_the_split(walls):
    wall = walls.wall(knowledge=("concrete.ageing_exponent",))
    plain = curves_of(wall, band=False).mean.index
    for b in (0.5, 1.0):
        np.testing.assert_array_equal(curves_of(with_share(wall, b), band=False).mean.index, plain)


@pytest.mark.parametrize("b", [0.0, 0.5, 1.0])
def test_the_mean_over_walls_is_the_probability(walls, b):
    """Averaging P given the wall over all walls gives P back, before any correction."""
    wall = with_share(walls.wall(knowledge=("concrete.ageing_exponent",)), b)
    mean = curves_of(wall, band=False).mean.at(np.array([AGE]))[:, 0]
    found = epistemic_probability(wall, age=AGE, mean_index=mean, points=2048, seed=3)
    averaged = special.ndtr(-found.index).mean(axis=(0, 1))
    np.testing.assert_allclose(averaged, special.ndtr(-mean), rtol=0.03)


def test_cover_given_the_wall_is_the_closed_form(walls):
    """F(x|B) = Phi((Phi^-1(F(x)) - sqrt(b) B) / sqrt(1-b)) with nothing else random."""
    b = 0.3
    changes = {name: fixed(law.mean) for name, (law, _) in walls.DEFAULTS.items()}
    changes["reinforcement.cover"] = walls.DEFAULTS["reinforcement.cover"][0]
    wall = walls.wall(changes=changes, plans=(Plan("24 h", 24.0, 1.0),))
    mean = curves_of(wall, band=False).mean.at(np.array([AGE]))[0, 0]
    split = with_share(wall, b, NAMES[:1])
    found = epistemic_probability(split, age=AGE, mean_index=np.array([mean]), points=256, seed=3)
    # the index of P(B) is (mean index + sqrt(b) B) / sqrt(1-b): normal over walls
    index = found.index[:, :, 0]
    np.testing.assert_allclose(index.mean(), mean / np.sqrt(1.0 - b), atol=0.02)
    np.testing.assert_allclose(index.std(), np.sqrt(b / (1.0 - b)), rtol=0.03)


def test_a_correlated_pair_keeps_its_probability(walls):
    pair = walls.Correlation("concrete.diffusivity", "exposure.surface_chloride", 0.6)
    wall = with_share(walls.wall(correlations=(pair,)), 0.4, NAMES[1:])
    mean = curves_of(wall, band=False).mean.at(np.array([AGE]))[:, 0]
    found = epistemic_probability(wall, age=AGE, mean_index=mean, points=2048, seed=3)
    averaged = special.ndtr(-found.index).mean(axis=(0, 1))
    np.testing.assert_allclose(averaged, special.ndtr(-mean), rtol=0.03)
