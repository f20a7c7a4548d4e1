"""How the seasons change the transformed time, month by month from first exposure.

The diffusivity of the instant is d tau / dt of the ageing law times the factor of the month, so
that each month adds a closed term. The fraction of tau that falls into each month of the year
depends on the age and the ageing exponent alone, and is tabulated.
"""

from __future__ import annotations

import functools

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import ArrayLike, NDArray

from stripwise.ingress.transformed_time import AgeingLaw, log_temperature_factor

__all__ = ["MONTHS", "monthly_deviations", "monthly_fractions", "seasonal_factor"]

Array = NDArray[np.float64]

MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
"""Each counts a twelfth of a year."""

POLYNOMIAL_DEGREE = 20
"""Degree of the polynomial in the ageing exponent; what it leaves out is below rounding."""


def monthly_deviations(monthly: ArrayLike, coefficient: ArrayLike) -> Array:
    """Return each month's temperature factor relative to the mean of all twelve, less one.

    Parameters
    ----------
    monthly
        (12,) monthly temperatures from January on [K].
    coefficient
        Regression parameter b_e, a number or (n,) [K].

    Returns
    -------
    (12, n) k_m / mean(k) - 1.
    """
    b = np.atleast_1d(np.asarray(coefficient, dtype=float))
    t = np.asarray(monthly, dtype=float)[:, None]
    factors = np.exp(log_temperature_factor(t, b))
    return np.asarray(factors / factors.mean(axis=0) - 1.0)


def monthly_fractions(
    age: float, exponent: ArrayLike, *, ageing_law: AgeingLaw, first_month: int
) -> Array:
    """Fraction of the transformed time that each month of the year has contributed.

    Parameters
    ----------
    age
        Time since first exposure [yr], above 0.
    exponent
        Ageing exponent, (n,).
    ageing_law
        Ageing.
    first_month
        Month of first exposure, 0 for January; exposure begins on its first day.

    Returns
    -------
    (12, n) fractions that sum to 1.

    Examples
    --------
    >>> fractions = monthly_fractions(1.0, [0.0], ageing_law=AgeingLaw(), first_month=3)
    >>> bool(np.allclose(fractions, 1 / 12))
    True
    """
    a = np.atleast_1d(np.asarray(exponent, dtype=float))
    terms = chebyshev.chebvander(2.0 * a - 1.0, POLYNOMIAL_DEGREE).T
    return np.asarray(np.einsum("mk,kn->mn", _coefficients(age, ageing_law, first_month), terms))


@functools.lru_cache(maxsize=1024)
def _coefficients(age: float, ageing_law: AgeingLaw, first_month: int) -> Array:
    """Chebyshev coefficients of the fractions in the ageing exponent, (12, DEGREE + 1)."""
    nodes = 0.5 * (chebyshev.chebpts1(POLYNOMIAL_DEGREE + 1) + 1.0)
    count = max(int(np.ceil(12.0 * age - 1e-9)), 1)
    ends = np.minimum(np.arange(1, count + 1) / 12.0, age)
    total = ageing_law.log_effective_time(age, nodes)
    growth = np.exp(ageing_law.log_effective_time(ends[:, None], nodes) - total)
    increments = np.diff(growth, axis=0, prepend=0.0)
    fractions = np.zeros((12, nodes.size))
    np.add.at(fractions, (first_month + np.arange(count)) % 12, increments)
    return np.asarray(chebyshev.chebfit(2.0 * nodes - 1.0, fractions.T, POLYNOMIAL_DEGREE).T)


def seasonal_factor(
    age: float, exponent: ArrayLike, *, deviations: Array, ageing_law: AgeingLaw, first_month: int
) -> Array:
    """Return transformed time over that with the mean temperature factor of the year.

    Parameters
    ----------
    age
        Time since first exposure [yr]; 0 gives the factor of the first month.
    exponent
        Ageing exponent, a number or (n,).
    deviations
        (12, n) from `monthly_deviations`.
    ageing_law, first_month
        As for `monthly_fractions`.

    Returns
    -------
    (n,) factor on tau.
    """
    if age <= 0.0:
        return np.asarray(1.0 + deviations[first_month])
    fractions = monthly_fractions(age, exponent, ageing_law=ageing_law, first_month=first_month)
    return np.asarray(1.0 + np.sum(deviations * fractions, axis=0))
