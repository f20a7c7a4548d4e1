"""Depth of the carbonation front, with the guideline's own curing term."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stripwise.ingress.transformed_time import DAYS_PER_YEAR
from stripwise.published import constant

__all__ = [
    "carbonation_age",
    "carbonation_depth",
    "carbonation_rate",
    "curing_term",
    "humidity_term",
    "weather_power",
]

Array = NDArray[np.float64]

KEY = "fib34.carbonation"


def humidity_term(humidity: ArrayLike) -> Array:
    """Factor k_e of the relative humidity of the concrete's surroundings.

    Parameters
    ----------
    humidity
        Relative humidity, any shape [%].

    Returns
    -------
    k_e, 1 at 65 % and 0 at 100 %.

    References
    ----------
    fib Bulletin 34, Model Code for Service Life Design, 2006, Annex B1 (recalled).

    Examples
    --------
    >>> round(float(humidity_term(75.0)), 4)
    0.6915
    """
    inner, outer = constant(f"{KEY}.humidity.inner"), constant(f"{KEY}.humidity.outer")
    wet = (np.asarray(humidity, dtype=float) / 100.0) ** inner
    dry = 1.0 - (constant(f"{KEY}.humidity.reference") / 100.0) ** inner
    return np.asarray((np.maximum(1.0 - wet, 0.0) / dry) ** outer)


def curing_term(days: ArrayLike, exponent: ArrayLike) -> Array:
    """Factor k_c of the curing duration on the inverse resistance to carbonation.

    Parameters
    ----------
    days
        Effective curing duration, broadcasts with `exponent` [d].
    exponent
        b_c, about -0.57.

    Returns
    -------
    (days / 7)^b_c.

    References
    ----------
    fib Bulletin 34, 2006, Annex B1 (recalled).

    Examples
    --------
    >>> round(float(curing_term(1.0, -0.567)), 3)
    3.014
    """
    reference = constant(f"{KEY}.reference_curing")
    return np.asarray((np.asarray(days, dtype=float) / reference) ** np.asarray(exponent))


def weather_power(
    driving_rain_probability: ArrayLike, wet_day_fraction: ArrayLike, exponent: ArrayLike
) -> Array:
    """Power w of the weather function W(t) = (t0 / t)^w.

    Parameters
    ----------
    driving_rain_probability
        Probability of driving rain p_SR, in [0, 1].
    wet_day_fraction
        Fraction of days with rain of 2.5 mm or more, ToW, in [0, 1].
    exponent
        b_w.

    Returns
    -------
    (p_SR ToW)^b_w / 2, in [0, 1/2]; 0 for a sheltered face.

    References
    ----------
    fib Bulletin 34, 2006, Annex B1 (recalled).
    """
    wet = np.asarray(driving_rain_probability, dtype=float) * np.asarray(
        wet_day_fraction, dtype=float
    )
    with np.errstate(divide="ignore"):
        power = 0.5 * np.exp(np.asarray(exponent) * np.log(wet))
    return np.asarray(np.where(wet > 0.0, np.clip(power, 0.0, 0.5), 0.0))


def carbonation_rate(
    *,
    humidity: ArrayLike,
    curing: ArrayLike,
    inverse_resistance: ArrayLike,
    test_factor: ArrayLike,
    test_error: ArrayLike,
    co2: ArrayLike,
) -> Array:
    """Rate A^2 of the square root law x = A sqrt(t).

    Parameters
    ----------
    humidity
        Relative humidity [%].
    curing
        k_c from `curing_term`.
    inverse_resistance
        R^-1 of the accelerated test after 7 d of curing [(mm2/yr)/(kg/m3)].
    test_factor, test_error
        k_t, and eps_t [(mm2/yr)/(kg/m3)].
    co2
        C_s [kg/m3].

    Returns
    -------
    2 k_e k_c (k_t R^-1 + eps_t) C_s [mm2/yr], at least 0, of the broadcast shape.

    References
    ----------
    fib Bulletin 34, 2006, Annex B1 (recalled).
    """
    resistance = np.asarray(test_factor) * np.asarray(inverse_resistance) + np.asarray(test_error)
    rate = 2.0 * humidity_term(humidity) * np.asarray(curing) * resistance * np.asarray(co2)
    return np.asarray(np.maximum(rate, 0.0))


def carbonation_depth(age: ArrayLike, *, rate: ArrayLike, power: ArrayLike) -> Array:
    """Depth of the carbonation front.

    Parameters
    ----------
    age
        Time since first exposure [yr].
    rate
        From `carbonation_rate` [mm2/yr].
    power
        From `weather_power`.

    Returns
    -------
    sqrt(rate t) (t0 / t)^w [mm], of the broadcast shape.

    Examples
    --------
    >>> rate = carbonation_rate(
    ...     humidity=75.0, curing=1.0, inverse_resistance=6.8 * 315.576, test_factor=1.25,
    ...     test_error=315.5, co2=8.2e-4,
    ... )
    >>> round(float(carbonation_depth(50.0, rate=rate, power=0.0)), 2)
    13.04
    """
    t, w = np.asarray(age, dtype=float), np.asarray(power, dtype=float)
    start = constant(f"{KEY}.weather_age") / DAYS_PER_YEAR
    return np.asarray(np.sqrt(np.asarray(rate)) * start**w * t ** (0.5 - w))


def carbonation_age(depth: ArrayLike, *, rate: ArrayLike, power: ArrayLike) -> Array:
    """Return the age at which the carbonation front reaches a depth: inverse of the depth.

    Parameters
    ----------
    depth
        Depth from the surface [mm].
    rate, power
        As for `carbonation_depth`.

    Returns
    -------
    Age [yr]; inf where never.
    """
    w = np.asarray(power, dtype=float)
    start = constant(f"{KEY}.weather_age") / DAYS_PER_YEAR
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        base = np.asarray(depth, dtype=float) / (np.sqrt(np.asarray(rate)) * start**w)
        age = base ** (1.0 / (0.5 - w))
    return np.asarray(np.where(np.asarray(rate) > 0.0, age, np.inf))
