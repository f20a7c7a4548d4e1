"""Options of the physics in the curves: against plain Monte Carlo, limits and hand integrals."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from stripwise.distributions.distribution import distribution, fixed
from stripwise.distributions.random_input import Input
from stripwise.distributions.sampling import InputSampler, normal_block
from stripwise.ingress.surface_history.surface_chloride import SurfaceHistory
from stripwise.risk.model.service_conditions import ServiceConditions
from stripwise.risk.probability.cracking import cracking_curves
from stripwise.risk.probability.integral import front_depths, log_initiation_ages
from stripwise.risk.probability.plain_monte_carlo import monte_carlo_curves

AGES = np.array([8.0, 25.0, 50.0, 100.0])

CARBONATION = {
    "relative_humidity": distribution("beta", mean=72.0, sd=5.0, low=40.0, high=100.0),
    "inverse_resistance": distribution("normal", mean=2500.0, sd=700.0, low=0.0),
    "test_factor": distribution("normal", mean=1.25, sd=0.35, low=0.0),
    "test_error": distribution("normal", mean=315.5, sd=48.0),
    "co2": distribution("normal", mean=8.2e-4, sd=1e-4, low=0.0),
    "curing_exponent": distribution("normal", mean=-0.567, sd=0.024),
    "rain_share": fixed(0.0),
    "wet_share": fixed(0.0),
    "weather_exponent": fixed(0.446),
}

DURATION = Input(
    "exposure.surface_history.duration",
    "",
    distribution("lognormal", mean=15.0, cov=0.3),
    "yr",
    "exposure",
)
FACTOR = Input(
    "model.front_factor", "", distribution("lognormal", mean=1.0, cov=0.1), "", "concrete"
)
CRACKING = tuple(
    Input(f"cracking.{name}", "", law, "", "steel")
    for name, law in {
        "bar_diameter": fixed(16.0),
        "tensile_strength": distribution("normal", mean=2.8, sd=0.4, low=0.0),
        "corrosion_rate": distribution("lognormal", mean=30.0, sd=20.0),
        "wet_share": fixed(0.75),
    }.items()
)


def under(walls, *, conditions, more=(), **changes):
    plain = walls.wall(plans=(walls.PLANS[0], walls.PLANS[3]), **changes)
    return replace(plain, inputs=(*plain.inputs, *more), conditions=conditions)


def carbonation_inputs():
    return tuple(
        Input(f"carbonation.{name}", "", law, "", "exposure") for name, law in CARBONATION.items()
    )


CASES = {
    "linear rise": (
        ServiceConditions(history=SurfaceHistory("linear"), duration=DURATION.name),
        (DURATION,),
        {},
    ),
    "falling table and model factor": (
        ServiceConditions(
            history=SurfaceHistory("table", (0.0, 10.0, 25.0, 30.0), (0.3, 1.0, 1.0, 0.2)),
            model_factor=FACTOR.name,
        ),
        (FACTOR,),
        {},
    ),
    "both mechanisms": (ServiceConditions(carbonation=True), carbonation_inputs(), {}),
    "carbonation alone": (
        ServiceConditions(chloride=False, carbonation=True),
        carbonation_inputs(),
        {},
    ),
    "layered face and carbonation": (
        ServiceConditions(carbonation=True),
        carbonation_inputs(),
        {"layered": True},
    ),
    "rise over a skin": (
        ServiceConditions(history=SurfaceHistory("linear"), duration=DURATION.name),
        (DURATION,),
        {"layered": True},
    ),
    "rise over a skin at a fixed cover, both mechanisms": (
        ServiceConditions(
            history=SurfaceHistory("square root"),
            duration=DURATION.name,
            carbonation=True,
            model_factor=FACTOR.name,
        ),
        (DURATION, FACTOR, *carbonation_inputs()),
        {"layered": True, "changes": {"reinforcement.cover": fixed(45.0)}},
    ),
    "rise at a fixed cover": (
        ServiceConditions(history=SurfaceHistory("square root"), duration=DURATION.name),
        (DURATION,),
        {"changes": {"reinforcement.cover": fixed(55.0)}},
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_curves_equal_plain_monte_carlo_and_counted_initiation_ages(walls, case):
    conditions, more, changes = CASES[case]
    wall = under(walls, conditions=conditions, more=more, **changes)
    mean, error = walls.curves_at(wall, AGES, points=256)
    n = 8_000 if conditions.history is None else 4_000
    plain = monte_carlo_curves(wall, AGES, samples=n, seed=11)
    spread = np.sqrt(error**2 + np.maximum(mean * (1.0 - mean), 1.0 / n) / n)
    assert np.max(np.abs(plain - mean) / spread) < 4.5
    # initiation ages of other samples, inverted from the front instead of compared at an age
    sampler = InputSampler.from_inputs(wall.inputs, wall.correlations)
    values = sampler.values(normal_block(sampler.dimensions, n, np.random.default_rng(12)))
    starts = np.broadcast_to(log_initiation_ages(wall, wall.sample_block(values), values), (2, n))
    counted = np.array([[np.mean(one <= np.log(a)) for a in AGES] for one in starts])
    assert np.max(np.abs(counted - mean) / spread) < 4.5


def test_options_that_change_nothing_give_the_plain_curves(walls):
    plain = under(walls, conditions=None)
    mean, _ = walls.curves_at(plain, AGES, points=256)
    one = Input("model.front_factor", "", fixed(1.0), "", "concrete")
    flat = SurfaceHistory("table", (0.0, 1.0), (1.0, 1.0))
    for conditions, more in (
        (ServiceConditions(), ()),
        (ServiceConditions(model_factor=one.name), (one,)),
        (ServiceConditions(history=flat), ()),
    ):
        found, _ = walls.curves_at(under(walls, conditions=conditions, more=more), AGES, points=256)
        assert_allclose(found, mean, rtol=0, atol=1e-4)


def test_the_deeper_front_governs_sample_by_sample(walls):
    both = under(walls, conditions=ServiceConditions(carbonation=True), more=carbonation_inputs())
    sampler = InputSampler.from_inputs(both.inputs, both.correlations)
    values = sampler.values(normal_block(sampler.dimensions, 500, np.random.default_rng(2)))

    def depths(conditions):
        wall = replace(both, conditions=conditions)
        return np.array(front_depths(wall, wall.sample_block(values), 60.0))

    together = depths(ServiceConditions(carbonation=True))
    chloride = depths(None)
    carbonation = depths(ServiceConditions(chloride=False, carbonation=True))
    assert_allclose(together, np.maximum(chloride, carbonation), rtol=1e-12)
    assert np.any(carbonation > chloride)
    assert np.any(carbonation < chloride)


def test_cracking_equals_counting_and_follows_initiation(walls):
    wall = under(walls, conditions=None, more=CRACKING)
    ages = np.array([20.0, 50.0, 90.0])
    found = cracking_curves(wall, ages, repeats=8, seed=1, points=2048)
    mean = found.repeats.mean(axis=0)
    error = found.repeats.std(axis=0, ddof=1) / np.sqrt(8.0)
    # plain Monte Carlo of the same sentence: rate times wet time since depassivation passes x0
    n = 30_000
    sampler = InputSampler.from_inputs(wall.inputs, wall.correlations)
    v = sampler.values(normal_block(sampler.dimensions, n, np.random.default_rng(8)))
    starts = np.exp(log_initiation_ages(wall, wall.sample_block(v), v))
    loss = 74.4 + 7.3 * v["reinforcement.cover"] / 16.0 - 17.4 * v["cracking.tensile_strength"]
    later = starts + np.maximum(loss, 0.0) / (0.75 * v["cracking.corrosion_rate"])
    counted = np.array([[np.mean(one <= a) for a in ages] for one in later])
    spread = np.sqrt(error**2 + mean * (1.0 - mean) / n)
    assert np.max(np.abs(counted - mean) / spread) < 4.5
    started = np.array([[np.mean(one <= a) for a in ages] for one in starts])
    assert np.all(mean < started)
    assert found.epistemic is None


def test_a_fixed_corrosion_rate_counts(walls):
    steady = tuple(
        replace(i, distribution=fixed(30.0)) if i.name.endswith("rate") else i for i in CRACKING
    )
    wall = under(walls, conditions=None, more=steady, knowledge=("curing.law",))
    found = cracking_curves(wall, [50.0], repeats=8, seed=1, points=512)
    assert np.all((found.repeats > 0.0) & (found.repeats < 1.0))
    assert found.epistemic is not None
    assert found.epistemic.shape == (64, 2, 1)
