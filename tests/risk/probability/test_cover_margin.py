"""The margin format: against a hand calculation, its own inverses and its limits."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import special

from stripwise.curing.curing_law import characteristic_penalty
from stripwise.distributions.distribution import distribution, fixed
from stripwise.distributions.random_input import Input
from stripwise.errors import InputError
from stripwise.ingress.transformed_time import AgeingLaw
from stripwise.risk.model.wall import Plan
from stripwise.risk.probability.cover_margin import (
    design_life,
    design_penalty,
    largest_diffusivity,
    required_nominal_cover,
)

DAY = Plan("24 h", 24.0, 1.0)
WEEK = Plan("7 d", 168.0, 1.0)


def test_characteristic_penalty_equals_interpolation_by_numpy():
    # DuraCrete R17, 2000, characteristic k_c at 1, 3, 7 and 28 d (recalled).
    days = np.geomspace(1.0, 28.0, 41)
    knots = np.log([1.0, 3.0, 7.0, 28.0])
    expected = np.exp(np.interp(np.log(days), knots, np.log([2.08, 1.50, 1.00, 0.79])))
    assert_allclose(characteristic_penalty(days), expected, rtol=1e-12)
    assert_allclose(characteristic_penalty(90.0), 0.79, rtol=1e-12)
    assert_allclose(characteristic_penalty(1.0, reference_d=28.0), 2.08 / 0.79, rtol=1e-12)
    slope = np.log(2.08 / 1.50) / np.log(3.0)
    assert_allclose(characteristic_penalty(0.5), 2.08 * 2.0**slope, rtol=1e-12)


def test_cover_by_hand(walls):
    # erfcinv from a table is replaced by scipy's inverse of the normal; all else by hand.
    wall = walls.wall()
    z = -special.ndtri(0.5 * (0.6 - 0.1) / (3.0 - 0.1)) / np.sqrt(2.0)
    k_e = np.exp(4800.0 * (1.0 / 293.0 - 1.0 / 283.15))
    tau = k_e * wall.input("concrete.diffusivity").distribution.mean
    tau *= (28.0 / 365.25 / 75.0) ** 0.45 * 75.0
    front = 8.9 + 2.0 * z * np.sqrt(2.08 * tau)
    assert_allclose(
        required_nominal_cover(wall, DAY, life=75.0, margin=20.0), front + 20.0, rtol=1e-12
    )


@pytest.mark.parametrize("convention", ["apparent", "instantaneous"])
@pytest.mark.parametrize("plan", [DAY, WEEK, Plan("12 h", 12.0, 0.8)])
def test_life_cover_and_diffusivity_are_inverses(walls, convention, plan):
    wall = walls.wall(ageing_law=AgeingLaw(convention=convention, ageing_ends=30.0))
    for life in (0.5, 20.0, 75.0, 100.0):
        cover = required_nominal_cover(wall, plan, life=life, margin=14.0)
        assert_allclose(design_life(wall, plan, cover=cover, margin=14.0), life, rtol=1e-10)
        largest = largest_diffusivity(wall, plan, cover=cover, life=life, margin=14.0)
        own = wall.input("concrete.diffusivity").distribution.mean
        assert_allclose(largest, own, rtol=1e-10)


def test_a_margin_is_worth_its_millimetres_and_a_longer_cure_less_cover(walls):
    wall = walls.wall()
    bare = required_nominal_cover(wall, DAY, life=50.0, margin=0.0)
    assert_allclose(
        required_nominal_cover(wall, DAY, life=50.0, margin=20.0), bare + 20.0, rtol=1e-14
    )
    assert required_nominal_cover(wall, WEEK, life=50.0, margin=0.0) < bare
    assert design_penalty(wall, WEEK) == 1.0


def test_a_given_penalty_enters_by_its_mean(walls):
    given = Input("own", "own", distribution("lognormal", mean=1.7, cov=0.3), "", "curing")
    wall = walls.wall()
    wall = replace(wall, inputs=(*wall.inputs, given))
    assert design_penalty(wall, Plan("own", 24.0, 1.0, penalty="own")) == 1.7


def test_the_face_is_uniform(walls):
    skin, whole = walls.wall(layered=True), walls.wall()
    one, other = (required_nominal_cover(w, DAY, life=50.0, margin=20.0) for w in (skin, whole))
    assert one == other


def test_walls_without_a_moving_front(walls):
    safe = walls.wall(changes={"exposure.surface_chloride": fixed(0.4)})
    assert required_nominal_cover(safe, DAY, life=50.0, margin=20.0) == 20.0
    assert design_life(safe, DAY, cover=60.0, margin=20.0) == np.inf
    assert largest_diffusivity(safe, DAY, cover=60.0, life=50.0, margin=20.0) == np.inf
    lost = walls.wall(changes={"exposure.initial_chloride": fixed(0.7)})
    assert required_nominal_cover(lost, DAY, life=50.0, margin=20.0) == np.inf
    assert design_life(lost, DAY, cover=60.0, margin=20.0) == 0.0
    # margin and convection zone use up the cover
    thin = {"cover": 28.0, "margin": 20.0}
    assert design_life(walls.wall(), DAY, **thin) == 0.0
    assert largest_diffusivity(walls.wall(), DAY, life=50.0, **thin) == 0.0


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda w: required_nominal_cover(w, DAY, life=0.0, margin=20.0),
            "life: = 0 yr: must be above 0 yr",
        ),
        (
            lambda w: required_nominal_cover(w, DAY, life=50.0, margin=-1.0),
            "margin: = -1 mm: must be at least 0 mm",
        ),
        (
            lambda w: design_life(w, DAY, cover=np.nan, margin=20.0),
            "cover: = nan mm: must be at least 0 mm",
        ),
        (
            lambda w: largest_diffusivity(w, DAY, cover=-60.0, life=50.0, margin=20.0),
            "cover: = -60 mm: must be at least 0 mm",
        ),
    ],
)
def test_impossible_numbers_are_refused(walls, call, message):
    with pytest.raises(InputError) as refusal:
        call(walls.wall())
    assert str(refusal.value) == message
