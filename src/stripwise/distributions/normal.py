"""The normal distribution cut off at a physical bound, exact in both tails."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

__all__ = ["TruncatedNormal"]

Array = NDArray[np.float64]


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
    def lost_below(self) -> float:
        """Probability that the lower bound cuts off."""
        return float(special.ndtr((self.low - self.mean) / self.sd))

    @property
    def lost_above(self) -> float:
        """Probability that the upper bound cuts off."""
        return float(special.ndtr((self.mean - self.high) / self.sd))

    @property
    def kept(self) -> float:
        """Probability between the bounds."""
        return 1.0 - self.lost_below - self.lost_above

    def moments(self) -> tuple[float, float]:
        """Mean and sd after truncation (scipy's closed forms)."""
        alpha, beta = (self.low - self.mean) / self.sd, (self.high - self.mean) / self.sd
        with np.errstate(over="ignore"):  # bounds far beyond the reach of a double
            mean, variance = stats.truncnorm.stats(alpha, beta, loc=self.mean, scale=self.sd)
        return float(mean), float(np.sqrt(variance))

    def cdf(self, x: Array) -> Array:
        """Probability at or below x."""
        return self._share((np.asarray(x) - self.mean) * (1.0 / self.sd), self.lost_below)

    def sf(self, x: Array) -> Array:
        """Probability above x."""
        return self._share((self.mean - np.asarray(x)) * (1.0 / self.sd), self.lost_above)

    def _share(self, z: Array, lost: float) -> Array:
        share = np.atleast_1d(special.ndtr(z))
        if lost > 0.0 or self.kept < 1.0:
            share -= lost
            share *= 1.0 / self.kept
            np.clip(share, 0.0, 1.0, out=share)
        return share.reshape(np.shape(z))

    def pdf(self, x: Array) -> Array:
        """Density at x."""
        z = (x - self.mean) / self.sd
        density = np.exp(-0.5 * z**2) / (np.sqrt(2 * np.pi) * self.sd * self.kept)
        return np.where((x >= self.low) & (x <= self.high), density, 0.0)

    def ppf(self, p: Array) -> Array:
        """Value with probability p at or below it."""
        z = special.ndtri(self.lost_below + p * self.kept)
        return np.asarray(np.clip(self.mean + self.sd * z, self.low, self.high))

    def isf(self, p: Array) -> Array:
        """Value with probability p above it."""
        z = -special.ndtri(self.lost_above + p * self.kept)
        return np.asarray(np.clip(self.mean + self.sd * z, self.low, self.high))
