"""Weighted points of a posterior against closed forms."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from stripwise.distributions.posterior_points import (
    FEWEST_POINTS,
    WeightedPoints,
    effective_weights,
    posterior_points,
)


def conjugate(matrix, data, sd):
    """Mean and covariance of z ~ N(0, 1) given data = matrix z + N(0, sd^2), closed form."""
    precision = np.eye(matrix.shape[1]) + matrix.T @ matrix / sd**2
    covariance = np.linalg.inv(precision)
    return covariance @ matrix.T @ data / sd**2, covariance


@pytest.mark.parametrize(("sd", "shift"), [(3.0, 0.5), (0.3, 1.0), (0.05, 5.0)])
def test_conjugate_normal(sd, shift):
    # sd 3 leaves the prior's own points in use; 0.05 lies 5 prior sd away and needs tempering
    matrix = np.array([[1.0, 0.5, 0.0, 0.2], [0.0, 1.0, -0.5, 0.0], [0.3, 0.0, 1.0, 0.0]])
    data = shift * np.array([1.0, -0.5, 0.8])

    def log_likelihood(z):
        gap = data[:, None] - matrix @ z
        return (stats.norm.logpdf(gap / sd) - np.log(sd))[:, :]

    points = posterior_points(log_likelihood, 4, seed=3, points=2**14)
    mean, covariance = conjugate(matrix, data, sd)
    weights = points.weights()
    found = points.z @ weights
    gap = points.z - found[:, None]
    assert_allclose(found, mean, atol=1e-3)
    assert_allclose((weights * gap) @ gap.T, covariance, atol=2e-3)
    evidence = stats.multivariate_normal(np.zeros(3), matrix @ matrix.T + sd**2 * np.eye(3)).logpdf(
        data
    )
    assert_allclose(points.log_evidence(), evidence, atol=0.02)
    assert (points.rungs == 0) == (sd > 1.0)

    draws = points.z[:, points.equal_weight_rows(2**14, np.random.default_rng(1))]
    error = np.sqrt(np.diag(covariance) / points.effective)
    assert np.all(np.abs(draws.mean(axis=1) - mean) < 4.0 * error)
    assert_allclose(draws.var(axis=1), np.diag(covariance), rtol=0.1)


def test_parts_may_be_left_out():
    data = np.array([1.0, -0.4])

    def log_likelihood(z):
        return stats.norm.logpdf(data[:, None] - z[:2])

    points = posterior_points(log_likelihood, 2, seed=1, points=FEWEST_POINTS)
    without = points.weights(np.array([True, False]))
    # one reading of unit error on a unit prior: half of it
    assert_allclose(points.z @ without, [0.5, 0.0], atol=0.01)
    assert_allclose(points.z @ points.weights(), [0.5, -0.2], atol=0.01)


def test_a_bent_posterior_against_quadrature():
    def log_likelihood(z):
        return (-0.5 * ((z[0] + z[1] ** 2 - 2.0) / 0.2) ** 2)[None]

    points = posterior_points(log_likelihood, 2, seed=2)
    x = np.linspace(-6.0, 6.0, 1201)
    a, b = np.meshgrid(x, x, indexing="ij")
    density = np.exp(log_likelihood(np.array([a.ravel(), b.ravel()]))[0].reshape(a.shape))
    density *= np.exp(-0.5 * (a**2 + b**2))
    mass = density / density.sum()
    weights = points.weights()
    assert points.effective > 400.0
    assert_allclose(weights @ points.z[0], np.sum(mass * a), atol=0.03)
    assert_allclose(weights @ points.z[1] ** 2, np.sum(mass * b**2), rtol=0.03)


def test_what_cannot_be_has_no_weight():
    points = posterior_points(lambda z: np.full((1, z.shape[1]), -np.inf), 2, seed=1, points=4096)
    assert points.effective == 0.0
    assert effective_weights(np.array([1.0, 1.0, 2.0])) == pytest.approx(16.0 / 6.0)


def test_half_the_space_may_be_impossible():
    points = posterior_points(lambda z: np.where(z[:1] > 0.0, 0.0, -np.inf), 1, seed=1)
    assert_allclose(points.weights() @ points.z[0], np.sqrt(2.0 / np.pi), atol=2e-3)


def test_equal_weight_rows_repeat_by_weight():
    parts = np.log(np.array([[1.0, 2.0, 1e-300, 1.0]]))
    points = WeightedPoints(np.zeros((1, 4)), parts, np.zeros(4), 0)
    rows = points.equal_weight_rows(800, np.random.default_rng(1))
    assert np.bincount(rows, minlength=4).tolist() == [200, 400, 0, 200]


def test_half_as_many_draws_do_not_fall_in_with_the_order_of_the_points():
    points = posterior_points(lambda z: np.zeros((1, z.shape[1])), 1, seed=1, points=4096)
    rows = points.equal_weight_rows(2048, np.random.default_rng(1))
    assert_allclose(points.z[0, rows].mean(), 0.0, atol=4.0 / np.sqrt(2.0 * 2048.0))
