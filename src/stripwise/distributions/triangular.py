"""The triangular distribution, exact in both tails."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Triangular"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Triangular:
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
    def left_width(self) -> float:
        """Distance from the lower bound to the peak."""
        return self.peak - self.low

    @property
    def right_width(self) -> float:
        """Distance from the peak to the upper bound."""
        return self.high - self.peak

    def cdf(self, x: Array) -> Array:
        """Probability at or below x."""
        return self._tail_probability(
            x - self.low, self.high - x, self.left_width, self.right_width
        )

    def sf(self, x: Array) -> Array:
        """Probability above x: the lower tail of the mirrored triangle."""
        return self._tail_probability(
            self.high - x, x - self.low, self.right_width, self.left_width
        )

    def _tail_probability(
        self, distance: Array, remainder: Array, left_width: float, right_width: float
    ) -> Array:
        """Probability within a distance of one bound; the remainder is that from the other bound.

        The widths are the distances from the peak to the two bounds.
        """
        distance, remainder = (
            np.clip(distance, 0.0, self.width),
            np.clip(remainder, 0.0, self.width),
        )
        # a side of length 0 has no points inside it, so that its divisor does not matter
        before_peak = distance**2 / (self.width * (left_width or 1.0))
        beyond_peak = (
            (right_width - remainder)
            * (right_width + remainder)
            / (self.width * (right_width or 1.0))
        )
        return np.asarray(
            np.where(distance < left_width, before_peak, left_width / self.width + beyond_peak)
        )

    def pdf(self, x: Array) -> Array:
        """Density at x."""
        x = np.asarray(x, dtype=float)
        rising, falling = (
            (x - self.low) / (self.left_width or 1.0),
            (self.high - x) / (self.right_width or 1.0),
        )
        # on a peak that stands on a bound, the density is that of the side that exists
        left = (x < self.peak) | ((x == self.peak) & (self.right_width == 0.0))
        height = np.where(left, rising, falling) * (2.0 / self.width)
        return np.where((x >= self.low) & (x <= self.high), height, 0.0)

    def ppf(self, p: Array) -> Array:
        """Value with probability p at or below it."""
        p = np.asarray(p, dtype=float)
        left = self.low + np.sqrt(p * self.width * self.left_width)
        right = self.high - np.sqrt((1.0 - p) * self.width * self.right_width)
        return np.asarray(np.where(p * self.width <= self.left_width, left, right))

    def isf(self, p: Array) -> Array:
        """Value with probability p above it."""
        p = np.asarray(p, dtype=float)
        right = self.high - np.sqrt(p * self.width * self.right_width)
        left = self.low + np.sqrt((1.0 - p) * self.width * self.left_width)
        return np.asarray(np.where(p * self.width <= self.right_width, right, left))
