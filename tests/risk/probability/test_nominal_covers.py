"""Many covers at once against the one-cover path of the curves, and against a closed answer."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import special

from stripwise.distributions.distribution import distribution, fixed
from stripwise.distributions.random_input import Correlation, Input
from stripwise.ingress.finite_volume.finite_volume_solver import Grid
from stripwise.risk.model.service_conditions import CoatingInputs, ServiceConditions
from stripwise.risk.model.wall import COVER, Plan
from stripwise.risk.probability import sampled_ages
from stripwise.risk.probability.curves import probability_curves
from stripwise.risk.probability.nominal_covers import (
    SamplingOptions,
    probability_by_epistemic_point,
    probability_by_repeat,
    shifted_cover,
)

pytestmark = pytest.mark.usefixtures("few_rare_points")

PLANS = (Plan("12 h", 12.0, 1.0), Plan("72 h", 72.0, 1.0))
SAMPLE = SamplingOptions(1024, 8, 3)


def separate_run(wall, cover, age, sample=SAMPLE):
    """Probability by repeat of a run of its own at another nominal cover, same seed."""
    inputs = tuple(
        type(item)(item.name, item.label, shifted_cover(wall, cover), item.unit, item.group)
        if item.name == COVER
        else item
        for item in wall.inputs
    )
    curves = probability_curves(
        replace(wall, inputs=inputs),
        horizon=60.0,
        kinks=(age,),
        points=sample.points,
        repeats=sample.repeats,
        seed=sample.seed,
    )
    return special.ndtr(-curves.index_by_repeat([age])[..., 0])


@pytest.mark.parametrize(
    "cover",
    [
        distribution("normal", mean=60.0, sd=8.0, low=0.0),
        distribution("normal", mean=60.0, sd=8.0),
        distribution("lognormal", mean=60.0, sd=8.0),
        distribution("beta", mean=60.0, sd=6.0, low=40.0, high=90.0),
        distribution("gamma", mean=60.0, sd=10.0),
    ],
    ids=lambda law: law.family,
)
def test_nodes_equal_separate_runs_of_the_same_seed(walls, monkeypatch, cover):
    # Own definition, no outside source: a node is the run that it stands for. The tables of the
    # curves and of the map interpolate the cover's law, each within 1e-7.
    monkeypatch.setattr(sampled_ages, "PILOT_POINTS", 512)
    wall, few = walls.wall(changes={COVER: cover}, plans=PLANS), SamplingOptions(256, 8, 3)
    p = probability_by_repeat(wall, np.array([50.0, 65.0]), np.array([10.0, 50.0]), sample=few)
    for c, nominal in enumerate((50.0, 65.0)):
        assert_allclose(p[:, :, 1, c], separate_run(wall, nominal, 50.0, few), rtol=0, atol=3e-7)


def test_sorting_the_fronts_equals_integrating_each(walls):
    from stripwise.distributions.sampling import random_stream, sobol_blocks
    from stripwise.risk.probability.integral import Integral
    from stripwise.risk.probability.nominal_covers import _CoverIntegrals

    wall = walls.wall(plans=PLANS)
    integral, sampler = Integral.from_wall(wall)
    over = _CoverIntegrals.from_covers(wall, integral, np.array([45.0, 60.0, 90.0]))
    z = next(sobol_blocks(sampler.dimensions, 512, random_stream(0, stage="main", index=(0,))))
    values, ages = sampler.values(z), np.array([2.0, 50.0])
    (sorted_first,) = over.probability(over.sums(values, 0.0, ages))
    one_by_one = over._one_by_one(values, 0.0, ages)
    assert_allclose(sorted_first, one_by_one, rtol=2e-5, atol=1e-9)
    assert one_by_one.min() < 1e-5
    assert one_by_one.max() > 0.3


@pytest.mark.parametrize("case", ["correlated", "fixed", "layered"])
def test_other_ways_to_integrate_agree_with_a_run(walls, case):
    more = {
        "correlated": {"correlations": (Correlation(COVER, "concrete.diffusivity", 0.4),)},
        "fixed": {"changes": {COVER: fixed(60.0)}},
        "layered": {"layered": True},
    }[case]
    wall = walls.wall(plans=PLANS, **more)
    p = probability_by_repeat(wall, np.array([66.0]), np.array([50.0]), sample=SAMPLE)[:, :, 0, 0]
    other = separate_run(wall, 66.0, 50.0)
    if case == "layered":  # a run integrates the diffusivity there: another sample of the same
        error = np.hypot(p.std(axis=0, ddof=1), other.std(axis=0, ddof=1)) / np.sqrt(len(p))
        assert np.all(np.abs(p.mean(axis=0) - other.mean(axis=0)) < 5.0 * error)
    else:
        assert_allclose(p, other, rtol=0, atol=3e-6)


@pytest.mark.threads
def test_workers_do_not_change_a_bit(walls):
    wall = walls.wall(plans=PLANS, knowledge=("concrete.ageing_exponent",))
    one, two = (SamplingOptions(1024, 8, 3, "main", w) for w in (1, 2))
    at = np.array([55.0, 65.0]), np.array([50.0])
    assert np.array_equal(
        probability_by_repeat(wall, *at, sample=one), probability_by_repeat(wall, *at, sample=two)
    )
    assert np.array_equal(
        probability_by_epistemic_point(wall, *at, sample=one),
        probability_by_epistemic_point(wall, *at, sample=two),
    )


def test_no_knowledge_inputs_no_knowledge(walls):
    assert (
        probability_by_epistemic_point(
            walls.wall(), np.array([60.0]), np.array([50.0]), sample=SAMPLE
        )
        is None
    )


def lognormal_wall(walls, *, cover):
    """A wall whose front is lognormal: a lognormal diffusivity and nothing else random."""
    names = ("surface_chloride", "convection_zone")
    changes = {f"exposure.{name}": fixed(v) for name, v in zip(names, (3.0, 0.0), strict=True)}
    changes |= {
        "concrete.diffusivity": distribution("lognormal", mean=150.0, cov=0.5),
        "concrete.ageing_exponent": fixed(0.4),
        "concrete.temperature_coefficient": fixed(4800.0),
        "reinforcement.critical_chloride": fixed(0.6),
        "curing.law": fixed(0.5),
        "curing.early_slope": fixed(0.0),
        "curing.retention.sheet.vertical": fixed(0.0),
        COVER: cover,
    }
    return walls.wall(changes=changes, plans=(Plan("7 d", 168.0, 1.0),))


def test_lognormal_cover_and_front_have_a_closed_answer(walls):
    # ln c and ln x_c normal: P = Phi((E ln x - E ln c) / sqrt(var ln x + var ln c)); textbook
    # result for a ratio of lognormals (Ang and Tang, Probability Concepts in Engineering,
    # recalled). k_c is 1 after 7 d, so x_c = 2 z sqrt(k_e D (t_ref/t)^a t).
    wall = lognormal_wall(walls, cover=distribution("lognormal", mean=60.0, sd=8.0))
    covers, age = np.array([50.0, 60.0, 75.0]), 50.0
    k_e = np.exp(4800.0 * (1.0 / 293.0 - 1.0 / 283.15))
    z = special.erfcinv((0.6 - 0.1) / (3.0 - 0.1))
    shape = (28.0 / 365.25 / age) ** 0.4 * age
    var_d = np.log1p(0.5**2)
    mean_x = np.log(2.0 * z) + 0.5 * np.log(k_e * shape) + 0.5 * (np.log(150.0) - 0.5 * var_d)
    var_c = np.log1p((8.0 / covers) ** 2)
    mean_c = np.log(covers) - 0.5 * var_c
    exact = special.ndtr((mean_x - mean_c) / np.sqrt(0.25 * var_d + var_c))
    p = probability_by_repeat(wall, covers, np.array([age]), sample=SamplingOptions(16384, 8, 1))[
        :, 0, 0
    ]
    error = p.std(axis=0, ddof=1) / np.sqrt(len(p))
    assert np.all(error < 3e-6)
    assert np.all(np.abs(p.mean(axis=0) - exact) < 4.0 * error)


@pytest.mark.parametrize("sd", [0.01, 400.0])
def test_a_cover_of_hardly_any_or_any_scatter_equals_separate_runs(walls, sd):
    # the grid of depths would need more steps than it may have
    cover = distribution("normal", mean=60.0, sd=sd, low=0.0)
    wall = walls.wall(changes={COVER: cover})
    covers = np.array([45.0, 75.0])
    p = probability_by_repeat(
        wall, covers, np.array([50.0]), sample=SamplingOptions(256, 8, seed=0)
    )
    for c, mean in enumerate(covers):
        own = walls.wall(changes={COVER: shifted_cover(wall, mean)})
        alone = probability_by_repeat(
            own, np.array([mean]), np.array([50.0]), sample=SamplingOptions(256, 8, seed=0)
        )
        assert_allclose(p[..., c], alone[..., 0], rtol=0, atol=1e-9)
        assert p[..., c].mean() > 0.0


def test_index_rises_with_cover_and_strip_age_over_a_skin(walls):
    wall = walls.wall(layered=True, plans=(Plan("12 h", 12.0, 1.0), Plan("48 h", 48.0, 1.0)))
    p = probability_by_repeat(
        wall, np.array([50.0, 70.0]), np.array([50.0]), sample=SamplingOptions(512, 8, 0)
    )
    assert np.all(np.diff(p, axis=3) < 0.0)
    assert np.all(np.diff(p, axis=1) < 0.0)


def test_epistemic_points_spread(walls):
    wall = walls.wall(knowledge=("concrete.ageing_exponent",), plans=PLANS[:1])
    p = probability_by_epistemic_point(
        wall, np.array([60.0]), np.array([50.0]), sample=SamplingOptions(1024, 1, 0)
    )
    assert p.shape == (64, 1, 1, 1)
    assert special.ndtri(p).std() > 0.1


def test_every_cover_sees_the_options_of_the_wall(walls):
    plain = walls.wall(plans=(Plan("24 h", 24.0, 1.0),))
    factor = Input("model.front_factor", "", fixed(1.3), "", "concrete")
    deeper = replace(
        plain,
        inputs=(*plain.inputs, factor),
        conditions=ServiceConditions(model_factor=factor.name),
    )
    # the map of a coated wall is a run of its own
    laws = {"coating.resistance": fixed(3.0), "coating.life": fixed(20.0)}
    more = tuple(Input(name, "", law, "", "exposure") for name, law in laws.items())
    coating = CoatingInputs("coating.life", resistance="coating.resistance")
    coated = replace(
        plain,
        inputs=(*plain.inputs, *more),
        conditions=ServiceConditions(coating=coating, horizon=60.0, grid=Grid(24, 6, 8)),
    )
    covers, age = np.array([50.0, 60.0]), np.array([50.0])

    def index(wall, points):
        p = probability_by_repeat(wall, covers, age, sample=SamplingOptions(points, 8, 1))
        return -special.ndtri(p[:, 0, 0])

    usual, moved, shut = index(plain, 2048), index(deeper, 2048), index(coated, 256)
    assert np.all(moved < usual - 0.2)
    assert np.all(shut > usual + 0.05)
    curves = probability_curves(coated, horizon=60.0, kinks=(50.0,), points=256, repeats=8, seed=0)
    assert_allclose(shut.mean(axis=0)[1], curves.mean.at([50.0])[0, 0], rtol=0, atol=0.03)
