from itertools import pairwise

import numpy as np
import pytest
from numpy.testing import assert_allclose
from SALib.analyze import sobol as salib_sobol
from scipy.special import ndtr, ndtri
from scipy.stats import multivariate_normal, uniform
from scipy.stats import sobol_indices as scipy_sobol

from stripwise.distributions.sampling import random_stream, sobol_blocks
from stripwise.risk.probability.intervals import t_interval
from stripwise.risk.sensitivity.sobol import (
    AdditiveColumn,
    SobolDesign,
    accumulate_sums,
    indices_from_sums,
    output_shift,
)


def ishigami(z):
    x = np.pi * (2.0 * ndtr(z) - 1.0)
    return (np.sin(x[0]) + 7.0 * np.sin(x[1]) ** 2 + 0.1 * x[2] ** 4 * np.sin(x[0]))[None]


SINGLES = tuple((i,) for i in range(3))
PAIRS = ((0, 1), (0, 2), (1, 2))


def run(model, layout, *, points=2048, repeats=16, seed=0, shift=None, outputs=1):
    shift = np.zeros(outputs) if shift is None else shift
    sums = accumulate_sums(
        model, layout, start=0, points=points, repeats=repeats, seed=seed, shift=shift
    )
    return indices_from_sums(sums, layout, shift=shift)


def near(found, exact, *, slack=2e-4):
    mean, _, high = t_interval(found)
    assert np.all(np.abs(mean - exact) <= 2.0 * (high - mean) + slack), (mean, exact)


def test_ishigami_with_second_order():
    # Ishigami and Homma 1990, a = 7, b = 0.1: V1 = 4.3459, V2 = 6.125, V13 = 3.3745 of 13.8446
    # (closed form, recalled).
    found = run(ishigami, SobolDesign(3, SINGLES, 1, pairs=PAIRS), points=4096)
    near(found.first[..., 0], [0.3139, 0.4424, 0.0])
    near(found.total[..., 0], [0.5576, 0.4424, 0.2437])
    near(found.second[..., 0], [0.0, 0.2437, 0.0])
    near(found.mean, 3.5, slack=0.0)
    near(found.variance, 13.8446, slack=0.0)


def test_g_function():
    # Sobol' g-function, V_i = 1 / (3 (1 + a_i)^2) (closed form, recalled).
    a = np.array([0.0, 1.0, 4.5, 9.0])
    v = 1.0 / (3.0 * (1.0 + a) ** 2)
    variance = np.prod(1.0 + v) - 1.0

    def g(z):
        return np.prod((np.abs(4 * ndtr(z) - 2) + a[:, None]) / (1 + a[:, None]), axis=0)[None]

    sets = tuple((i,) for i in range(4))
    found = run(g, SobolDesign(4, sets, 1, pairs=((0, 1),)), points=4096)
    near(found.first[..., 0], v / variance)
    near(found.total[..., 0], v * np.prod(1.0 + v) / (1.0 + v) / variance)
    near(found.second[..., 0], [v[0] * v[1] / variance])


def test_linear_gaussian_and_product_of_lognormals_at_once():
    # Two outputs through one pass. Linear: S_i = b_i^2 / sum. Product of lognormals with log sds s:
    # closed S_u = prod(exp(s_i^2), i in u) - 1 over prod - 1, total one minus closed of the rest.
    b, s = np.array([3.0, 2.0, 1.0]), np.array([0.5, 0.3, 0.2])

    def both(z):
        return np.array([b @ z + 1000.0, np.exp(s @ z)])

    found = run(
        both, SobolDesign(3, (*SINGLES, (0, 1)), 2), outputs=2, shift=np.array([1000.0, 1.0])
    )
    share = b**2 / np.sum(b**2)
    near(found.first[:, :3, 0], share)
    near(found.total[:, :3, 0], share)
    near(found.first[:, 3, 0], share[0] + share[1])
    e = np.exp(s**2)
    whole = np.prod(e) - 1.0
    near(found.first[:, :3, 1], (e - 1.0) / whole)
    near(found.total[:, :3, 1], 1.0 - (np.prod(e) / e - 1.0) / whole)
    near(found.first[:, 3, 1], (e[0] * e[1] - 1.0) / whole)
    assert_allclose(found.mean[:, 0], 1000.0, rtol=0, atol=0.02)


