"""The transformed time tau of an exposure time, for given ageing and temperature.

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
    "AgeingLaw",
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
class AgeingLaw:
    """How the diffusivity falls with time: the ageing of the concrete.

    With rate = k_e k_t D_ref, tau = rate * effective time. In the *apparent* convention D falls
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

    def log_effective_time(self, age: ArrayLike, exponent: ArrayLike) -> Array:
        """Logarithm of the effective time tau / rate.

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
        >>> law = AgeingLaw()
        >>> round(float(np.exp(law.log_effective_time(50.0, 0.3))), 3)
        7.156
        """
        t = np.asarray(age, dtype=float)
        a = np.asarray(exponent, dtype=float)
        if self.convention == "apparent":
            if t.ndim == 0 and t > 0.0 and np.isinf(self.ageing_ends):
                return np.asarray(a * np.log(self.reference_age) + (1.0 - a) * np.log(t))
            ageing_time = np.minimum(t, self.ageing_ends)
            log_growth_after = (
                np.log(np.maximum(t, self.ageing_ends) / self.ageing_ends)
                if (np.isfinite(self.ageing_ends))
                else 0.0
            )
            log_growth = (
                special.xlogy(1.0 - a, ageing_time)
                if np.any(ageing_time == 0)
                else (1.0 - a) * np.log(ageing_time)
            )
            return np.asarray(a * np.log(self.reference_age) + log_growth + log_growth_after)
        ageing_time = np.minimum(t, self.ageing_ends)
        time_after = t - ageing_time
        with np.errstate(divide="ignore"):
            log_final_rate = a * (
                np.log(self.reference_age) - np.log(ageing_time + self.exposure_age)
            )
            time = self._integral(ageing_time, a) + time_after * np.exp(log_final_rate)
            return np.asarray(np.log(time))

    def _integral(self, t: Array, a: Array) -> Array:
        """Integral of (t_ref / (t' + t_ex))^a over t' from 0 to t [yr]."""
        log_ratio = np.log1p(t / self.exposure_age)
        start = self.exposure_age * np.exp(
            a * (np.log(self.reference_age) - np.log(self.exposure_age))
        )
        return np.asarray(start * log_ratio * special.exprel((1.0 - a) * log_ratio))

    def log_effective_time_rate(self, age: ArrayLike, exponent: ArrayLike) -> Array:
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
        >>> law = AgeingLaw(reference_age=1.0)
        >>> round(float(np.exp(law.log_effective_time_rate(4.0, 0.5))), 3)
        0.25
        """
        t = np.asarray(age, dtype=float)
        a = np.asarray(exponent, dtype=float)
        ageing_time = np.minimum(t, self.ageing_ends)
        if self.convention != "apparent":
            return np.asarray(
                a * (np.log(self.reference_age) - np.log(ageing_time + self.exposure_age))
            )
        with np.errstate(divide="ignore"):
            slope = np.where(t < self.ageing_ends, np.log1p(-a), 0.0)
            return np.asarray(slope + a * (np.log(self.reference_age) - np.log(ageing_time)))

    def age(self, log_effective_time: ArrayLike, exponent: ArrayLike) -> Array:
        """Time since first exposure of an effective time: inverse of `log_effective_time`.

        Parameters
        ----------
        log_effective_time
            ln(tau / rate), tau / rate in yr; broadcasts with `exponent`.
        exponent
            Ageing exponent a in [0, 1].

        Returns
        -------
        Age [yr] of the broadcast shape; 0 where the value is passed at once, inf where never.
        """
        target = np.asarray(log_effective_time, dtype=float)
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
                time_at_end = self._integral(np.asarray(end), a)
                final_rate = np.exp(
                    a * (np.log(self.reference_age) - np.log(end + self.exposure_age))
                )
                age = np.where(age > end, end + (np.exp(target) - time_at_end) / final_rate, age)
        return np.asarray(age)

    def log_age(self, log_effective_time: ArrayLike, exponent: ArrayLike) -> Array:
        """Return ln of `age` [ln(yr)] at less cost; -inf at once, inf never."""
        target = np.asarray(log_effective_time, dtype=float)
        a = np.asarray(exponent, dtype=float)
        if self.convention == "apparent":
            return self._apparent_log_age(target, a)
        with np.errstate(divide="ignore"):
            return np.asarray(np.log(self.age(target, a)))

    def _apparent_log_age(self, target: Array, a: Array) -> Array:
        log_time = target - a * np.log(self.reference_age)
        has_falling_growth = np.max(a, initial=0.0) < 1.0
        if has_falling_growth and np.isinf(self.ageing_ends):
            log_time /= 1.0 - a
            return np.asarray(log_time)
        with np.errstate(divide="ignore", invalid="ignore"):
            log_age = log_time / (1.0 - a)
        if not has_falling_growth:
            log_age = np.where(a < 1.0, log_age, np.where(log_time > 0.0, np.inf, -np.inf))
        if np.isfinite(self.ageing_ends):
            end = np.log(self.ageing_ends)
            log_age = np.where(log_age > end, log_time + a * end, log_age)
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
