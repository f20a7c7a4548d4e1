"""Seasons: transformed time integrated month by month from the month of first exposure.

The diffusivity of the instant is d tau / dt of the plain clock times the factor of the month, so
that each month adds its own closed piece. What is tabulated is the share of tau that falls into
each month of the year, which depends on the age and the ageing exponent alone.
"""

from __future__ import annotations

import functools

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import ArrayLike, NDArray

from stripwise.ingress.clock import Clock, log_temperature_factor

__all__ = ["MONTHS", "month_departures", "month_shares", "season_factor"]

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

DEGREE = 20
"""Of the polynomial in the ageing exponent; the shares are entire in it, the error is rounding."""


def month_departures(monthly: ArrayLike, coefficient: ArrayLike) -> Array:
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


def month_shares(age: float, exponent: ArrayLike, *, clock: Clock, first: int) -> Array:
    """Share of the transformed time that each month of the year has contributed.

    Parameters
    ----------
    age
        Time since first exposure [yr], above 0.
    exponent
        Ageing exponent, (n,).
    clock
        Ageing.
    first
        Month of first exposure, 0 for January; exposure begins on its first day.

    Returns
    -------
    (12, n) shares that sum to 1.

    Examples
    --------
    >>> shares = month_shares(1.0, [0.0], clock=Clock(), first=3)
    >>> bool(np.allclose(shares, 1 / 12))
    True
    """
    a = np.atleast_1d(np.asarray(exponent, dtype=float))
    terms = chebyshev.chebvander(2.0 * a - 1.0, DEGREE).T
    return np.asarray(np.einsum("mk,kn->mn", _coefficients(age, clock, first), terms))


@functools.lru_cache(maxsize=1024)
def _coefficients(age: float, clock: Clock, first: int) -> Array:
    """Chebyshev coefficients of the shares in the ageing exponent, (12, DEGREE + 1)."""
    nodes = 0.5 * (chebyshev.chebpts1(DEGREE + 1) + 1.0)
    count = max(int(np.ceil(12.0 * age - 1e-9)), 1)
    ends = np.minimum(np.arange(1, count + 1) / 12.0, age)
    total = clock.log_shape(age, nodes)
    grown = np.exp(clock.log_shape(ends[:, None], nodes) - total)
    pieces = np.diff(grown, axis=0, prepend=0.0)
    shares = np.zeros((12, nodes.size))
    np.add.at(shares, (first + np.arange(count)) % 12, pieces)
    return np.asarray(chebyshev.chebfit(2.0 * nodes - 1.0, shares.T, DEGREE).T)


def season_factor(
    age: float, exponent: ArrayLike, *, departures: Array, clock: Clock, first: int
) -> Array:
    """Return transformed time over that with the mean temperature factor of the year.

    Parameters
    ----------
    age
        Time since first exposure [yr]; 0 gives the factor of the first month.
    exponent
        Ageing exponent, a number or (n,).
    departures
        (12, n) from `month_departures`.
    clock, first
        As for `month_shares`.

    Returns
    -------
    (n,) factor on tau.
    """
    if age <= 0.0:
        return np.asarray(1.0 + departures[first])
    shares = month_shares(age, exponent, clock=clock, first=first)
    return np.asarray(1.0 + np.sum(departures * shares, axis=0))
