"""Discounting against numpy-financial and published factors, sums by parts against plain sums."""

import numpy as np
import numpy_financial as npf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import special

from stripwise.errors import InputError
from stripwise.risk.probability.expected_cost import (
    cost_ages,
    expected_repair_cost,
    later_repair_cost,
    present_value_factor,
    real_rate,
    repair_cost_weights,
    series_factor,
    yearly_ages,
)


def test_published_factors():
    # NIST Handbook 135 and ISO 15686-5 arithmetic (recalled, recomputed): 5 % nominal at 2 %
    # inflation is 2.941 %; at 3 % a payment after 10 yr counts .7441, ten yearly ones 8.5302.
    assert_allclose(real_rate(0.05, 0.02), 0.02941, rtol=0, atol=5e-6)
    assert_allclose(present_value_factor(0.03, 10), 0.7441, rtol=0, atol=5e-5)
    assert_allclose(series_factor(0.03, 10), 8.5302, rtol=0, atol=5e-5)


@settings(deadline=None, max_examples=50)
@given(st.integers(-50, 400), st.integers(1, 120))
def test_factors_equal_numpy_financial(per_mille, years):
    if per_mille == 0:  # numpy-financial divides by the rate
        assert (float(present_value_factor(0.0, years)), series_factor(0.0, years)) == (1.0, years)
        return
    rate = per_mille / 1000.0
    assert_allclose(present_value_factor(rate, years), -npf.pv(rate, years, 0.0, 1.0), rtol=1e-10)
    assert_allclose(series_factor(rate, years), -npf.pv(rate, years, 1.0), rtol=1e-8)


def test_expected_repair_is_the_net_present_value_of_the_growth():
    years = yearly_ages(60.0)
    p = special.ndtr((np.log(years) - 4.0) / 0.8)
    flows = np.concatenate([[0.0], np.diff(p, prepend=0.0)])
    for rate in (0.0, 0.0294, 0.08, -0.01):
        assert_allclose(expected_repair_cost(p, years, rate=rate), npf.npv(rate, flows), rtol=1e-12)


def test_parts_of_a_repair_come_later_and_not_after_the_horizon():
    years = yearly_ages(30.0)
    p = np.where(years >= 20.0, 0.5, 0.0)  # half the walls in year 20
    cost = expected_repair_cost(
        p, years, rate=0.03, instalments=((0.0, 0.4), (5.0, 0.4), (15.0, 0.2))
    )
    exact = 0.5 * (0.4 * -npf.pv(0.03, 20, 0, 1) + 0.4 * -npf.pv(0.03, 25, 0, 1))
    assert_allclose(cost, exact, rtol=1e-12)


@pytest.mark.parametrize("horizon", [50.0, 100.0, 200.0])
@pytest.mark.parametrize("rate", [0.0, 0.03, 0.08])
def test_few_ages_give_the_cost_of_all_years(horizon, rate):
    # a lognormal age at depassivation, sums over every year against a spline through 16 ages
    years, ages = yearly_ages(horizon), cost_ages(horizon, exact=False, special=[75.0])
    parts = ((8.0, 0.6), (20.0, 0.4))

    def p(t):
        return special.ndtr((np.log(t) - 4.4) / 0.7)

    whole = expected_repair_cost(p(years), years, rate=rate, instalments=parts)
    few = repair_cost_weights(ages, horizon, rate=rate, instalments=parts) @ p(ages)
    assert_allclose(few, whole, rtol=2e-4, atol=1e-5)


def test_every_year_is_taken_where_the_curve_may_have_steps():
    ages = cost_ages(40.0, exact=True)
    p = np.where(ages >= 17.0, 1.0, 0.0)
    assert_allclose(repair_cost_weights(ages, 40.0, rate=0.04) @ p, 1.04**-17.0, rtol=1e-10)


def test_a_horizon_between_years_counts_its_own_end():
    years = yearly_ages(10.5)
    assert years.tolist() == [*range(1, 11), 10.5]
    p = np.append(np.zeros(10), 1.0)
    assert_allclose(expected_repair_cost(p, years, rate=0.05), 1.05**-10.5, rtol=1e-12)


@pytest.mark.parametrize("rate", [-1.0, -1.5, float("nan")])
def test_a_rate_of_minus_100_percent_is_refused(rate):
    with pytest.raises(InputError, match=r"discount rate: = .* %: must be above -100 %"):
        present_value_factor(rate, 10)


def rising(ages):
    return special.ndtr((np.log(np.maximum(ages, 1e-9)) - 3.5) / 0.6)


def test_what_comes_later_is_all_of_it_from_the_start():
    """At age 0 with nothing done before it is the expected repair of a whole life."""
    parts = ((3.0, 0.6), (12.0, 0.4))
    years = yearly_ages(60.0)
    whole = expected_repair_cost(rising(years), years, rate=0.03, instalments=parts)
    later = later_repair_cost(
        rising, np.array([0.0]), start=0.0, horizon=60.0, rate=0.03, instalments=parts
    )
    assert_allclose(later, [whole], rtol=1e-12)


def test_later_repairs_by_a_plain_loop():
    for age, start, horizon in ((12.3, 4.0, 60.0), (0.0, 2.5, 20.0), (-3.0, 1.0, 30.0)):
        total, end = 0.0, horizon - age
        now = start
        while now < end - 1e-12:
            after = min(now + 1.0, end)
            growth = rising(max(age + after, 0.0)) - rising(max(age + now, 0.0))
            for wait, share in ((0.0, 0.5), (5.0, 0.5)):
                if after + wait <= end + 1e-9:
                    total += growth * share * 1.02 ** -(after + wait)
            now = after
        found = later_repair_cost(
            lambda ages: np.where(ages < 0.0, 0.0, rising(ages)),
            np.array([age, 100.0]),
            start=start,
            horizon=horizon,
            rate=0.02,
            instalments=((0.0, 0.5), (5.0, 0.5)),
        )
        assert_allclose(found, [total, 0.0], rtol=1e-12, atol=1e-15)
