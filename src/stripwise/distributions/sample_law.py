"""The law of a sample or of a table of quantiles: straight lines between its points."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

__all__ = ["SampleLaw"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class SampleLaw:
    """A distribution function that is straight between points, and steps where values repeat.

    Attributes
    ----------
    values
        (m,) rising values, in the variable's unit.
    levels
        (m,) probability of a value at or below each, from 0 to 1.
    """

    values: Array
    levels: Array = field(repr=False)

    @classmethod
    def from_sample(cls, sample: ArrayLike) -> SampleLaw:
        """Spread a sample's sorted values evenly over the levels from 0 to 1."""
        values = np.sort(np.asarray(sample, dtype=float))
        return cls(values, np.linspace(0.0, 1.0, values.size))

    @property
    def mean(self) -> float:
        """Mean of the law."""
        middles = 0.5 * (self.values[1:] + self.values[:-1])
        return float(np.diff(self.levels) @ middles)

    @property
    def sd(self) -> float:
        """Standard deviation of the law."""
        a, b = self.values[:-1] - self.mean, self.values[1:] - self.mean
        return float(np.sqrt(np.diff(self.levels) @ ((a * a + a * b + b * b) / 3.0)))

    def cdf(self, x: ArrayLike) -> Array:
        """Probability at or below x."""
        x = np.asarray(x, dtype=float)
        right = np.searchsorted(self.values, x, side="right")
        high = np.clip(right, 1, self.values.size - 1)
        x0, x1 = self.values[high - 1], self.values[high]
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.where(x1 > x0, (x - x0) / (x1 - x0), 1.0)
        level = self.levels[high - 1] + share * (self.levels[high] - self.levels[high - 1])
        return np.where(right == 0, 0.0, np.where(right == self.values.size, 1.0, level))

    def sf(self, x: ArrayLike) -> Array:
        """Probability above x."""
        return np.asarray(1.0 - self.cdf(x))

    def pdf(self, x: ArrayLike) -> Array:
        """Density at x, of one step where values repeat infinite."""
        x = np.asarray(x, dtype=float)
        right = np.searchsorted(self.values, x, side="right")
        high = np.clip(right, 1, self.values.size - 1)
        with np.errstate(divide="ignore"):
            slope = (self.levels[high] - self.levels[high - 1]) / (
                self.values[high] - self.values[high - 1]
            )
        inside = (right > 0) & (right < self.values.size)
        return np.where(inside, slope, 0.0)

    def ppf(self, p: ArrayLike) -> Array:
        """Value that is not exceeded with probability p."""
        return np.asarray(np.interp(np.asarray(p, dtype=float), self.levels, self.values))

    def from_normal(self, z: Array) -> Array:
        """Return the value for a standard normal variate."""
        return self.ppf(special.ndtr(z))

    def moved(self, distance: float) -> SampleLaw:
        """Return the law of the values and a distance."""
        return SampleLaw(self.values + distance, self.levels)
