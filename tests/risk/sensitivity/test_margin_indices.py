import numpy as np
import pytest
from numpy.testing import assert_allclose
from SALib.analyze import sobol as salib_sobol
from scipy.special import erfcinv, ndtr, ndtri
from scipy.stats import sobol_indices as scipy_sobol
from scipy.stats import uniform

from stripwise.distributions.distribution import distribution, fixed
from stripwise.distributions.random_input import Correlation
from stripwise.distributions.sampling import random_stream, sobol_blocks
from stripwise.risk.model.wall import Plan
from stripwise.risk.probability.curves import t_interval
from stripwise.risk.sensitivity.margin_indices import margin_indices, sobol_indices


def ishigami(z):
    x = np.pi * (2.0 * ndtr(z) - 1.0)
    return (np.sin(x[0]) + 7.0 * np.sin(x[1]) ** 2 + 0.1 * x[2] ** 4 * np.sin(x[0]))[None]


def test_ishigami():
    # Ishigami and Homma 1990, a = 7, b = 0.1; exact indices as in Saltelli et al. 2008 (recalled,
    # recomputed from the closed form).
    first, total = sobol_indices(
        ishigami, [[0], [1], [2]], dimensions=3, points=4096, repeats=16, seed=0
    )
    for found, exact in ((first, (0.3139, 0.4424, 0.0)), (total, (0.5576, 0.4424, 0.2437))):
        mean, _, high = t_interval(found[..., 0])
        assert np.all(np.abs(mean - exact) <= 2.0 * (high - mean) + 5e-5)
        assert np.all(high - mean < 0.01)


def test_g_function():
    # Sobol' g-function, closed form: V_i = 1 / (3 (1 + a_i)^2).
    a = np.array([0.0, 1.0, 4.5, 9.0])
    v = 1.0 / (3.0 * (1.0 + a) ** 2)
    variance = np.prod(1.0 + v) - 1.0
    exact_total = v * np.prod(1.0 + v) / (1.0 + v) / variance

    def g(z):
        return np.prod((np.abs(4 * ndtr(z) - 2) + a[:, None]) / (1 + a[:, None]), axis=0)[None]

    first, total = sobol_indices(
        g, [[i] for i in range(4)], dimensions=4, points=4096, repeats=16, seed=3
    )
    for found, exact in ((first, v / variance), (total, exact_total)):
        mean, _, high = t_interval(found[..., 0])
        assert np.all(np.abs(mean - exact) <= 2.0 * (high - mean) + 1e-4)


def test_same_numbers_as_salib_on_the_same_design():
    points, d = 1024, 3
    first, total = sobol_indices(
        ishigami, [[0], [1], [2]], dimensions=d, points=points, repeats=1, seed=4
    )
    z = np.concatenate(
        list(sobol_blocks(2 * d, points, random_stream(4, stage="sensitivity", index=(0,)))), 1
    )
    a, b = z[:d], z[d:]
    rows = []
    for n in range(points):
        rows.append(a[:, n])
        for i in range(d):
            mixed = a[:, n].copy()
            mixed[i] = b[i, n]
            rows.append(mixed)
        rows.append(b[:, n])
    y = ishigami(np.array(rows).T)[0]
    problem = {"num_vars": d, "names": ["a", "b", "c"], "bounds": [[0, 1]] * d}
    salib = salib_sobol.analyze(problem, y, calc_second_order=False, num_resamples=2, seed=1)
    assert_allclose(first[0, :, 0], salib["S1"], rtol=0, atol=1e-12)
    assert_allclose(total[0, :, 0], salib["ST"], rtol=0, atol=1e-12)


def test_agrees_with_scipy():
    def model(x):
        return ishigami(ndtri(x))

    dists = [uniform(), uniform(), uniform()]
    scipy_result = scipy_sobol(func=model, n=8192, dists=dists, rng=np.random.default_rng(1))
    first, total = sobol_indices(
        ishigami, [[0], [1], [2]], dimensions=3, points=4096, repeats=8, seed=0
    )
    assert_allclose(first.mean(axis=0)[:, 0], scipy_result.first_order, rtol=0, atol=0.02)
    assert_allclose(total.mean(axis=0)[:, 0], scipy_result.total_order, rtol=0, atol=0.02)