def gaussian_event(b, beta, shared):
    """Closed index of the event b'z >= beta |b|: two events that share some inputs are a pair of
    normals with the shared part of the variance as correlation."""
    rho = sum(b[i] ** 2 for i in shared) / np.sum(b**2)
    p = ndtr(-beta)
    both = multivariate_normal([0, 0], [[1, rho], [rho, 1]]).cdf([-beta, -beta])
    return (both - p * p) / (p * (1 - p))


@pytest.mark.parametrize("beta", [0.0, 1.5])
def test_indices_of_an_event_with_one_input_integrated(beta):
    # Exact by the bivariate normal distribution; input 2 is integrated out of the event.
    b = np.array([1.0, 0.5, 1.2])
    size = np.linalg.norm(b)

    def p(z):
        return ndtr((z[0] + 0.5 * z[1] - beta * size) / 1.2)[None]

    sets = (*SINGLES, (0, 2), (0, 1))
    found = run(p, SobolDesign(3, sets, 0, 2, pairs=PAIRS), points=4096)
    near(found.first[..., 0], [gaussian_event(b, beta, u) for u in sets], slack=5e-4)
    rest = ((1, 2), (0, 2), (0, 1), (1,), (2,))
    near(found.total[..., 0], [1.0 - gaussian_event(b, beta, u) for u in rest], slack=5e-4)
    pair = [
        gaussian_event(b, beta, (i, j)) - sum(gaussian_event(b, beta, (k,)) for k in (i, j))
        for i, j in PAIRS
    ]
    near(found.second[..., 0], pair, slack=5e-4)


def salib_indices(points, *, seed, second_order):
    """SALib on the design of one repeat; its rows are A, A with B, B with A, B per point."""
    d = 3
    z = np.concatenate(
        list(sobol_blocks(2 * d, points, random_stream(seed, stage="rank", index=(0,)))), 1
    )
    a, b = z[:d], z[d:]
    rows = []
    for n in range(points):
        rows.append(a[:, n])
        for source, other in ((a, b), (b, a))[: 2 if second_order else 1]:
            for i in range(d):
                mixed = source[:, n].copy()
                mixed[i] = other[i, n]
                rows.append(mixed)
        rows.append(b[:, n])
    y = ishigami(np.array(rows).T)[0]
    problem = {"num_vars": d, "names": ["a", "b", "c"], "bounds": [[0, 1]] * d}
    return salib_sobol.analyze(problem, y, calc_second_order=second_order, num_resamples=2, seed=1)


def test_same_numbers_as_salib_on_the_same_design():
    found = run(ishigami, SobolDesign(3, SINGLES, 1), points=1024, repeats=1, seed=4)
    salib = salib_indices(1024, seed=4, second_order=False)
    assert_allclose(found.first[0, :, 0], salib["S1"], rtol=0, atol=1e-12)
    assert_allclose(found.total[0, :, 0], salib["ST"], rtol=0, atol=1e-12)
    # For pairs SALib centres over one more set of runs, B with the last column of A, that it then
    # does not use; ours leaves that set out, which moves the centre a little.
    found = run(ishigami, SobolDesign(3, SINGLES, 1, pairs=PAIRS), points=1024, repeats=1, seed=4)
    salib = salib_indices(1024, seed=4, second_order=True)
    theirs = [salib["S2"][i, j] for i, j in PAIRS]
    assert_allclose(found.second[0, :, 0], theirs, rtol=0, atol=1e-6)


def test_agrees_with_scipy():
    def model(x):
        return ishigami(ndtri(x))

    theirs = scipy_sobol(func=model, n=8192, dists=[uniform()] * 3, rng=np.random.default_rng(1))
    found = run(ishigami, SobolDesign(3, SINGLES, 1), points=4096, repeats=8)
    assert_allclose(found.first.mean(axis=0)[:, 0], theirs.first_order, rtol=0, atol=0.02)
    assert_allclose(found.total.mean(axis=0)[:, 0], theirs.total_order, rtol=0, atol=0.02)


