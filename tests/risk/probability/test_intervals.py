"""Quantiles of evenly spread points, and from which probability Student's t is taken."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import special

from stripwise.risk.probability.intervals import (
    RANGE_ENDS,
    is_rare,
    point_quantile,
    points_that_resolve,
    quantile_by_scrambling,
)


@pytest.mark.parametrize("count", [16, 64, 128])
def test_ends_of_a_range_of_evenly_spread_points_are_those_of_their_law(count):
    # k - 1/2 over n is where evenly spread points stand: uniform ones give the share itself
    points = (np.random.default_rng(1).permutation(count) + 0.5) / count
    shares = np.clip(RANGE_ENDS, 0.5 / count, 1.0 - 0.5 / count)
    assert_allclose(point_quantile(points, RANGE_ENDS), shares, rtol=1e-12)
    low, high = np.quantile(points, RANGE_ENDS)  # numpy's default lies inside
    assert low > shares[0] + 0.01 / count
    assert high < shares[1] - 0.01 / count


def test_infinite_points_are_counted_and_not_interpolated():
    # 32 answers, of which the least and the two largest lie outside the range that was searched
    values = np.arange(32.0)
    values[[0, -2, -1]] = -np.inf, np.inf, np.inf
    shuffled = np.random.default_rng(2).permutation(values)
    assert point_quantile(shuffled, RANGE_ENDS).tolist() == [-np.inf, np.inf]
    assert_allclose(point_quantile(shuffled, [0.1, 0.9]), [2.7, 28.3])
    both = np.stack([shuffled, np.arange(32.0)], axis=1)
    assert_allclose(point_quantile(both, RANGE_ENDS)[:, 1], [0.3, 30.7])
    assert point_quantile(both.T, 0.025, axis=1)[0] == -np.inf
    values[5] = np.nan
    assert np.isnan(point_quantile(values, RANGE_ENDS)).all()


def test_few_points_of_a_scrambling_do_not_pull_a_quantile_in():
    # the least of eight normal points has a mean of -1.42, the quantile at 5 % is -1.645
    points = np.random.default_rng(3).standard_normal((300, 16, 8))
    found = np.array([quantile_by_scrambling(one, 0.05) for one in points])
    assert abs(points.min(axis=2).mean() + 1.42) < 0.02
    assert abs(found.mean() - special.ndtri(0.05)) < 0.03


@pytest.mark.parametrize("share", [0.05, 0.01])
def test_scramblings_of_enough_points_tell_how_far_a_quantile_is_off(share):
    # the sampling error that a decision counts, against the spread over 300 samples
    count = points_that_resolve(1.0 - share, least=8)
    points = np.random.default_rng(4).standard_normal((300, 16, count))
    found = np.array([quantile_by_scrambling(one, share) for one in points])
    told = np.mean(found.std(axis=1, ddof=1)) / 4.0
    assert told == pytest.approx(found.mean(axis=1).std(ddof=1), rel=0.15)


def test_few_points_are_rare_from_a_larger_probability_on():
    p = np.array([5e-4, 2e-3, 5e-3])
    assert is_rare(p, 0.1 * p, points=256).tolist() == [True, True, False]
    assert is_rare(p, 0.1 * p, points=16384).tolist() == [True, False, False]
    assert not is_rare(p, 0.0, points=256).any()  # nothing but the integral is random
