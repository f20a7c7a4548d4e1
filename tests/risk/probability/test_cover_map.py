from dataclasses import replace

import numpy as np
from numpy.testing import assert_allclose

from stripwise.distributions.distribution import distribution, fixed
from stripwise.distributions.random_input import Input
from stripwise.risk.model.service_conditions import CoatingInputs, ServiceConditions
from stripwise.risk.model.wall import Plan
from stripwise.risk.probability.cover_map import (
    DesignGrid,
    exchange_grid,
    exchange_rate,
    index_by_epistemic_point,
    index_by_repeat,
)
from stripwise.risk.probability.curves import probability_curves
from stripwise.risk.sensitivity.choice_variance import choice_indices, choice_nodes

NONE = Plan("none", 24.0, 1.0)


def test_map_node_equals_a_separate_run(walls):
    grid = DesignGrid(np.array([55.0, 70.0]), np.array([12.0, 72.0]), (NONE,))
    index = index_by_repeat(walls.wall(), grid, 50.0, repeats=16, seed=0)
    cover = distribution("normal", mean=70.0, sd=8.0, low=0.0)
    wall = walls.wall(changes={"reinforcement.cover": cover}, plans=(Plan("72 h", 72.0, 1.0),))
    curves = probability_curves(wall, horizon=60.0, kinks=(50.0,), points=4096, repeats=8, seed=0)
    assert_allclose(index.mean(axis=0)[0, 1, 1], curves.mean.at(50.0)[0, 0], rtol=0, atol=3e-3)


def test_fixed_cover_has_a_map(walls):
    grid = DesignGrid(np.array([55.0, 70.0]), np.array([24.0]), (NONE,))
    wall = walls.wall(changes={"reinforcement.cover": fixed(60.0)})
    index = index_by_repeat(wall, grid, 50.0, repeats=8, seed=0)
    assert np.all(index[:, 0, 0, 1] > index[:, 0, 0, 0] + 0.2)


def test_layered_map_is_finite(walls):
    grid = DesignGrid(np.array([50.0, 70.0]), np.array([12.0, 48.0]), (NONE,))
    index = index_by_repeat(walls.wall(layered=True), grid, 50.0, repeats=8, seed=0)
    assert np.all(np.diff(index, axis=2) > 0.0)
    assert np.all(np.diff(index, axis=3) > 0.0)


def test_shares_of_a_known_sum():
    # y = a c + b ln t on uniform ranges: variances a^2 w^2 / 12, and no interaction.
    nodes = choice_nodes((40.0, 80.0), (12.0, 96.0), (NONE,))
    c, t = nodes.grid.cover, nodes.grid.strip_age
    y = (0.03 * c[None, :] + 0.4 * np.log(t)[:, None])[None, None]
    shares = choice_indices(y, nodes.weights)
    v_c, v_t = (0.03 * 40.0) ** 2 / 12, (0.4 * np.log(8.0)) ** 2 / 12
    assert_allclose(shares.first[0], [0.0, v_t / (v_c + v_t), v_c / (v_c + v_t)], atol=1e-12)
    assert_allclose(shares.total[0], shares.first[0], atol=1e-12)
    assert_allclose(shares.second[0], 0.0, atol=1e-12)


def test_interaction_is_found():
    # y = x1 x2 with centred factors: all variance is second order.
    nodes = choice_nodes((-1.0, 1.0), (np.exp(-1.0), np.exp(1.0)), (NONE,))
    y = (nodes.grid.cover[None, :] * np.log(nodes.grid.strip_age)[:, None])[None, None]
    shares = choice_indices(y, nodes.weights)
    assert_allclose(shares.second[0], [0.0, 0.0, 1.0], atol=1e-12)
    assert_allclose(shares.total[0], [0.0, 1.0, 1.0], atol=1e-12)


def test_clipped_flat_index_is_undefined():
    nodes = choice_nodes((40.0, 80.0), (12.0, 96.0), (NONE,))
    shares = choice_indices(np.full((1, 1, 10, 10), 9.0), nodes.weights)
    assert np.all(np.isnan(shares.first))


def test_exchange_rate_put_back_gives_the_same_index(walls):
    wall = walls.wall()
    grid = exchange_grid(NONE, cover=60.0, strip_age=24.0)
    rates = exchange_rate(index_by_repeat(wall, grid, 50.0, repeats=8, seed=0))
    assert np.all(rates > 0.0)
    back = DesignGrid(np.array([60.0, 60.0 + rates[0]]), np.array([24.0, 48.0]), (NONE,))
    index = index_by_repeat(wall, back, 50.0, repeats=8, seed=0)[0, 0]
    assert_allclose(index[0, 1], index[1, 0], rtol=0, atol=1e-5)


def test_knowledge_points(walls):
    grid = DesignGrid(np.array([60.0]), np.array([24.0]), (NONE,))
    assert index_by_epistemic_point(walls.wall(), grid, 50.0, seed=0) is None
    found = index_by_epistemic_point(
        walls.wall(knowledge=("concrete.ageing_exponent",)), grid, 50.0, seed=0
    )
    assert found.shape == (64, 1, 1, 1)
    assert found.std() > 0.1


def test_exchange_rate_where_the_index_jumps_to_infinity():
    # nothing random but what the samples count: the index is a step, then infinite
    extra = np.linspace(0.0, 60.0, 31)
    step = np.where(extra < 30.0, 1.0, np.inf)
    ramp = np.where(extra < 30.0, 1.0 + extra, np.inf)
    later = np.array([[1.5], [1.0], [50.0], [3.0]])
    now = np.array([step, step, ramp, ramp])
    index = np.stack([now, np.broadcast_to(later, now.shape)], axis=1)[:, None]
    assert_allclose(exchange_rate(index), [np.nan, 0.0, np.nan, 2.0])


def test_exchange_rate_of_a_flat_start_that_ends_infinite():
    now = np.array([1.0, 1.0, np.inf, np.inf])
    index = np.stack([now, np.full(4, np.inf)])[None, None]
    assert np.isnan(exchange_rate(index)).all()


def test_maps_see_the_options_of_the_wall(walls):
    plain = walls.wall()
    factor = Input("model.front_factor", "", fixed(1.3), "", "concrete")
    deeper = replace(
        plain,
        inputs=(*plain.inputs, factor),
        conditions=ServiceConditions(model_factor=factor.name),
    )
    grid = DesignGrid(np.array([50.0, 60.0]), np.array([24.0]), (NONE,))
    usual, moved = (
        index_by_repeat(wall, grid, 50.0, repeats=8, seed=1) for wall in (plain, deeper)
    )
    assert np.all(moved < usual - 0.2)
    # the map of a coated wall is a run of its own
    laws = {"coating.resistance": fixed(3.0), "coating.life": fixed(20.0)}
    more = tuple(Input(name, "", law, "", "exposure") for name, law in laws.items())
    coating = CoatingInputs("coating.life", resistance="coating.resistance")
    coated = replace(
        plain,
        inputs=(*plain.inputs, *more),
        conditions=ServiceConditions(coating=coating, horizon=60.0),
    )
    shut = index_by_repeat(coated, grid, 50.0, repeats=8, seed=1)
    own = replace(coated, plans=(Plan("24 h", 24.0, 1.0),))
    curves = probability_curves(own, horizon=60.0, kinks=(50.0,), points=256, repeats=8, seed=0)
    assert_allclose(shut.mean(axis=0)[0, 0, 1], curves.mean.at([50.0])[0, 0], rtol=0, atol=0.03)
    assert np.all(shut > usual + 0.05)
