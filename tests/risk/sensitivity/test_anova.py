"""Exact analysis of variance, against closed forms and general-purpose libraries."""

from itertools import combinations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from SALib.analyze import sobol as salib
from SALib.sample import sobol as salib_sample
from scipy import stats

from stripwise.errors import InputError
from stripwise.risk.sensitivity.anova import anova, gauss_legendre


def grid(parts, combine):
    """Combine one array of values per choice into the full factorial (1, n1, ..., nq)."""
    q = len(parts)
    shaped = [np.reshape(p, [-1 if j == i else 1 for j in range(q)]) for i, p in enumerate(parts)]
    out = shaped[0]
    for other in shaped[1:]:
        out = combine(out, other)
    return np.array(out)[None]


def levels():
    """Five choices as a wall has them: two ranges and three lists, one with unequal weights."""
    x, w = gauss_legendre(7)
    return (x, x, np.arange(3.0), np.array([0.0, 1.0]), np.array([-1.0, 0.5, 2.0])), (
        w,
        w,
        np.full(3, 1 / 3),
        np.array([0.25, 0.75]),
        np.full(3, 1 / 3),
    )


def moments(values, weights):
    mean = weights @ values
    return mean, weights @ (values - mean) ** 2


def test_additive_function_has_no_interactions():
    # Closed form: Var = sum of a_i^2 Var(x_i), each share alone.
    values, weights = levels()
    parts = [a * v for a, v in zip((4.0, -2.0, 1.0, 3.0, 0.5), values, strict=True)]
    found = anova(grid(parts, np.add), weights)
    own = np.array([moments(p, w)[1] for p, w in zip(parts, weights, strict=True)])
    assert_allclose(found.variance, own.sum(), rtol=1e-12, atol=0)
    assert_allclose(found.first[0], own / own.sum(), rtol=0, atol=1e-12)
    assert_allclose(found.total[0], own / own.sum(), rtol=0, atol=1e-12)
    assert_allclose(found.second, 0.0, rtol=0, atol=1e-12)
    assert_allclose(found.higher_order, 0.0, rtol=0, atol=1e-12)
    # x uniform on [0, 1] has variance 1/12: the quadrature is exact for it
    assert_allclose(own[0], 16.0 / 12.0, rtol=1e-12, atol=0)


def test_multiplicative_function():
    # Closed form: with v_i = Var_i / mean_i^2, Var = prod(1 + v) - 1; parts are products of v.
    values, weights = levels()
    parts = [2.0 + v for v in values]
    found = anova(grid(parts, np.multiply), weights)
    v = np.array(
        [s / m**2 for m, s in (moments(p, w) for p, w in zip(parts, weights, strict=True))]
    )
    whole = np.prod(1.0 + v) - 1.0
    assert_allclose(found.first[0], v / whole, rtol=0, atol=1e-12)
    without = np.array([np.prod(np.delete(1.0 + v, i)) for i in range(5)])
    assert_allclose(found.total[0], v * without / whole, rtol=0, atol=1e-12)
    second = [v[i] * v[j] / whole for i, j in combinations(range(5), 2)]
    assert_allclose(found.second[0], second, rtol=0, atol=1e-12)
    assert_allclose(
        found.higher_order[0], 1.0 - v.sum() / whole - np.sum(second), rtol=0, atol=1e-12
    )
    assert_allclose(found.main[2][0] / found.mean[0], parts[2] / moments(parts[2], weights[2])[0])


def smooth(u):
    """Of two ranges on [0, 1] and a list of three equal options, as u in [0, 1)."""
    option = np.minimum((3.0 * u[2]).astype(int), 2)
    return np.exp(0.8 * u[0]) * (1.0 + 0.5 * u[1] ** 2) + np.array([0.0, 0.4, 1.0])[option] * u[0]


@pytest.fixture(scope="module")
def exact():
    x, w = gauss_legendre(7)
    place = [x[:, None, None], x[None, :, None], np.array([0.1, 0.5, 0.9])[None, None, :]]
    y = smooth(np.broadcast_arrays(*place))
    return anova(y[None], [w, w, np.full(3, 1 / 3)])


