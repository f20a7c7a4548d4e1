"""The first crack: a closed form over walls, and that the split of a spread changes no probability."""

import dataclasses

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import special, stats

from stripwise.distributions.distribution import distribution, fixed
from stripwise.distributions.random_input import Input
from stripwise.risk.probability.cracking import (
    CORROSION_RATE,
    cracking_curves,
    first_crack_loss,
)
from stripwise.risk.probability.integral import initiation_ages

AGES = np.array([0.0, 20.0, 60.0, 100.0])
CRACKING = (
    (CORROSION_RATE, distribution("lognormal", mean=5.0, cov=0.6)),
    ("cracking.bar_diameter", fixed(16.0)),
    ("cracking.tensile_strength", fixed(3.0)),
    ("cracking.wet_share", fixed(0.5)),
)


def cracking_wall(walls, *, between=None, **options):
    """A wall with the inputs of cracking; `between` gives the shares between walls by name."""
    wall = walls.wall(plans=walls.PLANS[2:3], **options)
    more = tuple(Input(n, n, law, "", "steel", "scatter") for n, law in CRACKING)
    inputs = tuple(
        dataclasses.replace(i, between_walls=(between or {}).get(i.name, i.between_walls))
        for i in (*wall.inputs, *more)
    )
    return dataclasses.replace(wall, inputs=inputs)


def test_the_rate_alone_is_the_closed_form(walls):
    # with nothing else random, P = 1 - F(x0 / (wet share (t - t_i))), and given the wall's share of
    # the score F is conditioned as any normal score
    changes = {name: fixed(law.mean) for name, (law, _) in walls.DEFAULTS.items()}
    b = 0.4
    wall = cracking_wall(walls, changes=changes, between={CORROSION_RATE: b})
    values = {i.name: i.distribution.mean for i in wall.inputs}
    start = float(np.ravel(initiation_ages(wall, wall.sample_block(values), values))[0])
    loss = float(first_crack_loss(60.0, bar_diameter=16.0, tensile_strength=3.0))
    ages = start + np.array([-1.0, 0.0, 5.0, 20.0, 60.0])
    law = stats.lognorm(np.sqrt(np.log1p(0.36)), scale=5.0 / np.sqrt(1.36))
    exact = np.where(ages > start, law.sf(loss / np.maximum(0.5 * (ages - start), 1e-9)), 0.0)
    found = cracking_curves(wall, ages, repeats=8, seed=1, points=64)
    assert_allclose(found.repeats.mean(axis=0)[0], exact, rtol=1e-3, atol=1e-9)
    assert found.epistemic is not None
    # the index of P(B) is (index + sqrt(b) B) / sqrt(1 - b), B standard normal over walls
    index = -special.ndtri(found.epistemic[:, 0, 2:])
    mean_index = -special.ndtri(exact[2:])
    assert_allclose(index.mean(axis=0), mean_index / np.sqrt(1.0 - b), atol=0.03)
    assert_allclose(index.std(axis=0), np.sqrt(b / (1.0 - b)), rtol=0.05)


@pytest.mark.parametrize("b", [0.5, 1.0])
def test_the_split_changes_no_probability(walls, b):
    names = ("reinforcement.cover", CORROSION_RATE, "concrete.diffusivity")
    plain = cracking_curves(cracking_wall(walls), AGES, repeats=8, seed=2, points=512)
    assert plain.epistemic is None
    split = cracking_wall(walls, between=dict.fromkeys(names, b))
    found = cracking_curves(split, AGES, repeats=8, seed=2, points=512)
    np.testing.assert_array_equal(found.repeats, plain.repeats)
    # the mean over walls is the probability: 64 walls leave an error of their own
    spread = found.epistemic.std(axis=0, ddof=1) / np.sqrt(len(found.epistemic))
    gap = np.abs(found.epistemic.mean(axis=0) - plain.repeats.mean(axis=0))
    assert np.all(gap <= 4.0 * spread + 1e-3)
    assert np.all(spread[0, 1:] > 0.0)


def test_a_rate_tied_to_the_cover_is_integrated_all_the_same(walls):
    # against counting: the rate sampled by its copula with the cover
    tie = walls.Correlation("reinforcement.cover", CORROSION_RATE, -0.6)
    wall = cracking_wall(walls, correlations=(tie,))
    found = cracking_curves(wall, AGES, repeats=8, seed=3, points=1024)
    rng, n = np.random.default_rng(4), 200_000
    rho = 2.0 * np.sin(np.pi * -0.6 / 6.0)
    values, scores = {}, {i.name: rng.standard_normal(n) for i in wall.inputs}
    scores[CORROSION_RATE] = (
        rho * scores["reinforcement.cover"] + np.sqrt(1.0 - rho**2) * scores[CORROSION_RATE]
    )
    for item in wall.inputs:
        law = item.distribution
        values[item.name] = law.mean if law.is_fixed else law.from_normal(scores[item.name])
    start = initiation_ages(wall, wall.sample_block(values), values)[0]
    loss = first_crack_loss(values["reinforcement.cover"], bar_diameter=16.0, tensile_strength=3.0)
    wet = 0.5 * np.maximum(AGES[:, None] - start, 0.0)
    counted = np.mean((wet > 0.0) & (wet * values[CORROSION_RATE] >= loss), axis=1)
    error = np.sqrt(counted * (1.0 - counted) / n) + found.repeats.std(axis=0)[0] / np.sqrt(8.0)
    assert np.all(np.abs(found.repeats.mean(axis=0)[0] - counted) <= 4.0 * error + 1e-9)
