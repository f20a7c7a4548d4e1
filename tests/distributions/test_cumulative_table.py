"""The table of a distribution function: accuracy, tails, refusal."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from stripwise.distributions.cumulative_table import EXACT_BELOW, STEPS, CumulativeTable
from stripwise.distributions.distribution import distribution, fixed
from stripwise.errors import NumericalError

LAWS = {
    "normal": (
        distribution("normal", mean=60.0, sd=8.0, low=0.0),
        stats.truncnorm(-7.5, np.inf, loc=60.0, scale=8.0),
    ),
    "beta": (
        distribution("beta", mean=50.0, sd=10.0, low=10.0, high=90.0),
        stats.beta(7.5, 7.5, loc=10.0, scale=80.0),
    ),
}


@pytest.mark.parametrize("above", [False, True])
@pytest.mark.parametrize("name", LAWS)
def test_the_mean_agrees_with_scipy(name, above):
    law, oracle = LAWS[name]
    table = CumulativeTable.build(law, upper_tail=above)
    exact = oracle.sf if above else oracle.cdf
    # One value each, between the steps, so that errors cannot cancel.
    for x in np.linspace(20.0, 85.0, 97) + 0.3 / table.scale:
        assert_allclose(table.mean(np.array([x])), exact(x), rtol=1e-3, atol=3e-8)
    many = oracle.rvs(20_000, random_state=1)
    assert_allclose(table.mean(many), np.mean(exact(many)), rtol=0, atol=1e-9)


def test_the_values_given_are_left_alone():
    table = CumulativeTable.build(LAWS["normal"][0])
    x = np.linspace(10.0, 90.0, 50)
    before = x.copy()
    table.mean(x)
    assert np.array_equal(x, before)


@pytest.mark.parametrize("above", [False, True])
def test_beyond_the_ends_nothing_is_left_or_all_of_it(above):
    table = CumulativeTable.build(LAWS["beta"][0], upper_tail=above)
    assert table.mean(np.array([-np.inf, -5.0, 10.0])) == float(above)
    assert table.mean(np.array([90.0, 1e9, np.inf])) == float(not above)


def test_a_rare_event_takes_the_exact_function():
    law, oracle = LAWS["normal"]
    table = CumulativeTable.build(law)
    x = np.array([0.5, 1.0, 2.0])
    assert np.mean(oracle.cdf(x)) < EXACT_BELOW
    assert_allclose(table.mean(x), np.mean(oracle.cdf(x)), rtol=1e-9)


def test_the_error_falls_with_the_square_of_the_step():
    # Linear interpolation (de Boor, A Practical Guide to Splines, 1978): error h^2 max|F''| / 8.
    law, oracle = LAWS["normal"]
    table = CumulativeTable.build(law)
    x = np.linspace(36.0, 84.0, 4001)
    worst = np.max(np.abs(table.means(x[:, np.newaxis]) - oracle.cdf(x)))
    bound = (16.0 * 8.0 / STEPS) ** 2 / 8.0 * stats.norm.pdf(1.0) / 8.0**2
    assert worst < 1.05 * bound
    assert worst > 0.5 * bound


@pytest.mark.parametrize(
    "law",
    [
        fixed(50.0),
        distribution("beta", mean=50.0, sd=35.0, low=10.0, high=90.0),
        distribution("lognormal", mean=50.0, cov=0.6),
    ],
)
def test_a_law_that_a_line_cannot_follow_has_no_table(law):
    assert CumulativeTable.build(law) is None


def test_a_value_that_is_no_number_is_refused():
    table = CumulativeTable.build(LAWS["normal"][0])
    with np.errstate(invalid="ignore"), pytest.raises(NumericalError, match="not a number"):
        table.means(np.array([[50.0, 60.0], [50.0, np.nan]]))
