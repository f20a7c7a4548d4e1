"""The triangular distribution, exact in both tails."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Triangle"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Triangle:
    """A triangular distribution by its corners, as a scipy-like law.

    Scipy has 1 - cdf for its upper tail, which rounds to 1e-16; here both tails are products of
    differences and keep their digits.

    Attributes
    ----------
    low, peak, high
        Corners, in the variable's unit; the peak may stand on a bound.
    """

    low: float
    peak: float
    high: float

    @property
    def width(self) -> float:
        """Distance of the bounds."""
        return self.high - self.low

    @property
    def rise(self) -> float:
        """Distance from the lower bound to the peak."""
        return self.peak - self.low

    @property
    def fall(self) -> float:
        """Distance from the peak to the upper bound."""
        return self.high - self.peak

    def cdf(self, x: Array) -> Array:
        """Probability at or below x."""
        return self._below(x - self.low, self.high - x, self.rise, self.fall)

    def sf(self, x: Array) -> Array:
        """Probability above x: the lower tail of the mirrored triangle."""
        return self._below(self.high - x, x - self.low, self.fall, self.rise)

    def _below(self, near: Array, far: Array, rise: float, fall: float) -> Array:
        """Probability within a distance `near` of the bound that the rise starts from.

        Parameters
        ----------
        near, far
            Distances from that bound and from the other one.
        rise, fall
            Distances from the peak to the two bounds.
        """
        near, far = np.clip(near, 0.0, self.width), np.clip(far, 0.0, self.width)
        # a side of length 0 has no points inside it, so that its divisor does not matter
        first = near**2 / (self.width * (rise or 1.0))
        past = (fall - far) * (fall + far) / (self.width * (fall or 1.0))
        return np.asarray(np.where(near < rise, first, rise / self.width + past))

    def pdf(self, x: Array) -> Array:
        """Density at x."""
        x = np.asarray(x, dtype=float)
        up, down = (x - self.low) / (self.rise or 1.0), (self.high - x) / (self.fall or 1.0)
        # on a peak that stands on a bound, the density is that of the side that exists
        left = (x < self.peak) | ((x == self.peak) & (self.fall == 0.0))
        height = np.where(left, up, down) * (2.0 / self.width)
        return np.where((x >= self.low) & (x <= self.high), height, 0.0)

    def ppf(self, p: Array) -> Array:
        """Value with probability p at or below it."""
        p = np.asarray(p, dtype=float)
        left = self.low + np.sqrt(p * self.width * self.rise)
        right = self.high - np.sqrt((1.0 - p) * self.width * self.fall)
        return np.asarray(np.where(p * self.width <= self.rise, left, right))

    def isf(self, p: Array) -> Array:
        """Value with probability p above it."""
        p = np.asarray(p, dtype=float)
        right = self.high - np.sqrt(p * self.width * self.fall)
        left = self.low + np.sqrt((1.0 - p) * self.width * self.rise)
        return np.asarray(np.where(p * self.width <= self.fall, right, left))
