"""The normal distribution cut off at a physical bound, exact in both tails."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

__all__ = ["TruncatedNormal"]

Array = NDArray[np.float64]


MOST_IS_INSIDE = 0.5
"""Mass between the bounds above which the plain formulas of the moments lose no digits."""


def _density_ratio(z: float) -> Array:
    """Return phi(z) and z phi(z), both 0 at an infinite bound."""
    if abs(z) > 40.0:
        return np.zeros(2)
    density = math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)
    return np.array([density, z * density])


@dataclass(frozen=True, slots=True)
class TruncatedNormal:
    """A normal by the moments of its parent and the bounds that cut it, as a scipy-like law.

    Attributes
    ----------
    mean, sd
        Moments before truncation, in the variable's unit.
    low, high
        Bounds, in the variable's unit; infinite where there is none.
    """

    mean: float
    sd: float
    low: float
    high: float

    @property
    def mass_below(self) -> float:
        """Probability that the lower bound cuts off."""
        return float(special.ndtr((self.low - self.mean) / self.sd))

    @property
    def mass_above(self) -> float:
        """Probability that the upper bound cuts off."""
        return float(special.ndtr((self.mean - self.high) / self.sd))

    @property
    def mass_inside(self) -> float:
        """Probability between the bounds."""
        return 1.0 - self.mass_below - self.mass_above

    def moments(self) -> tuple[float, float]:
        """Mean and sd after truncation; scipy's where most of the mass is cut off."""
        alpha, beta = (self.low - self.mean) / self.sd, (self.high - self.mean) / self.sd
        if self.mass_inside > MOST_IS_INSIDE:
            densities = (_density_ratio(z) / self.mass_inside for z in (alpha, beta))
            (first, at_first), (last, at_last) = ((x[0], x[1]) for x in densities)
            shift = first - last
            spread = 1.0 + at_first - at_last - shift**2
            return self.mean + self.sd * shift, self.sd * math.sqrt(spread)
        from scipy import stats  # noqa: PLC0415 - seldom needed, and slow to import

        with np.errstate(over="ignore"):  # bounds far beyond the reach of a double
            mean, variance = stats.truncnorm.stats(alpha, beta, loc=self.mean, scale=self.sd)
        return float(mean), float(np.sqrt(variance))

    def cdf(self, x: Array) -> Array:
        """Probability at or below x."""
        return self._probability((np.asarray(x) - self.mean) * (1.0 / self.sd), self.mass_below)

    def sf(self, x: Array) -> Array:
        """Probability above x."""
        return self._probability((self.mean - np.asarray(x)) * (1.0 / self.sd), self.mass_above)

    def _probability(self, z: Array, mass_cut_off: float) -> Array:
        p = np.atleast_1d(special.ndtr(z))
        if mass_cut_off > 0.0 or self.mass_inside < 1.0:
            p -= mass_cut_off
            p *= 1.0 / self.mass_inside
            np.clip(p, 0.0, 1.0, out=p)
        return p.reshape(np.shape(z))

    def pdf(self, x: Array) -> Array:
        """Density at x."""
        z = (x - self.mean) / self.sd
        density = np.exp(-0.5 * z**2) / (np.sqrt(2 * np.pi) * self.sd * self.mass_inside)
        return np.where((x >= self.low) & (x <= self.high), density, 0.0)

    def ppf(self, p: Array) -> Array:
        """Value with probability p at or below it."""
        z = special.ndtri(self.mass_below + p * self.mass_inside)
        return np.asarray(np.clip(self.mean + self.sd * z, self.low, self.high))

    def isf(self, p: Array) -> Array:
        """Value with probability p above it."""
        z = -special.ndtri(self.mass_above + p * self.mass_inside)
        return np.asarray(np.clip(self.mean + self.sd * z, self.low, self.high))
