"""Drivers of the depth margin, against closed forms and against the estimator on the margin itself."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.special import erfcinv

from stripwise.distributions.distribution import distribution, fixed
from stripwise.distributions.joint_draws import JointDraws
from stripwise.distributions.random_input import Correlation
from stripwise.risk.model.wall import COVER, Plan
from stripwise.risk.probability.integral import front_depths
from stripwise.risk.probability.intervals import t_interval
from stripwise.risk.sensitivity.margin_indices import margin_indices


def by_name(found):
    """First and total index (r, s) by input or group; None where there is no index."""
    return {i.input or i.group: None if i.reason else found.of(i) for i in found.items}


def test_cover_share_is_the_exact_ratio_of_variances(walls):
    wall = walls.wall()
    found = margin_indices(wall, 50.0, repeats=16, seed=0)
    shares = by_name(found)
    first, total = shares[COVER]
    assert_allclose(first, total, rtol=0, atol=0)
    assert_allclose(shares["cover"], shares[COVER], rtol=0, atol=0)
    # the variance of the front by plain pseudo-random sampling, n = 2e5
    law = wall.input(COVER).distribution
    values = {
        item.name: item.distribution.quantile(np.random.default_rng(i).random(200_000))
        for i, item in enumerate(wall.inputs)
    }
    for s, depth in enumerate(front_depths(wall, wall.sample_block(values), 50.0)):
        squares = (depth - depth.mean()) ** 2
        error = squares.std() / np.sqrt(squares.size)
        exact, slope = (law.sd**2 / (law.sd**2 + squares.mean()) ** k for k in (1, 2))
        assert abs(total[:, s].mean() - exact) < 4.0 * error * slope
    assert set(shares) >= {"cover", "curing", "concrete", "exposure", "steel"}
    groups = [shares[i.group][0].mean(axis=0) for i in found.items if not i.input]
    assert np.all(np.sum(groups, axis=0) < 1.02)


def test_sampled_share_of_the_cover_is_the_check_of_the_exact_one(walls):
    found = margin_indices(walls.wall(), 50.0, repeats=16, seed=3)
    k = next(n for n, columns in enumerate(found.sets) if columns == cover_columns(found))
    for sampled in (found.sampled.first[:, k], found.sampled.total[:, k]):
        mean, low, high = t_interval(sampled - found.estimates.total[:, k])
        assert np.all(np.abs(mean) <= 2.0 * (high - mean))
        assert np.all(high - low < 0.02)
    others = [n for n in range(len(found.sets)) if n != k]
    assert np.array_equal(found.sampled.first[:, others], found.estimates.first[:, others])
    assert np.array_equal(found.sampled.total[:, others], found.estimates.total[:, others])


def test_every_input_of_a_front_of_ones_own_moves_it(walls):
    """Depth 2 sqrt(D k_c t) (t_0 / t)^(a / 2): both of its inputs share the front with the penalty."""

    def front(age, values, penalty):
        aged = (0.0767 / age) ** values["concrete.ageing_exponent"]
        return 2.0 * np.sqrt(values["concrete.diffusivity"] * penalty * age * aged)

    wall = replace(walls.wall(plans=walls.PLANS[2:3]), front_model=front)
    shares = by_name(margin_indices(wall, 50.0, repeats=8, seed=2))
    totals = {name: found[1].mean() for name, found in shares.items()}
    assert totals["concrete.ageing_exponent"] > totals["concrete.diffusivity"] > 0.02
    assert abs(totals["exposure.surface_chloride"]) < 1e-9
    whole = totals["concrete"] + totals["curing"] + totals["cover"]
    assert 1.0 - 0.02 < whole < 1.1  # what depends on two groups counts for both


def cover_columns(found):
    return next(item.columns for item in found.items if item.input == COVER)


def test_a_correlated_cover_keeps_its_estimate(walls):
    tie = Correlation(COVER, "concrete.diffusivity", 0.5)
    found = margin_indices(walls.wall(correlations=(tie,)), 50.0, repeats=8, seed=0)
    assert by_name(found)[COVER] is None
    assert np.array_equal(found.sampled.total, found.estimates.total)


@pytest.mark.parametrize("cover", [fixed(60.0), distribution("normal", mean=60.0, sd=8.0)])
def test_nothing_random_but_perhaps_the_cover(walls, cover):
    names = [item.name for item in walls.wall().inputs if item.name != COVER]
    at_means = {n: fixed(walls.wall().input(n).distribution.mean) for n in names}
    wall = walls.wall(changes={**at_means, COVER: cover})
    shares = by_name(margin_indices(wall, 50.0, repeats=4, seed=0))
    if cover.is_fixed:
        assert shares == {}
    else:
        assert_allclose(shares[COVER][1], 1.0, rtol=0, atol=0.01)
        assert np.all(shares[COVER][1] <= 1.0)


def test_a_product_of_lognormals_has_its_exact_indices(walls):
    # Closed form: the margin is c - A B with A = sqrt(D) and B = sqrt(k_e) lognormal, so with
    # a, b = exp(s^2) - 1 of either the variance is Var(c) + m^2 ((1 + a)(1 + b) - 1).
    wall = walls.wall(
        changes={
            "exposure.surface_chloride": fixed(3.0),
            "exposure.initial_chloride": fixed(0.0),
            "exposure.convection_zone": fixed(0.0),
            "concrete.diffusivity": distribution("lognormal", mean=200.0, cov=0.8),
            "concrete.ageing_exponent": fixed(0.3),
            "concrete.temperature_coefficient": distribution("normal", mean=4800.0, sd=4000.0),
            "reinforcement.cover": distribution("lognormal", mean=60.0, cov=0.2),
            "reinforcement.critical_chloride": fixed(0.6),
            "curing.law": fixed(0.0),
            "curing.early_slope": fixed(0.0),
            "curing.retention.sheet.vertical": fixed(0.1),
        },
        plans=(Plan("7 d", 168.0, 1.0),),
    )
    shares = by_name(margin_indices(wall, 50.0, repeats=16, seed=5))
    cold = 1 / 293.0 - 1 / 283.15
    s_d = np.sqrt(np.log1p(0.8**2))
    s_a, s_b = 0.5 * s_d, 0.5 * abs(cold) * 4000.0
    a, b = np.expm1(s_a**2), np.expm1(s_b**2)
    shape = (28 / 365.25) ** 0.3 * 50.0**0.7
    mean_a = np.exp(0.5 * (np.log(200.0) - 0.5 * s_d**2) + 0.5 * s_a**2)
    mean_b = np.exp(0.5 * cold * 4800.0 + 0.5 * s_b**2)
    m = 2.0 * erfcinv(0.2) * np.sqrt(shape) * mean_a * mean_b
    variance = 12.0**2 + m**2 * ((1 + a) * (1 + b) - 1)
    exact = {
        "reinforcement.cover": (12.0**2, 12.0**2),
        "concrete.diffusivity": (m**2 * a, m**2 * a * (1 + b)),
        "concrete.temperature_coefficient": (m**2 * b, m**2 * b * (1 + a)),
    }
    assert a * b * m**2 / variance > 0.01  # the interaction is there to be seen
    assert set(exact) < set(shares)
    for name, parts in exact.items():
        for found, part in zip(shares[name], parts, strict=True):
            mean, _, high = t_interval(found[:, 0])
            assert abs(mean - part / variance) <= 2.0 * (high - mean) + 1e-4
            assert high - mean < 0.01
    mean, _, high = t_interval(shares["concrete"][1][:, 0])
    assert abs(mean - (1.0 - 12.0**2 / variance)) <= 2.0 * (high - mean) + 1e-4


def test_correlated_inputs_move_together(walls):
    tie = Correlation("concrete.diffusivity", "exposure.surface_chloride", 0.5)
    found = margin_indices(walls.wall(correlations=(tie,)), 50.0, repeats=8, seed=0)
    reason = {i.input or i.group: i.reason for i in found.items}
    assert reason["concrete.diffusivity"] == reason["concrete"] == "correlated"
    assert reason["cover"] == ""
    joint = [label for label in reason if label.startswith("correlated: ")]
    assert len(joint) == 1
    first, total = by_name(found)[joint[0]]
    assert np.all((first > 0.0) & (first < total + 0.05) & (total < 1.0))


def test_interval_of_infinite_values_is_open():
    mean, low, high = t_interval(np.full((8, 1), np.inf))
    assert np.isinf(mean).all()
    assert np.isnan(low).all()
    assert np.isnan(high).all()


def test_joint_draws_have_the_shares_of_their_own_columns(walls):
    """Draws that hardly vary have no share, and the others that of a wall where they are fixed."""
    names = ("concrete.ageing_exponent", "curing.law")
    wall = walls.wall(knowledge=names, plans=(Plan("24 h", 24.0, 1.0),))
    rng = np.random.default_rng(1)
    values = np.array([0.45 + 1e-6 * rng.standard_normal(256), 1e-6 * rng.standard_normal(256)])
    drawn = JointDraws.from_rows(names, values, (False, False))
    narrow = margin_indices(replace(wall, draws=drawn), 50.0, repeats=8, seed=1)
    of = {i.input or i.group: narrow.of(i) for i in narrow.items if not i.reason}
    joint = next(i for i in narrow.items if len(i.columns) >= 1 and "draws" in (i.input or i.group))
    first, total = narrow.of(joint)
    assert_allclose([first.mean(), total.mean()], 0.0, rtol=0, atol=1e-3)
    changes = {names[0]: fixed(0.45), names[1]: fixed(0.0)}
    plain = margin_indices(
        walls.wall(changes=changes, plans=(Plan("24 h", 24.0, 1.0),)), 50.0, repeats=8, seed=1
    )
    for item in plain.items:
        name = item.input or item.group
        if item.reason or name not in of:
            continue
        for found, exact in zip(of[name], plain.of(item), strict=True):
            error = np.hypot(found.std(), exact.std()) / np.sqrt(8.0)
            assert abs(found.mean() - exact.mean()) < 4.0 * error + 1e-3, name
    assert of["exposure.surface_chloride"][0].mean() > 0.05
