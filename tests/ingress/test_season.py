"""Seasons against direct integration, and what they amount to."""

import itertools

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import quad

from stripwise.ingress.clock import Clock, log_temperature_factor, monthly_temperature_factor
from stripwise.ingress.season import month_departures, month_shares, season_factor

MONTHLY = 273.15 + np.array([-2, 0, 4, 9, 14, 17, 19, 18, 14, 9, 4, 0.0])
"""Invented."""


@pytest.mark.parametrize("first", [0, 3, 9])
@pytest.mark.parametrize("age", [0.3, 1.0, 2.6])
def test_factor_equals_direct_integration(first, age):
    exponent, coefficient, clock = 0.45, 4800.0, Clock(convention="instantaneous")
    factors = np.exp(log_temperature_factor(MONTHLY, coefficient))

    def rate(t):
        month = (first + int(np.floor(12.0 * t + 1e-12))) % 12
        return factors[month] * (clock.reference_age / (t + clock.exposure_age)) ** exponent

    pieces = np.unique(np.append(np.arange(0.0, age, 1.0 / 12.0), age))
    exact = sum(
        quad(rate, a + 1e-13, b - 1e-13, epsabs=1e-13)[0] for a, b in itertools.pairwise(pieces)
    )
    plain = float(np.exp(clock.log_shape(age, exponent)))
    mean = float(monthly_temperature_factor(MONTHLY, coefficient))
    departures = month_departures(MONTHLY, coefficient)
    found = season_factor(age, exponent, departures=departures, clock=clock, first=first)
    assert_allclose(found * plain * mean, exact, rtol=1e-7)


def test_shares_sum_to_one_and_whole_years_of_constant_diffusivity_need_no_season():
    exponents = np.array([0.0, 0.2, 0.5, 0.9, 0.99])
    for age in (0.05, 1.0, 7.4, 60.0):
        shares = month_shares(age, exponents, clock=Clock(), first=5)
        assert_allclose(shares.sum(axis=0), 1.0, rtol=0, atol=1e-9)
        assert np.all(shares > -1e-9)
    departures = month_departures(MONTHLY, [3000.0, 4800.0])
    even = season_factor(3.0, np.zeros(2), departures=departures, clock=Clock(), first=8)
    assert_allclose(even, 1.0, rtol=0, atol=1e-9)


def test_the_first_season_fades():
    # Computed beforehand for a temperate climate at an exponent of 0.3: within 0.85 to 1.20 after
    # one year and within 2 % after fifty, whatever the month.
    departures = month_departures(MONTHLY, 4800.0)

    def spread(age):
        return [
            float(season_factor(age, 0.3, departures=departures, clock=Clock(), first=m)[0])
            for m in range(12)
        ]

    early, late = spread(1.0), spread(50.0)
    assert min(early) < 0.95
    assert max(early) > 1.05
    assert 0.85 < min(early) < max(early) < 1.20
    assert 0.98 < min(late) < max(late) < 1.02


def test_no_variation_is_no_season():
    same = np.full(12, 283.15)
    departures = month_departures(same, 4800.0)
    found = season_factor(2.3, 0.4, departures=departures, clock=Clock(), first=2)
    assert_allclose(found, 1.0, rtol=1e-12)
