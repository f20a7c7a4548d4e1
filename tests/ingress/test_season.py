"""Seasons against direct integration, and what they amount to."""

import itertools

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import quad

from stripwise.ingress.season import monthly_deviations, monthly_fractions, seasonal_factor
from stripwise.ingress.transformed_time import (
    AgeingLaw,
    log_temperature_factor,
    monthly_temperature_factor,
)

MONTHLY = 273.15 + np.array([-2, 0, 4, 9, 14, 17, 19, 18, 14, 9, 4, 0.0])
"""Invented."""


@pytest.mark.parametrize("first", [0, 3, 9])
@pytest.mark.parametrize("age", [0.3, 1.0, 2.6])
def test_factor_equals_direct_integration(first, age):
    exponent, coefficient, ageing_law = 0.45, 4800.0, AgeingLaw(convention="instantaneous")
    factors = np.exp(log_temperature_factor(MONTHLY, coefficient))

    def rate(t):
        month = (first + int(np.floor(12.0 * t + 1e-12))) % 12
        return (
            factors[month] * (ageing_law.reference_age / (t + ageing_law.exposure_age)) ** exponent
        )

    pieces = np.unique(np.append(np.arange(0.0, age, 1.0 / 12.0), age))
    exact = sum(
        quad(rate, a + 1e-13, b - 1e-13, epsabs=1e-13)[0] for a, b in itertools.pairwise(pieces)
    )
    plain = float(np.exp(ageing_law.log_effective_time(age, exponent)))
    mean = float(monthly_temperature_factor(MONTHLY, coefficient))
    deviations = monthly_deviations(MONTHLY, coefficient)
    found = seasonal_factor(
        age, exponent, deviations=deviations, ageing_law=ageing_law, first_month=first
    )
    assert_allclose(found * plain * mean, exact, rtol=1e-7)


def test_shares_sum_to_one_and_whole_years_of_constant_diffusivity_need_no_season():
    exponents = np.array([0.0, 0.2, 0.5, 0.9, 0.99])
    for age in (0.05, 1.0, 7.4, 60.0):
        shares = monthly_fractions(age, exponents, ageing_law=AgeingLaw(), first_month=5)
        assert_allclose(shares.sum(axis=0), 1.0, rtol=0, atol=1e-9)
        assert np.all(shares > -1e-9)
    deviations = monthly_deviations(MONTHLY, [3000.0, 4800.0])
    even = seasonal_factor(
        3.0, np.zeros(2), deviations=deviations, ageing_law=AgeingLaw(), first_month=8
    )
    assert_allclose(even, 1.0, rtol=0, atol=1e-9)


def test_the_first_season_fades():
    # Computed beforehand for a temperate climate at an exponent of 0.3: within 0.85 to 1.20 after
    # one year and within 2 % after fifty, whatever the month.
    deviations = monthly_deviations(MONTHLY, 4800.0)

    def spread(age):
        return [
            float(
                seasonal_factor(
                    age, 0.3, deviations=deviations, ageing_law=AgeingLaw(), first_month=m
                )[0]
            )
            for m in range(12)
        ]

    early, late = spread(1.0), spread(50.0)
    assert min(early) < 0.95
    assert max(early) > 1.05
    assert 0.85 < min(early) < max(early) < 1.20
    assert 0.98 < min(late) < max(late) < 1.02


def test_no_variation_is_no_season():
    same = np.full(12, 283.15)
    deviations = monthly_deviations(same, 4800.0)
    found = seasonal_factor(2.3, 0.4, deviations=deviations, ageing_law=AgeingLaw(), first_month=2)
    assert_allclose(found, 1.0, rtol=1e-12)