def test_cover_share_is_the_exact_ratio_of_variances(walls):
    wall = walls.wall()
    by_input, by_group = margin_indices(wall, 50.0, repeats=16, seed=0)
    cover = next(i for i in by_input if i.label == "reinforcement.cover")
    _, low, high = t_interval(cover.total - cover.first)
    assert np.all((low <= 1e-3) & (high >= -1e-3))
    group = next(i for i in by_group if i.label == "cover")
    assert_allclose(group.total, cover.total, rtol=0, atol=0)
    assert {g.label for g in by_group} == {"cover", "curing", "concrete", "exposure", "steel"}
    sums = sum(i.first.mean(axis=0) for i in by_group)
    assert np.all(sums < 1.02)


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
    by_input, by_group = margin_indices(wall, 50.0, repeats=16, seed=5)
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
    for item in by_input:
        for found, part in zip((item.first, item.total), exact[item.label], strict=True):
            mean, _, high = t_interval(found[:, 0])
            assert abs(mean - part / variance) <= 2.0 * (high - mean) + 1e-4
            assert high - mean < 0.01
    concrete = next(item for item in by_group if item.label == "concrete")
    mean, _, high = t_interval(concrete.total[:, 0])
    assert abs(mean - (1.0 - 12.0**2 / variance)) <= 2.0 * (high - mean) + 1e-4


def test_correlated_inputs_move_together(walls):
    tie = Correlation("concrete.diffusivity", "exposure.surface_chloride", 0.5)
    by_input, by_group = margin_indices(walls.wall(correlations=(tie,)), 50.0, repeats=8, seed=0)
    status = {i.label: i.status[0] for i in (*by_input, *by_group)}
    assert status["concrete.diffusivity"] == "undefined: correlated"
    assert status["concrete"] == "undefined: correlated"
    assert status["cover"] in ("ok", "wide")
    joint = [label for label in status if label.startswith("correlated: ")]
    assert len(joint) == 1
    assert status[joint[0]] in ("ok", "wide")


def test_no_variance_is_undefined_and_not_zero():
    first, _ = sobol_indices(
        lambda z: np.ones((1, z.shape[1])), [[0]], dimensions=1, points=64, repeats=2, seed=0
    )
    assert np.all(np.isnan(first))


@pytest.mark.parametrize("seed", [0, 1])
def test_linear_model(seed):
    first, total = sobol_indices(
        lambda z: (3.0 * z[0] + 4.0 * z[1] + 1000.0)[None],
        [[0], [1]],
        dimensions=2,
        points=1024,
        repeats=8,
        seed=seed,
    )
    assert_allclose(first.mean(axis=0)[:, 0], [0.36, 0.64], rtol=0, atol=0.005)
    assert_allclose(total.mean(axis=0)[:, 0], [0.36, 0.64], rtol=0, atol=0.005)


@pytest.mark.parametrize("workers", [1, 2])
def test_infinite_outputs_are_undefined_without_a_warning(workers):
    def depth(z):
        return np.array([np.where(z[0] > 0.0, np.inf, z[0]), z[0] + z[1]])

    first, _ = sobol_indices(
        depth, [[0], [1]], dimensions=2, points=256, repeats=8, seed=0, workers=workers
    )
    assert np.isnan(first[:, :, 0]).all()
    assert_allclose(first[:, :, 1].mean(axis=0), 0.5, rtol=0, atol=0.05)


def test_interval_of_infinite_values_is_open():
    mean, low, high = t_interval(np.full((8, 1), np.inf))
    assert np.isinf(mean).all()
    assert np.isnan(low).all()
    assert np.isnan(high).all()
