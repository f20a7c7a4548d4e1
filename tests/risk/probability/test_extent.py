"""Share of the face: the joint normal, moments against simulated fields, and the limits."""

import dataclasses

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from stripwise.distributions.distribution import distribution, fixed
from stripwise.risk.probability.extent import (
    FaceSize,
    bivariate_normal_cdf,
    corroded_share_moments,
    face_correlation,
    simulate_faces,
)
from stripwise.risk.probability.integral import Integral, front_depths, log_initiation_ages
from stripwise.risk.probability.plain_monte_carlo import monte_carlo_curves


@pytest.mark.parametrize("rho", [0.0, 0.3, 0.8, 0.95, 0.999])
def test_binormal_equals_scipy(rho):
    points = [(-2.0, -1.0), (-1.5, -1.5), (0.0, 0.5), (1.0, 2.0), (-3.0, 1.0)]
    matrix = [[1.0, rho], [rho, 1.0]]
    exact = [stats.multivariate_normal.cdf(p, [0.0, 0.0], matrix, abseps=1e-9) for p in points]
    h, k = np.array(points).T
    assert_allclose(bivariate_normal_cdf(h, k, correlation=rho), exact, rtol=0, atol=2e-5)


def test_binormal_at_its_ends():
    assert_allclose(bivariate_normal_cdf(-1.0, 0.5, correlation=1.0), stats.norm.cdf(-1.0))
    assert_allclose(
        bivariate_normal_cdf(np.inf, 0.5, correlation=0.5), stats.norm.cdf(0.5), atol=1e-12
    )
    assert_allclose(bivariate_normal_cdf(0.0, 0.0, correlation=0.5), 1.0 / 3.0, atol=1e-6)


def field_of_shares(wall, age, size, faces, seed):
    """Shares of simulated faces by another way than the package's: spectral waves, finer cells."""
    rng = np.random.default_rng(seed)
    nx, ny = 20, 8
    x = (np.arange(nx) + 0.5) * size.width / nx
    y = (np.arange(ny) + 0.5) * size.height / ny
    random = [i for i in wall.inputs if not i.distribution.is_fixed]
    waves = 200
    shares = []
    for _ in range(faces):
        values = {i.name: i.distribution.mean for i in wall.inputs if i.distribution.is_fixed}
        for item in random:
            if item.kind == "knowledge":
                z = np.full(nx * ny, rng.standard_normal())
            else:
                # the spectrum of exp(-(h/L)^2) is normal with sd sqrt(2)/L
                k = rng.standard_normal((2, waves)) * np.sqrt(2.0) / size.correlation_length
                phase = rng.uniform(0.0, 2.0 * np.pi, waves)
                # the sum over waves of cos(k1 x + k2 y + phase)
                along, up = np.exp(1j * x[:, None] * k[0]), np.exp(1j * (y[:, None] * k[1] + phase))
                z = np.sqrt(2.0 / waves) * (up @ along.T).real.ravel()
            values[item.name] = item.distribution.from_normal(z)
        logs = log_initiation_ages(wall, wall.sample_block(values), values)
        shares.append(np.mean(logs[0] <= np.log(age)))
    return np.array(shares)


@pytest.mark.parametrize("knowledge", [(), ("concrete.ageing_exponent",)])
def test_moments_and_shares_equal_another_simulation(walls, knowledge):
    wall = walls.wall(plans=walls.PLANS[:1], knowledge=knowledge)
    size = FaceSize(8.0, 3.0, 2.0)
    mean, sd = corroded_share_moments(wall, [30.0], size, seed=1)
    other = field_of_shares(wall, 30.0, size, faces=150, seed=5)
    assert abs(other.mean() - mean[0, 0]) < 4.0 * sd[0, 0] / np.sqrt(150.0)
    # the sd of an sd from 150 faces of a skewed share is some 8 %
    assert_allclose(other.std(), sd[0, 0], rtol=0.25)
    ours = simulate_faces(wall, [30.0], size, faces=1500, seed=2).shares[0, 0]
    assert abs(ours.mean() - mean[0, 0]) < 4.0 * sd[0, 0] / np.sqrt(1500.0)
    assert_allclose(ours.std(), sd[0, 0], rtol=0.08)
    for share in (0.1, 0.5):
        p, q = np.mean(ours > share), np.mean(other > share)
        assert abs(p - q) < 4.0 * np.sqrt(p * (1.0 - p) * (1.0 / 150.0 + 1.0 / 1500.0)) + 0.01


