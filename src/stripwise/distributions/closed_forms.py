"""Laws that turn a standard normal variate into a value, or back, without a table.

A law has cdf, sf, pdf and ppf as those of scipy; `from_normal` and `to_normal` are looked for.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special, stats

from stripwise.distributions.truncated_normal import TruncatedNormal
from stripwise.errors import InputError

__all__ = ["Constant", "LogNormal", "Normal", "Uniform", "log_sd"]

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
    _scipy: Any = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        spread = log_sd(self.mean, self.sd)
        law = stats.lognorm(spread, scale=self.mean * np.exp(-0.5 * spread**2))
        object.__setattr__(self, "_scipy", law)

    def cdf(self, x: Array) -> Array:
        """Probability at or below x."""
        return np.asarray(special.ndtr(self.to_normal(x)))

    def sf(self, x: Array) -> Array:
        """Probability above x."""
        return np.asarray(special.ndtr(-self.to_normal(x)))

    def pdf(self, x: Array) -> Array:
        """Density at x."""
        return np.asarray(self._scipy.pdf(x))

    def ppf(self, p: Array) -> Array:
        """Value that is not exceeded with probability p."""
        return np.asarray(self._scipy.ppf(p))

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
    _scipy: Any = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_scipy", stats.uniform(self.low, self.high - self.low))

    def cdf(self, x: Array) -> Array:
        """Probability at or below x."""
        return np.asarray(self._scipy.cdf(x))

    def sf(self, x: Array) -> Array:
        """Probability above x."""
        return np.asarray(self._scipy.sf(x))

    def pdf(self, x: Array) -> Array:
        """Density at x."""
        return np.asarray(self._scipy.pdf(x))

    def ppf(self, p: Array) -> Array:
        """Value that is not exceeded with probability p."""
        return np.asarray(self._scipy.ppf(p))

    def from_normal(self, z: Array) -> Array:
        """Return the value for a standard normal variate."""
        return np.asarray(self.low + (self.high - self.low) * special.ndtr(z))


def log_sd(mean: float, sd: float) -> float:
    """Return the sd of the logarithm of a lognormal with these moments."""
    return float(np.sqrt(np.log1p((sd / mean) ** 2)))