def test_doubled_sample_is_the_large_sample():
    layout = SobolDesign(3, SINGLES, 1, pairs=PAIRS)
    shift = np.array([3.0])
    once = accumulate_sums(ishigami, layout, start=0, points=1024, repeats=3, seed=2, shift=shift)
    grown = accumulate_sums(ishigami, layout, start=0, points=256, repeats=3, seed=2, shift=shift)
    for low, high in pairwise((256, 512, 1024)):
        more = accumulate_sums(
            ishigami, layout, start=low, points=high - low, repeats=3, seed=2, shift=shift
        )
        for old, new in zip(grown, more, strict=True):
            old.add(new)
    left = indices_from_sums(once, layout, shift=shift)
    right = indices_from_sums(grown, layout, shift=shift)
    for name in ("first", "total", "second", "mean", "variance"):
        assert_allclose(getattr(left, name), getattr(right, name), rtol=0, atol=1e-12)


def test_constant_output_and_infinite_output_are_nan_not_zero():
    def model(z):
        return np.array([np.full(z.shape[1], 2.0), np.where(z[0] > 2.0, np.inf, z[0])])

    found = run(model, SobolDesign(2, ((0,), (1,)), 2), points=256, repeats=2, outputs=2)
    assert np.all(np.isnan(found.first))
    assert np.all(np.isnan(found.total))


@pytest.mark.threads
def test_workers_do_not_change_the_result():
    layout = SobolDesign(3, SINGLES, 1)
    one, two = (
        accumulate_sums(
            ishigami, layout, start=0, points=512, repeats=4, seed=9, shift=np.zeros(1), workers=w
        )
        for w in (1, 2)
    )
    for left, right in zip(one, two, strict=True):
        assert np.array_equal(left.bd, right.bd)


def test_a_column_that_is_added_has_its_exact_share():
    # y = 3 z0 + exp(z1): closed form 9 / (9 + e (e - 1)); the second output is no such sum.
    def model(z):
        return np.array([3.0 * z[0] + np.exp(z[1]), z[0] * z[1]])

    sets = ((0,), (1,), (0, 1))
    layout = SobolDesign(2, sets, 2, additive=AdditiveColumn(0, 9.0, 1))
    exact, sampled = (run(model, one, outputs=2) for one in (layout, SobolDesign(2, sets, 2)))
    share = 9.0 / (9.0 + np.e * (np.e - 1.0))
    near(exact.first[:, 0, 0], share, slack=1e-3)
    assert np.array_equal(exact.first[:, 0, 0], exact.total[:, 0, 0])
    # nothing else moves, and the estimate that it replaces is the wider one
    for name in ("first", "total"):
        changed, kept = getattr(exact, name).copy(), getattr(sampled, name)
        changed[:, 0, 0] = kept[:, 0, 0]
        assert np.array_equal(changed, kept)
    assert exact.first[:, 0, 0].std() < sampled.first[:, 0, 0].std()


def test_shift_is_the_value_at_the_medians_where_that_is_finite():
    def model(z):
        with np.errstate(divide="ignore"):
            return np.array([1000.0 + z[0], 1.0 / z[0], ndtr(z[1])])

    layout = SobolDesign(2, ((0,), (1,)), 2, integrated=1)
    assert_allclose(output_shift(model, layout), [1000.0, 0.0, 0.0])


@pytest.mark.threads
@pytest.mark.parametrize("workers", [1, 2])
def test_infinite_outputs_are_undefined_without_a_warning(workers):
    def depth(z):
        return np.array([np.where(z[0] > 0.0, np.inf, z[0]), z[0] + z[1]])

    layout, shift = SobolDesign(2, ((0,), (1,)), 2), np.zeros(2)
    sums = accumulate_sums(
        depth, layout, start=0, points=256, repeats=8, seed=0, shift=shift, workers=workers
    )
    first = indices_from_sums(sums, layout, shift=shift).first
    assert np.isnan(first[:, :, 0]).all()
    assert_allclose(first[:, :, 1].mean(axis=0), 0.5, rtol=0, atol=0.05)