def test_limits_of_the_correlation_length(walls):
    wall = walls.wall(plans=walls.PLANS[:1])
    ages = [30.0]
    point = float(monte_carlo_curves(wall, np.array(ages), samples=100_000, seed=1)[0, 0])
    # every point for itself: the share is the probability, without scatter
    mean, sd = corroded_share_moments(wall, ages, FaceSize(5.0, 3.0, 0.0), seed=1)
    assert_allclose(mean[0, 0], point, rtol=0.02)
    # the difference of two sampled means: 0.03 is an error of 0.0009 in the joint probability
    assert sd[0, 0] < 0.03
    # one fate for the whole face: all or nothing
    mean, sd = corroded_share_moments(wall, ages, FaceSize(5.0, 3.0, np.inf), seed=1)
    assert_allclose(sd[0, 0], np.sqrt(mean[0, 0] * (1.0 - mean[0, 0])), rtol=1e-3)
    shares = simulate_faces(wall, ages, FaceSize(5.0, 3.0, np.inf), faces=200, seed=1).shares
    assert set(np.unique(shares)) == {0.0, 1.0}
    alone = simulate_faces(wall, ages, FaceSize(5.0, 3.0, 0.0), faces=50, seed=1).shares[0, 0]
    cells = 600.0
    assert_allclose(alone.std(), np.sqrt(point * (1.0 - point) / cells), rtol=0.5)
    # a short and a long length approach them
    _, short = corroded_share_moments(wall, ages, FaceSize(5.0, 3.0, 0.05), seed=1)
    _, long = corroded_share_moments(wall, ages, FaceSize(5.0, 3.0, 500.0), seed=1)
    assert short[0, 0] < 0.03
    assert_allclose(long, sd, rtol=0.02)


def test_correlation_of_two_points():
    assert face_correlation(2.0, 2.0) == pytest.approx(np.exp(-1.0))
    assert face_correlation([0.0, 1.0], 0.0).tolist() == [1.0, 0.0]
    assert face_correlation(3.0, np.inf) == 1.0


def cover_only(walls, **split):
    """A wall of which the cover alone is random, normal in its score."""
    changes = {name: fixed(law.mean) for name, (law, _) in walls.DEFAULTS.items()}
    changes["reinforcement.cover"] = distribution("lognormal", mean=60.0, cov=0.2)
    wall = walls.wall(changes=changes, plans=walls.PLANS[2:3])
    inputs = tuple(
        dataclasses.replace(i, **split) if i.name == "reinforcement.cover" else i
        for i in wall.inputs
    )
    return dataclasses.replace(wall, inputs=inputs)


def age_at(wall, probability):
    """Age at which the front stands at a quantile of the cover."""
    integral, sampler = Integral.from_wall(wall)
    values = sampler.values(np.empty((0, 1)))
    block = wall.sample_block(values)
    depth = float(integral.distribution.quantile(probability))
    ages = np.geomspace(0.1, 500.0, 4000)
    depths = np.array([float(np.ravel(front_depths(wall, block, a)[0])[0]) for a in ages])
    return float(np.interp(depth, depths, ages))


def test_what_is_not_known_corrodes_a_whole_face_or_none(walls):
    # all or nothing: the share is 1 with probability P, so its variance is P (1 - P)
    wall = cover_only(walls, kind="knowledge")
    age = age_at(wall, 0.2)
    size = FaceSize(8.0, 3.0, 1.0)
    mean, sd = corroded_share_moments(wall, [age], size, seed=1)
    assert_allclose(mean[0, 0], 0.2, rtol=1e-4)
    assert_allclose(sd[0, 0], 0.4, rtol=1e-3)
    shares = simulate_faces(wall, [age], size, faces=1000, seed=1).shares[0, 0]
    assert set(np.unique(shares)) == {0.0, 1.0}
    assert abs(shares.mean() - 0.2) < 4.0 * 0.4 / np.sqrt(1000.0)


@pytest.mark.parametrize("b", [0.0, 0.3, 0.7, 1.0])
def test_a_spread_between_walls_is_one_score_a_face(walls, b):
    """With independent points the share of a face is P given its wall.

    Closed form: P(B) = Phi((h - sqrt(b) B) / sqrt(1 - b)) with h = Phi^-1(P); the second moment is
    the bivariate normal of correlation b, here from scipy.
    """
    wall = cover_only(walls, between_walls=b)
    age, h = age_at(wall, 0.2), stats.norm.ppf(0.2)
    size = FaceSize(8.0, 3.0, 0.0)
    mean, sd = corroded_share_moments(wall, [age], size, seed=1)
    # P does not depend on the split
    assert_allclose(mean[0, 0], 0.2, rtol=1e-4)
    second = (
        stats.multivariate_normal.cdf([h, h], [0.0, 0.0], [[1.0, b], [b, 1.0]]) if b < 1.0 else 0.2
    )
    # the sd is a root of a difference: an error of 1e-6 in the joint probability shows where it is 0
    assert_allclose(sd[0, 0] ** 2, second - 0.04, rtol=2e-3, atol=2e-6)
    if b in (0.3, 0.7):
        shares = simulate_faces(wall, [age], size, faces=2000, seed=1).shares[0, 0]
        for q in (0.25, 0.5, 0.75, 0.9):
            score = stats.norm.ppf(q)
            exact = stats.norm.cdf((h + np.sqrt(b) * score) / np.sqrt(1.0 - b))
            below = np.mean(shares <= exact)
            # 600 cells a face and 2000 faces leave 1.5 points at most
            assert abs(below - q) < 4.0 * np.sqrt(q * (1.0 - q) / 2000.0) + 0.01