def test_against_scipy(exact):
    def func(x):
        return smooth(x)[None]

    with np.errstate(all="ignore"):
        theirs = stats.sobol_indices(
            func=func, n=2**14, dists=[stats.uniform()] * 3, rng=np.random.default_rng(0)
        )
    assert_allclose(exact.first[0], np.ravel(theirs.first_order), rtol=0, atol=2e-3)
    assert_allclose(exact.total[0], np.ravel(theirs.total_order), rtol=0, atol=2e-3)


def test_against_salib(exact):
    problem = {"num_vars": 3, "names": ["a", "b", "c"], "bounds": [[0.0, 1.0]] * 3}
    points = salib_sample.sample(dict(problem), 2**14, calc_second_order=True, seed=5)
    theirs = salib.analyze(dict(problem), smooth(points.T), seed=5, num_resamples=10)
    assert_allclose(exact.first[0], theirs["S1"], rtol=0, atol=5e-3)
    assert_allclose(exact.total[0], theirs["ST"], rtol=0, atol=5e-3)
    pairs = [theirs["S2"][i, j] for i, j in exact.pairs]
    assert_allclose(exact.second[0], pairs, rtol=0, atol=5e-3)


def test_repeats_and_order_of_choices():
    rng = np.random.default_rng(1)
    y = rng.normal(size=(4, 3, 5, 2))
    w = [np.full(n, 1 / n) for n in (3, 5, 2)]
    found, turned = anova(y, w), anova(np.transpose(y, (0, 3, 2, 1)), w[::-1])
    assert_allclose(found.first, turned.first[:, ::-1], rtol=0, atol=1e-12)
    assert_allclose(found.total, turned.total[:, ::-1], rtol=0, atol=1e-12)
    assert_allclose(anova(y[2:3], w).first, found.first[2:3], rtol=0, atol=1e-12)
    parts = found.first.sum(axis=1) + found.second.sum(axis=1) + found.higher_order
    assert_allclose(parts, 1.0, rtol=0, atol=1e-12)
    assert_allclose(anova(3.0 * y - 7.0, w).total, found.total, rtol=0, atol=1e-11)


def test_one_choice_and_no_variance():
    one = anova(np.array([[1.0, 2.0, 4.0]]), [np.full(3, 1 / 3)])
    assert_allclose(one.first, 1.0)
    assert one.second.shape == (1, 0)
    assert np.isnan(anova(np.full((1, 2, 2), 0.3), [np.full(2, 0.5)] * 2).first).all()


def test_legendre_integrates_polynomials():
    for n in (1, 2, 3, 6, 10):
        x, w = gauss_legendre(n)
        assert np.all((x > 0.0) & (x < 1.0))
        for degree in range(2 * n):
            assert_allclose(w @ x**degree, 1.0 / (degree + 1), rtol=1e-13, atol=0)
        if n < 6:  # beyond, the next power is exact to the last digit too
            assert abs(w @ x ** (2 * n) - 1.0 / (2 * n + 1)) > 1e-7


def test_options_without_weight_change_no_share():
    # the ends of a range are in the table, to be shown, and not in its variance
    x, w = gauss_legendre(4)
    inner = np.exp(x)[:, None] * np.array([1.0, 2.0, 4.0])
    ends = np.concatenate([[inner[0] * 0.0 - 50.0], inner, [inner[0] * 0.0 + 70.0]])
    third = np.full(3, 1.0 / 3.0)
    with_ends = anova(ends[None], [np.array([0.0, *w, 0.0]), third])
    without = anova(inner[None], [w, third])
    for name in ("mean", "variance", "first", "total", "second", "higher_order"):
        assert_allclose(getattr(with_ends, name), getattr(without, name), rtol=0, atol=1e-12)
    assert_allclose(with_ends.main[0][0, [0, -1]], [-50.0, 70.0])


@pytest.mark.parametrize(
    ("y", "weights", "message"),
    [
        (np.zeros((1, 2)), [np.full(3, 1 / 3)], "do not fit"),
        (np.zeros((1, 2)), [np.array([0.5, 0.6])], "add up to 1"),
        (np.array([[0.0, np.inf]]), [np.array([0.5, 0.5])], "1 outcomes are not finite"),
    ],
)
def test_what_has_no_variance_is_refused(y, weights, message):
    with pytest.raises(InputError, match=message):
        anova(y, weights)
