"""What repairs that may come cost today, from the probability that they have come.

The expected cost is a sum over ages of the growth of the probability times the discounted price:
linear in the probability, so that one row of weights serves every design point.

Axes: n ages at which the probability is known, y years.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stripwise.errors import InputError
from stripwise.risk.probability.cubics import read_cubics, spline_slopes

__all__ = [
    "cost_ages",
    "expected_repair_cost",
    "later_repair_cost",
    "present_value_factor",
    "real_rate",
    "repair_cost_weights",
    "series_factor",
    "yearly_ages",
]

Array = NDArray[np.float64]

MAX_COST_AGES = 16
"""Most ages at which the probability is computed for the cost, even in their cube root."""

Instalments = Sequence[tuple[float, float]]
"""(years after depassivation, share of the price) of each part of a repair."""


def real_rate(nominal: float, inflation: float) -> float:
    """Real discount rate from the nominal one.

    Parameters
    ----------
    nominal, inflation
        Rates per year, as shares, above -1.

    Returns
    -------
    (1 + nominal) / (1 + inflation) - 1.

    Raises
    ------
    InputError
        If a rate is not above -1.

    References
    ----------
    NIST Handbook 135, Life-Cycle Costing Manual; ISO 15686-5 (recalled).

    Examples
    --------
    >>> round(100 * real_rate(0.05, 0.02), 3)
    2.941
    """
    return (1.0 + _checked_rate(nominal)) / (1.0 + _checked_rate(inflation)) - 1.0


def present_value_factor(rate: float, years: ArrayLike) -> Array:
    """Worth today of 1 paid after some years.

    Parameters
    ----------
    rate
        Rate per year, as a share, above -1.
    years
        Years from today, any shape.

    Returns
    -------
    (1 + rate)^-years, of the same shape.

    Raises
    ------
    InputError
        If the rate is not above -1.

    Examples
    --------
    >>> round(float(present_value_factor(0.03, 10)), 4)
    0.7441
    """
    return np.asarray((1.0 + _checked_rate(rate)) ** -np.asarray(years, dtype=float))


def series_factor(rate: float, years: int) -> float:
    """Worth today of 1 paid at the end of each of some years.

    Parameters
    ----------
    rate
        Rate per year, as a share, above -1.
    years
        Number of payments.

    Returns
    -------
    The sum of the present value factors of the years 1 to `years`.

    Examples
    --------
    >>> round(series_factor(0.03, 10), 4)
    8.5302
    """
    return float(present_value_factor(rate, np.arange(1, years + 1)).sum())


def yearly_ages(horizon: float) -> Array:
    """Return the ends of the years up to the horizon, and the horizon itself [yr]."""
    whole = np.arange(1.0, np.floor(horizon) + 1.0)
    return whole if whole.size and whole[-1] == horizon else np.append(whole, horizon)


def expected_repair_cost(
    probability: Array, years: Array, *, rate: float, instalments: Instalments = ((0.0, 1.0),)
) -> Array:
    """Sum the expected present cost of repair, as a share of the price of one repair.

    Parameters
    ----------
    probability
        (..., y) probability of depassivation at the end of each year; nothing is depassivated
        before the first year begins.
    years
        (y,) those ages [yr].
    rate
        Real discount rate per year, as a share, above -1.
    instalments
        (years after depassivation, share of the price) of each part; parts beyond the last age
        are not paid.

    Returns
    -------
    (...) sum over years of [P(t_i) - P(t_i-1)] times the discounted parts.

    Raises
    ------
    InputError
        If the rate is not above -1.

    Notes
    -----
    E[C] = sum_i [P(t_i) - P(t_i-1)] sum_j s_j C (1 + r)^-(t_i + a_j), each repair at the end of
    the year in which the steel is depassivated, once.

    References
    ----------
    Val and Stewart, Struct. Safety 25, 2003: expected cost from increments of the probability
    (recalled).

    Examples
    --------
    >>> years = np.array([1.0, 10.0])
    >>> round(float(expected_repair_cost(np.array([0.0, 1.0]), years, rate=0.03)), 4)
    0.7441
    """
    growth = np.diff(probability, axis=-1, prepend=0.0)
    return np.asarray(growth @ _discounted_price(years, rate, instalments))


def later_repair_cost(
    probability: Callable[[Array], Array],
    ages: Array,
    *,
    start: float,
    horizon: float,
    rate: float,
    instalments: Instalments = ((0.0, 1.0),),
) -> Array:
    """Sum the expected present cost of what is depassivated after a year, over one repair's price.

    Parameters
    ----------
    probability
        Returns the probability at ages (e, y) [yr], a row each; 0 before first exposure.
    ages
        (e,) ages today [yr].
    start
        Years from today after which depassivation counts.
    horizon
        Age after which nothing is paid [yr].
    rate, instalments
        As for `expected_repair_cost`; discounted to today.

    Returns
    -------
    (e,) sum over the years after `start`; what was depassivated before costs the same whatever is
    done, and is left out.

    Examples
    --------
    >>> certain = later_repair_cost(
    ...     lambda ages: (ages >= 10.0).astype(float), np.array([0.0]), start=5.0, horizon=50.0,
    ...     rate=0.03,
    ... )
    >>> certain.round(4)
    array([0.7441])
    """
    ends = horizon - ages
    years = max(int(np.ceil(float(np.max(ends)) - start)), 0)
    steps = start + np.arange(years + 1.0)
    offsets = np.minimum(steps, np.maximum(ends, start)[:, np.newaxis])
    growth = np.diff(probability(ages[:, np.newaxis] + offsets), axis=1)
    price = np.zeros(growth.shape)
    for after, share in instalments:
        paid = offsets[:, 1:] + after
        in_time = paid <= ends[:, np.newaxis] + 1e-9
        price += np.where(in_time, share * present_value_factor(rate, paid), 0.0)
    return np.asarray((growth * price).sum(axis=1))


def repair_cost_weights(
    ages: Array, horizon: float, *, rate: float, instalments: Instalments = ((0.0, 1.0),)
) -> Array:
    """Weights on probabilities at a few ages that give the expected present cost of repair.

    Parameters
    ----------
    ages
        (n,) rising ages, the last is the horizon or later [yr].
    horizon
        Age after which nothing is paid [yr].
    rate, instalments
        As for `expected_repair_cost`.

    Returns
    -------
    (n,) weights w: the cost is w @ probability, a share of the price of one repair. Between the
    ages the probability is a cubic spline in the cube root of the age, which follows both its
    start and its end, and before the first proportional to age.
    """
    years = yearly_ages(horizon)
    # the same sum, by parts: every year's probability times a fall of the discounted price
    price = _discounted_price(years, rate, instalments)
    by_year = price - np.append(price[1:], 0.0)
    early = years < ages[0]
    weights = np.zeros(len(ages))
    weights[0] += float(by_year[early] @ (years[early] / ages[0]))
    if len(ages) < 4:
        unit = np.array([np.interp(years[~early], ages, row) for row in np.eye(len(ages))]).T
    else:
        roots, one = np.cbrt(ages), np.eye(len(ages))
        unit = read_cubics(roots, one, spline_slopes(roots, one), np.cbrt(years[~early])).T
    return np.asarray(weights + by_year[~early] @ unit)


def cost_ages(horizon: float, *, exact: bool, special: Sequence[float] = ()) -> Array:
    """Choose the rising ages [yr] at which the probability is computed, the horizon last.

    `exact` takes every year, for a curve with steps; `special` are ages where it may bend [yr].
    """
    years = yearly_ages(horizon)
    if exact or len(years) <= MAX_COST_AGES:
        return years
    ages = np.linspace(1.0, np.cbrt(horizon), MAX_COST_AGES) ** 3
    ages[-1] = horizon
    for age in special:
        if ages[0] < age < ages[-1]:
            ages[1 + int(np.argmin(np.abs(np.cbrt(ages[1:-1]) - np.cbrt(age))))] = age
    return np.unique(ages)


def _discounted_price(years: Array, rate: float, instalments: Instalments) -> Array:
    """Return the discounted price of a repair whose steel is depassivated in each year, (y,)."""
    price = np.zeros(len(years))
    for after, share in instalments:
        paid = years + after
        factor = present_value_factor(rate, paid)
        price += np.where(paid <= years[-1] + 1e-9, share * factor, 0.0)
    return price


def _checked_rate(rate: float) -> float:
    if not rate > -1.0:
        raise InputError("discount rate", f"= {100 * rate:g} %: must be above -100 %")
    return float(rate)
