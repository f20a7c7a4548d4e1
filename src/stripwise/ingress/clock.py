"""From exposure time to transformed time tau: ageing and temperature of the diffusivity.

Every front depends on time through tau alone, in mm2, so conventions of ageing stay in this module.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from stripwise.published import constant

__all__ = [
    "DAYS_PER_YEAR",
    "REFERENCE_AGE",
    "REFERENCE_TEMPERATURE",
    "ZERO_CELSIUS",
    "Clock",
    "log_temperature_factor",
    "monthly_temperature_factor",
]

Array = NDArray[np.float64]

DAYS_PER_YEAR = 365.25
ZERO_CELSIUS = 273.15
"""[K]"""
REFERENCE_TEMPERATURE = constant("fib34.chloride.reference_temperature")
"""T_ref [K]."""
REFERENCE_AGE = constant("fib34.chloride.reference_age") / DAYS_PER_YEAR
"""Age t_ref that a diffusivity belongs to unless the scenario says otherwise [yr]."""


@dataclass(frozen=True, slots=True)
class Clock:
    """How the diffusivity falls with time.

    With rate = k_e k_t D_ref, tau = rate * exp(log_shape). In the *apparent* convention D falls
    with the age since first exposure and multiplies the whole time; in the *instantaneous* one it
    falls with the age of the concrete and is integrated.

    Attributes
    ----------
    reference_age
        Age t_ref that the diffusivity belongs to [yr].
    convention
        "apparent" or "instantaneous".
    exposure_age
        Age of the concrete at first exposure t_ex [yr]; instantaneous convention only.
    ageing_ends
        Time since first exposure after which the diffusivity stays [yr]; inf if never.

    Notes
    -----
    apparent: tau = k_e k_t D_ref (t_ref/t)^a t (fib Bulletin 34, 2006, Annex B2, recalled).
    instantaneous: tau = k_e k_t D_ref t_ref^a [(t+t_ex)^(1-a) - t_ex^(1-a)] / (1-a), the logarithm
    at a = 1 (Tang and Gulikers, Cem. Concr. Res. 37, 2007, recalled).
    """

    reference_age: float = REFERENCE_AGE
    convention: str = "apparent"
    exposure_age: float = REFERENCE_AGE
    ageing_ends: float = np.inf

    def log_shape(self, age: ArrayLike, exponent: ArrayLike) -> Array:
        """Logarithm of tau / rate, that is of an effective time.

        Parameters
        ----------
        age
            Time since first exposure, broadcasts with `exponent` [yr]; 0 gives the limit.
        exponent
            Ageing exponent a in [0, 1].

        Returns
        -------
        ln(tau / rate), tau / rate in yr, of the broadcast shape.

        Examples
        --------
        >>> clock = Clock()
        >>> round(float(np.exp(clock.log_shape(50.0, 0.3))), 3)
        7.156
        """
        t = np.asarray(age, dtype=float)
        a = np.asarray(exponent, dtype=float)
        if self.convention == "apparent":
            until = np.minimum(t, self.ageing_ends)
            beyond = (
                np.log(np.maximum(t, self.ageing_ends) / self.ageing_ends)
                if (np.isfinite(self.ageing_ends))
                else 0.0
            )
            grown = (
                special.xlogy(1.0 - a, until) if np.any(until == 0) else (1.0 - a) * np.log(until)
            )
            return np.asarray(a * np.log(self.reference_age) + grown + beyond)
        ageing_time = np.minimum(t, self.ageing_ends)
        late = t - ageing_time
        with np.errstate(divide="ignore"):
            steady = a * (np.log(self.reference_age) - np.log(ageing_time + self.exposure_age))
            time = self._integral(ageing_time, a) + late * np.exp(steady)
            return np.asarray(np.log(time))

    def _integral(self, t: Array, a: Array) -> Array:
        """Integral of (t_ref / (t' + t_ex))^a over t' from 0 to t [yr]."""
        stretch = np.log1p(t / self.exposure_age)
        start = self.exposure_age * np.exp(
            a * (np.log(self.reference_age) - np.log(self.exposure_age))
        )
        return np.asarray(start * stretch * special.exprel((1.0 - a) * stretch))

    def log_speed(self, age: ArrayLike, exponent: ArrayLike) -> Array:
        """Logarithm of d(tau / rate) / dt, the slope of the effective time.

        Parameters
        ----------
        age
            Time since first exposure, above 0; broadcasts with `exponent` [yr].
        exponent
            Ageing exponent a in [0, 1].

        Returns
        -------
        ln of the slope, a pure number, of the broadcast shape; -inf where a = 1 in the apparent
        convention, where tau stands still.

        Examples
        --------
        >>> clock = Clock(reference_age=1.0)
        >>> round(float(np.exp(clock.log_speed(4.0, 0.5))), 3)
        0.25
        """
        t = np.asarray(age, dtype=float)
        a = np.asarray(exponent, dtype=float)
        aged = np.minimum(t, self.ageing_ends)
        if self.convention != "apparent":
            return np.asarray(a * (np.log(self.reference_age) - np.log(aged + self.exposure_age)))
        with np.errstate(divide="ignore"):
            slope = np.where(t < self.ageing_ends, np.log1p(-a), 0.0)
            return np.asarray(slope + a * (np.log(self.reference_age) - np.log(aged)))

    def age(self, log_shape: ArrayLike, exponent: ArrayLike) -> Array:
        """Time since first exposure at which tau / rate reaches a value: inverse of `log_shape`.

        Parameters
        ----------
        log_shape
            ln(tau / rate), tau / rate in yr; broadcasts with `exponent`.
        exponent
            Ageing exponent a in [0, 1].

        Returns
        -------
        Age [yr] of the broadcast shape; 0 where the value is passed at once, inf where never.
        """
        target = np.asarray(log_shape, dtype=float)
        a = np.asarray(exponent, dtype=float)
        if self.convention == "apparent":
            with np.errstate(over="ignore"):
                return np.asarray(np.exp(self._apparent_log_age(target, a)))
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            scale = self.exposure_age * np.exp(
                a * (np.log(self.reference_age) - np.log(self.exposure_age))
            )
            ratio = np.exp(target) / scale
            power = 1.0 - a
            growth = np.where(
                power > 1e-9, np.log1p(power * ratio) / np.where(power > 0, power, 1.0), ratio
            )
            age = self.exposure_age * np.expm1(growth)
            if np.isfinite(self.ageing_ends):
                end = self.ageing_ends
                reached = self._integral(np.asarray(end), a)
                steady = np.exp(a * (np.log(self.reference_age) - np.log(end + self.exposure_age)))
                age = np.where(age > end, end + (np.exp(target) - reached) / steady, age)
        return np.asarray(age)

    def log_age(self, log_shape: ArrayLike, exponent: ArrayLike) -> Array:
        """Logarithm of `age`, at less cost where the age itself is not needed.

        Parameters
        ----------
        log_shape, exponent
            As for `age`.

        Returns
        -------
        ln(age), age in yr, of the broadcast shape; -inf at once, inf never.
        """
        target = np.asarray(log_shape, dtype=float)
        a = np.asarray(exponent, dtype=float)
        if self.convention == "apparent":
            return self._apparent_log_age(target, a)
        with np.errstate(divide="ignore"):
            return np.asarray(np.log(self.age(target, a)))

    def _apparent_log_age(self, target: Array, a: Array) -> Array:
        gap = target - a * np.log(self.reference_age)
        slowing = np.max(a, initial=0.0) < 1.0
        if slowing and np.isinf(self.ageing_ends):
            gap /= 1.0 - a
            return np.asarray(gap)
        with np.errstate(divide="ignore", invalid="ignore"):
            log_age = gap / (1.0 - a)
        if not slowing:
            log_age = np.where(a < 1.0, log_age, np.where(gap > 0.0, np.inf, -np.inf))
        if np.isfinite(self.ageing_ends):
            end = np.log(self.ageing_ends)
            log_age = np.where(log_age > end, gap + a * end, log_age)
        return np.asarray(log_age)


def log_temperature_factor(temperature: ArrayLike, coefficient: ArrayLike) -> Array:
    """Logarithm of the temperature factor k_e at one temperature.

    Parameters
    ----------
    temperature
        Concrete temperature T, broadcasts with `coefficient` [K].
    coefficient
        Regression parameter b_e [K].

    Returns
    -------
    ln k_e = b_e (1/T_ref - 1/T), of the broadcast shape.

    References
    ----------
    fib Bulletin 34, Model Code for Service Life Design, 2006, Annex B2 (recalled).

    Examples
    --------
    >>> round(float(np.exp(log_temperature_factor(283.0, 4800.0))), 4)
    0.5605
    """
    t = np.asarray(temperature, dtype=float)
    return np.asarray(np.asarray(coefficient) * (1.0 / REFERENCE_TEMPERATURE - 1.0 / t))


def monthly_temperature_factor(monthly: ArrayLike, coefficient: ArrayLike) -> Array:
    """Mean of the monthly temperature factors, exact at whole years for a constant diffusivity.

    Parameters
    ----------
    monthly
        (12,) monthly mean temperatures [K].
    coefficient
        Regression parameter b_e, any shape [K].

    Returns
    -------
    Mean k_e of the shape of `coefficient`.
    """
    b = np.asarray(coefficient, dtype=float)
    factors = [np.exp(log_temperature_factor(t, b)) for t in np.asarray(monthly, dtype=float)]
    return np.asarray(np.mean(factors, axis=0))
