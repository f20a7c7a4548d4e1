"""Laws that turn a standard normal variate into a value, or back, without a table.

A law has cdf, sf, pdf and ppf as those of scipy; `from_normal` and `to_normal` are looked for.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from stripwise.distributions.truncated_normal import TruncatedNormal
from stripwise.errors import InputError

__all__ = ["Beta", "Constant", "LogNormal", "Normal", "Uniform", "log_sd"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Constant:
    """A value that is certain, in the variable's unit."""

    value: float

    def cdf(self, x: Array) -> Array:
        """Probability at or below x."""
        return np.where(x >= self.value, 1.0, 0.0)

    def sf(self, x: Array) -> Array:
        """Probability above x."""
        return np.where(x >= self.value, 0.0, 1.0)

    def pdf(self, _x: Array) -> Array:
        """Raise InputError: there is no density."""
        raise InputError("", "a fixed input has no density")

    def ppf(self, p: ArrayLike) -> Array:
        """Return the value for every probability."""
        return np.full(np.shape(p), self.value)

    def from_normal(self, z: Array) -> Array:
        """Return the value for every variate."""
        return np.full(z.shape, self.value)


@dataclass(frozen=True, slots=True)
class Normal(TruncatedNormal):
    """A normal without bounds."""

    def from_normal(self, z: Array) -> Array:
        """Return the value for a standard normal variate."""
        return self.mean + self.sd * z

    def to_normal(self, x: Array) -> Array:
        """Return the standard normal variate of a value."""
        return np.asarray((x - self.mean) / self.sd)


@dataclass(frozen=True, slots=True)
class LogNormal:
    """A lognormal by its own moments, its probabilities exact in both tails."""

    mean: float
    sd: float

    def cdf(self, x: Array) -> Array:
        """Probability at or below x."""
        return np.asarray(special.ndtr(self.to_normal(x)))

    def sf(self, x: Array) -> Array:
        """Probability above x."""
        return np.asarray(special.ndtr(-self.to_normal(x)))

    def pdf(self, x: Array) -> Array:
        """Density at x; 0 at and below 0."""
        sigma, x = log_sd(self.mean, self.sd), np.asarray(x, dtype=float)
        with np.errstate(divide="ignore", invalid="ignore"):
            density = np.exp(-0.5 * self.to_normal(x) ** 2) / (x * sigma * np.sqrt(2.0 * np.pi))
        return np.where(x > 0.0, density, 0.0)

    def ppf(self, p: ArrayLike) -> Array:
        """Value that is not exceeded with probability p."""
        return self.from_normal(special.ndtri(p))

    def from_normal(self, z: Array) -> Array:
        """Return the value for a standard normal variate."""
        sigma = log_sd(self.mean, self.sd)
        return np.asarray(np.exp(np.log(self.mean) - 0.5 * sigma**2 + sigma * z))

    def to_normal(self, x: Array) -> Array:
        """Return the standard normal variate of a value; -inf at or below 0."""
        sigma = log_sd(self.mean, self.sd)
        with np.errstate(divide="ignore", invalid="ignore"):
            log_x = np.log(np.maximum(x, 0.0))
        return np.asarray((log_x - np.log(self.mean)) / sigma + 0.5 * sigma)


@dataclass(frozen=True, slots=True)
class Uniform:
    """A uniform between two ends, in the variable's unit."""

    low: float
    high: float

    def cdf(self, x: Array) -> Array:
        """Probability at or below x."""
        return np.clip((np.asarray(x) - self.low) / (self.high - self.low), 0.0, 1.0)

    def sf(self, x: Array) -> Array:
        """Probability above x."""
        return np.clip((self.high - np.asarray(x)) / (self.high - self.low), 0.0, 1.0)

    def pdf(self, x: Array) -> Array:
        """Density at x."""
        x = np.asarray(x)
        return np.where((x >= self.low) & (x <= self.high), 1.0 / (self.high - self.low), 0.0)

    def ppf(self, p: ArrayLike) -> Array:
        """Value that is not exceeded with probability p."""
        return np.asarray(self.low + (self.high - self.low) * np.asarray(p))

    def from_normal(self, z: Array) -> Array:
        """Return the value for a standard normal variate."""
        return np.asarray(self.low + (self.high - self.low) * special.ndtr(z))


@dataclass(frozen=True, slots=True)
class Beta:
    """A beta between two ends, in the variable's unit, by its shapes."""

    first_shape: float
    second_shape: float
    low: float
    high: float

    def cdf(self, x: Array) -> Array:
        """Probability at or below x."""
        return np.asarray(special.betainc(self.first_shape, self.second_shape, self._share(x)))

    def sf(self, x: Array) -> Array:
        """Probability above x."""
        return np.asarray(special.betaincc(self.first_shape, self.second_shape, self._share(x)))

    def pdf(self, x: Array) -> Array:
        """Density at x; infinite at an end whose shape is below 1."""
        share = self._share(x)
        with np.errstate(divide="ignore", over="ignore"):
            log_density = (
                special.xlogy(self.first_shape - 1.0, share)
                + special.xlog1py(self.second_shape - 1.0, -share)
                - special.betaln(self.first_shape, self.second_shape)
            )
            density = np.exp(log_density) / (self.high - self.low)
        return np.where((x >= self.low) & (x <= self.high), density, 0.0)

    def ppf(self, p: ArrayLike) -> Array:
        """Value that is not exceeded with probability p."""
        return self._value(special.betaincinv(self.first_shape, self.second_shape, p))

    def isf(self, p: ArrayLike) -> Array:
        """Value that is exceeded with probability p."""
        return self._value(special.betainccinv(self.first_shape, self.second_shape, p))

    def _share(self, x: Array) -> Array:
        return np.clip((np.asarray(x) - self.low) / (self.high - self.low), 0.0, 1.0)

    def _value(self, share: ArrayLike) -> Array:
        return np.asarray(share) * (self.high - self.low) + self.low


def log_sd(mean: float, sd: float) -> float:
    """Return the sd of the logarithm of a lognormal with these moments."""
    return float(np.sqrt(np.log1p((sd / mean) ** 2)))
