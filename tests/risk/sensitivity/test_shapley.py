from itertools import combinations
from math import comb

import numpy as np
import pytest
from numpy.testing import assert_allclose

from stripwise.errors import InputError
from stripwise.risk.probability.intervals import t_interval
from stripwise.risk.sensitivity.shapley import shapley_effects


def linear_gaussian(slope, matrix):
    """Closed form of Owen and Prieur, SIAM/ASA J. Uncertainty Quantification 5, 2017, theorem on
    the linear Gaussian model (recalled): for input i the mean over subsets S without i of
    Cov(X_i, sum over the rest of slope X | X_S)^2 / Var(X_i | X_S)."""
    d = len(slope)
    effects = np.zeros(d)
    for i in range(d):
        others = [j for j in range(d) if j != i]
        for size in range(d):
            for chosen in combinations(others, size):
                known = list(chosen)
                rest = [j for j in range(d) if j not in known]
                given = matrix[np.ix_(rest, rest)]
                if known:
                    cross = matrix[np.ix_(rest, known)]
                    given = given - cross @ np.linalg.solve(matrix[np.ix_(known, known)], cross.T)
                row = rest.index(i)
                covariance = given[row] @ slope[rest]
                effects[i] += covariance**2 / given[row, row] / (d * comb(d - 1, size))
    return effects / (slope @ matrix @ slope)


def test_two_correlated_inputs_by_hand():
    # Owen and Prieur 2017 for d = 2 (recalled): the variance that both share is split evenly,
    # Sh_1 = b1^2 (1 - r^2 / 2) + r b1 b2 + r^2 b2^2 / 2, unscaled.
    b, r = np.array([1.0, 2.0]), 0.5
    by_hand = b[0] ** 2 * (1 - r**2 / 2) + r * b[0] * b[1] + r**2 / 2 * b[1] ** 2
    exact = linear_gaussian(b, np.array([[1.0, r], [r, 1.0]]))
    assert_allclose(exact[0], by_hand / (1 + 4 + 2 * r * 2), rtol=1e-12)


@pytest.mark.parametrize("d", [3, 11])
def test_linear_gaussian_model(d):
    rng = np.random.default_rng(d)
    slope = rng.uniform(0.5, 2.0, d)
    matrix = np.eye(d)
    matrix[0, 1] = matrix[1, 0] = 0.6
    matrix[1, 2] = matrix[2, 1] = -0.4
    if d > 10:
        slope[5:] = 0.1
    exact = linear_gaussian(slope, matrix)
    found = shapley_effects(lambda s: (slope @ s)[None], matrix, points=256, seed=0)
    mean, low, high = t_interval(found[..., 0])
    assert_allclose(found.sum(axis=1), 1.0, rtol=0, atol=1e-10)
    assert np.all(np.abs(mean - exact) <= 2.0 * (high - low) / 2 + 1e-3)
    assert np.max(high - low) < 0.06


def test_independent_inputs_lie_between_first_and_total():
    # Owen 2014 (recalled): S_i <= Sh_i <= T_i. For Y = X1 X2 + X1, standard normals: S_1 = 1/2,
    # S_2 = 0, T_1 = 1, T_2 = 1/2, and the shared half is split.
    found = shapley_effects(
        lambda s: (s[0] * s[1] + s[0])[None], np.eye(2), points=2048, seed=1
    ).mean(axis=0)[:, 0]
    assert_allclose(found, [0.75, 0.25], rtol=0, atol=0.01)


def test_no_variance_is_nan_and_a_singular_matrix_is_refused():
    flat = shapley_effects(lambda s: np.ones((1, s.shape[1])), np.eye(2), points=64, seed=0)
    assert np.all(np.isnan(flat))
    with pytest.raises(InputError, match="positive definite"):
        shapley_effects(lambda s: s[:1], np.ones((2, 2)), seed=0)
