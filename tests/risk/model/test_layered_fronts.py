"""Layers and coatings in the curves: against plain Monte Carlo, limits and closed forms."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from stripwise.distributions.distribution import distribution, fixed
from stripwise.distributions.random_input import Input
from stripwise.distributions.sampling import InputSampler, normal_block, sobol_blocks
from stripwise.ingress.finite_volume.face_layers import FaceLayers
from stripwise.ingress.finite_volume.finite_volume_solver import Grid
from stripwise.ingress.transformed_time import AgeingLaw
from stripwise.risk.model.layered_fronts import PENALTY_NODES, build_face_layers
from stripwise.risk.model.service_conditions import (
    CoatingInputs,
    LayerInputs,
    ServiceConditions,
    ServiceSample,
)
from stripwise.risk.model.wall import COVER, MEAN_COVER_OFFSET
from stripwise.risk.probability.integral import Integral, front_depths, log_initiation_ages
from stripwise.risk.probability.plain_monte_carlo import monte_carlo_curves

AGES = np.array([8.0, 30.0, 80.0])
LAWS = {
    "layer[1].thickness": distribution("normal", mean=12.0, sd=2.0, low=0.0),
    "layer[1].diffusivity_factor": distribution("lognormal", mean=0.6, cov=0.2),
    "layer[2].thickness": fixed(10.0),
    "layer[2].penalty_share": fixed(0.4),
    "coating.resistance": distribution("lognormal", mean=1.0, cov=0.5),
    "coating.life": distribution("weibull", mean=20.0, sd=6.0),
    "model.front_factor": distribution("lognormal", mean=1.0, cov=0.1),
}
MORE = tuple(Input(name, name, law, "", "concrete") for name, law in LAWS.items())
LAYERS = (
    LayerInputs("layer[1].thickness", "layer[1].diffusivity_factor"),
    LayerInputs("layer[2].thickness", penalty_share="layer[2].penalty_share"),
)
COATING = CoatingInputs("coating.life", resistance="coating.resistance")
COARSE = Grid(24, 6, 8)
"""Where both sides are solved on the same grid: its own error is held elsewhere."""


def conditions_of(grid=COARSE, **options):
    return ServiceConditions(horizon=100.0, grid=grid, **options)


def under(walls, *, conditions, more=MORE, **changes):
    plain = walls.wall(plans=(walls.PLANS[0], walls.PLANS[3]), **changes)
    return replace(plain, inputs=(*plain.inputs, *more), conditions=conditions)


CASES = {
    "layers": (conditions_of(layers=LAYERS), {}),
    "coating": (conditions_of(coating=COATING), {}),
    "layers, coating, skin and model factor": (
        conditions_of(layers=LAYERS, coating=COATING, model_factor="model.front_factor"),
        {"layered": True},
    ),
    "coating, ageing read as of the instant and ended": (
        conditions_of(coating=COATING),
        {"ageing_law": AgeingLaw(convention="instantaneous", ageing_ends=25.0)},
    ),
    "coating at a fixed cover": (
        conditions_of(coating=COATING),
        {"changes": {"reinforcement.cover": fixed(55.0)}},
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_curves_equal_contents_counted_and_initiation_ages(walls, case):
    conditions, changes = CASES[case]
    wall = under(walls, conditions=conditions, **changes)
    mean, error = walls.curves_at(wall, AGES)
    n = 1_500
    # the content at the bars instead of the depth of the front, with pseudo-random samples
    plain = monte_carlo_curves(wall, AGES, samples=n, seed=11)
    spread = np.sqrt(error**2 + np.maximum(mean * (1.0 - mean), 1.0 / n) / n)
    assert np.max(np.abs(plain - mean) / spread) < 4.5
    sampler = InputSampler.from_inputs(wall.inputs, wall.correlations)
    values = sampler.values(normal_block(sampler.dimensions, n, np.random.default_rng(12)))
    starts = np.broadcast_to(log_initiation_ages(wall, wall.sample_block(values), values), (2, n))
    counted = np.array([[np.mean(one <= np.log(a)) for a in AGES] for one in starts])
    assert np.max(np.abs(counted - mean) / spread) < 4.5


@pytest.mark.parametrize("skin", [False, True])
def test_layers_that_change_nothing_give_the_closed_forms(walls, skin):
    # one layer of factor 1 is the uniform face, or that of the image series
    plain = under(walls, conditions=None, layered=skin)
    layer = LayerInputs("layer[1].thickness")
    same = replace(plain, conditions=ServiceConditions(layers=(layer,), horizon=100.0))
    sampler = InputSampler.from_inputs(plain.inputs, plain.correlations)
    values = sampler.values(normal_block(sampler.dimensions, 400, np.random.default_rng(2)))
    block, other = plain.sample_block(values), same.sample_block(values)
    for age in (5.0, 40.0, 100.0):
        exact = np.array(front_depths(plain, block, age))
        found = np.array(front_depths(same, other, age))
        assert np.sqrt(np.mean((found - exact) ** 2)) < 0.05
        assert np.max(np.abs(found - exact)) < 0.5


@pytest.mark.parametrize("nothing", ["coating.life", "coating.resistance"])
def test_a_coating_of_no_life_or_no_resistance_gives_the_bare_wall(walls, nothing):
    changes = {nothing: fixed(0.0)}
    more = tuple(replace(i, distribution=changes.get(i.name, i.distribution)) for i in MORE)
    bare = under(walls, conditions=None, more=more)
    none = replace(bare, conditions=ServiceConditions(coating=COATING, horizon=100.0))
    found, _ = walls.curves_at(none, AGES, points=128, repeats=2)
    exact, _ = walls.curves_at(bare, AGES, points=128, repeats=2)
    assert_allclose(found, exact, rtol=0, atol=1e-3)


def test_a_tight_coating_puts_the_clock_back_without_ageing(walls):
    # constant diffusivity: nothing enters for 20 yr, then the wall is as a bare one 20 yr younger
    changes = {"coating.life": fixed(20.0), "coating.resistance": fixed(1e9)}
    more = tuple(replace(i, distribution=changes.get(i.name, i.distribution)) for i in MORE)
    still = {"changes": {"concrete.ageing_exponent": fixed(0.0)}}
    bare = under(walls, conditions=None, more=more, **still)
    coated = replace(bare, conditions=ServiceConditions(coating=COATING, horizon=100.0))
    found, _ = walls.curves_at(coated, np.array([10.0, 19.9, *AGES + 20.0]), points=128, repeats=2)
    exact, _ = walls.curves_at(bare, AGES, points=128, repeats=2)
    assert_allclose(found[:, 2:], exact, rtol=0, atol=2e-3)
    # contents that start above the critical one aside, nothing is depassivated under it
    assert np.all(found[:, :2] < 1e-6)


def test_every_coating_delays(walls):
    coated = under(walls, conditions=ServiceConditions(coating=COATING, horizon=100.0))
    bare = under(walls, conditions=None)
    found, _ = walls.curves_at(coated, AGES, points=128, repeats=2)
    exact, _ = walls.curves_at(bare, AGES, points=128, repeats=2)
    assert np.all(found < exact)


def test_strata_put_layers_skin_and_zone_together():
    service = ServiceSample(1.0, None, (), 0.0, 1.0, layers=((10.0, 0.5, 1.0), (20.0, 1.0, 0.5)))
    log_k = np.log(4.0)
    whole = build_face_layers(service, zone=0.0, skin=np.inf, log_penalty=log_k, size=1)
    assert_allclose(whole.thickness[:, 0], [10.0, 20.0])
    assert_allclose(whole.factor[:, 0], [2.0, 2.0, 4.0])
    skin = build_face_layers(service, zone=4.0, skin=15.0, log_penalty=log_k, size=1)
    assert_allclose(skin.thickness[:, 0], [6.0, 5.0, 15.0])
    assert_allclose(skin.factor[:, 0], [2.0, 2.0, 1.0, 1.0])
    deep = build_face_layers(service, zone=12.0, skin=40.0, log_penalty=log_k, size=1)
    assert_allclose(deep.thickness[:, 0], [0.0, 18.0, 10.0])
    assert_allclose(deep.factor[:, 0], [2.0, 2.0, 4.0, 1.0])
    none = build_face_layers(
        ServiceSample(1.0, None, (), 0.0, 1.0), zone=0.0, skin=np.inf, log_penalty=log_k, size=2
    )
    assert none.thickness.shape == (0, 2)
    assert_allclose(none.factor, [[4.0, 4.0]])
    assert isinstance(none, FaceLayers)


@pytest.mark.parametrize("skin", [False, True])
@pytest.mark.parametrize("coating", [None, COATING])
def test_layers_begin_at_the_surface_where_the_mean_cover_is_uncertain(walls, skin, coating):
    # 8 mm less cover than stated is a face of a mean cover 8 mm less, layers and coating the same
    conditions = ServiceConditions(
        layers=LAYERS, coating=coating, horizon=100.0, model_factor="model.front_factor"
    )
    changes = {COVER: fixed(60.0), "exposure.convection_zone": fixed(4.0)}
    stated = under(walls, conditions=conditions, layered=skin, changes=changes)
    thin = under(
        walls, conditions=conditions, layered=skin, changes={**changes, COVER: fixed(52.0)}
    )
    offset = Input(MEAN_COVER_OFFSET, "", fixed(-8.0), "mm", "cover")
    moved = replace(stated, inputs=(*stated.inputs, offset))
    sampler = InputSampler.from_inputs(stated.inputs, stated.correlations)
    z = normal_block(sampler.dimensions, 300, np.random.default_rng(4))
    starts = []
    for wall in (thin, moved):
        values = InputSampler.from_inputs(wall.inputs, wall.correlations).values(z)
        starts.append(log_initiation_ages(wall, wall.sample_block(values), values))
    assert_allclose(starts[1], starts[0], rtol=0, atol=1e-9)
    assert 0.1 < np.isfinite(starts[0]).mean() < 1.0


@pytest.mark.parametrize("case", [name for name in CASES if "fixed cover" not in name])
def test_many_strategies_are_read_off_a_few_solutions(walls, case):
    conditions, changes = CASES[case]
    wall = under(walls, conditions=conditions, **changes)
    ages = np.geomspace(10.0, 168.0, 2 * PENALTY_NODES)
    many = wall.with_plans(tuple(replace(walls.PLANS[0], strip_age=float(a)) for a in ages))
    integral, sampler = Integral.from_wall(many)
    z = next(iter(sobol_blocks(sampler.dimensions, 256, np.random.default_rng(9))))
    values, score_mean = sampler.values(z), integral.conditional_mean(sampler.correlate(z))

    def of(wall):
        flags = np.zeros((len(wall.plans), len(AGES)), dtype=bool)
        block = wall.sample_block(values)
        p = integral.probabilities(wall, block, values, score_mean, ages=AGES, upper=flags)
        return p, [front_depths(wall, block, float(age)) for age in AGES[1:]]

    found, depths = of(many)
    alone = [of(many.with_plans((plan,))) for plan in many.plans]
    assert len(many.plans) > PENALTY_NODES
    # measured: 1e-4 in P, 0.005 mm on average; the default grid's own error is larger
    assert_allclose(found, [p[0] for p, _ in alone], rtol=0, atol=4e-4)
    for j in range(len(AGES) - 1):
        moved = [np.abs(depths[j][i] - alone[i][1][j][0]) for i in range(len(many.plans))]
        assert np.mean(moved) < 0.02
