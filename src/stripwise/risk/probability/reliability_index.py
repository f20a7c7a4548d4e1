"""How a probability becomes a reliability index, and how curves of it are read by interpolation.

Axes: m curves, t ages.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import interpolate, special

__all__ = ["FIRST_AGE", "INFINITE_INDEX", "Curves", "reliability_index"]

Array = NDArray[np.float64]

FIRST_AGE = 0.01
"""Youngest sampled age [yr]; between it and age 0 the probability is linear."""

INFINITE_INDEX = 38.0
"""Beyond this index a probability underflows."""

SPLINE_INDEX = 9.0
"""Below this index the curve is smooth enough for a spline; P is 1e-19 there."""


def reliability_index(probability: ArrayLike, complement: ArrayLike) -> Array:
    """Return -Phi^-1(P) from P and 1 - P, both to full precision.

    inf at P = 0 and -inf at 1 - P = 0.
    """
    p, q = np.asarray(probability, dtype=float), np.asarray(complement, dtype=float)
    return np.asarray(np.where(p < q, -special.ndtri(p), special.ndtri(q)))


@dataclass(frozen=True, slots=True)
class Curves:
    """Reliability index over age for a stack of curves, read by interpolation.

    Attributes
    ----------
    ages
        (t,) sampled ages, the first is 0 [yr].
    index
        (m, t) reliability index.
    """

    ages: Array
    index: Array

    def at(self, ages: ArrayLike) -> Array:
        """Return the reliability index at any ages, (m, len(ages))."""
        query = np.atleast_1d(np.asarray(ages, dtype=float))
        late = query >= self.ages[1]
        result = np.empty((len(self.index), query.size))
        if late.any():
            clipped = np.clip(self.index[:, 1:], -INFINITE_INDEX, INFINITE_INDEX)
            interpolated = _monotone_cubic(np.log(self.ages[1:]), clipped, np.log(query[late]))
            infinite = np.abs(interpolated) >= INFINITE_INDEX - 1e-9
            result[:, late] = np.where(infinite, np.copysign(np.inf, interpolated), interpolated)
        if not late.all():
            first = special.ndtr(-self.index[:, :1]), special.ndtr(-self.index[:, 1:2])
            first_q = special.ndtr(self.index[:, :1]), special.ndtr(self.index[:, 1:2])
            share = query[~late] / self.ages[1]
            p = first[0] + (first[1] - first[0]) * share
            q = first_q[0] + (first_q[1] - first_q[0]) * share
            result[:, ~late] = reliability_index(p, q)
        return result

    def age_at_index(self, target: float) -> Array:
        """Return the age at which each curve falls to an index, (m,); inf if it never does."""
        grid = np.unique(np.concatenate([self.ages, np.linspace(0.0, self.ages[1], 5)[1:-1]]))
        index = self.at(grid)
        reached = index <= target
        life = np.full(len(index), np.inf)
        for i, row in enumerate(reached):
            if not row.any():
                continue
            j = int(np.argmax(row))
            life[i] = grid[j] if j == 0 else self._root(i, grid[j - 1], grid[j], target)
        return life

    def _root(self, i: int, low: float, high: float, target: float) -> float:
        read = self._curve_reader(i, low)
        for _ in range(4):
            ages = np.linspace(low, high, 33)
            below = read(ages) <= target
            j = max(int(np.argmax(below)), 1)
            low, high = float(ages[j - 1]), float(ages[j])
        a, b = read(np.array([low, high]))
        if not (np.isfinite(a) and np.isfinite(b)) or a == b:
            return high
        return float(np.clip(low + (high - low) * (a - target) / (a - b), low, high))

    def _curve_reader(self, i: int, low: float) -> Callable[[Array], Array]:
        """Return a function that reads one curve from an age on, its interpolant built once."""
        if low < self.ages[1]:
            one = Curves(self.ages, self.index[i : i + 1])
            return lambda ages: one.at(ages)[0]
        row = np.clip(self.index[i, 1:], -INFINITE_INDEX, INFINITE_INDEX)
        curve = _interpolant(np.log(self.ages[1:]), row)

        def read(ages: Array) -> Array:
            interpolated = curve(np.log(ages))
            infinite = np.abs(interpolated) >= INFINITE_INDEX - 1e-9
            return np.asarray(np.where(infinite, np.copysign(np.inf, interpolated), interpolated))

        return read


def _monotone_cubic(x: Array, y: Array, at: Array) -> Array:
    """Interpolate falling rows of y by cubics that keep falling; one age alone stays as it is."""
    if x.size == 1:
        return np.repeat(y, np.size(at), axis=-1)
    return np.array([_interpolant(x, row)(at) for row in y])


def _interpolant(x: Array, row: Array) -> interpolate.CubicHermiteSpline:
    """Return a cubic through a falling row that keeps falling.

    Slopes come from the cubic spline where the index is moderate, limited so that every piece is
    monotone (Hyman, SIAM J. Sci. Stat. Comput. 4, 1983, recalled); elsewhere from pchip.
    """
    slope = interpolate.PchipInterpolator(x, row)(x, 1)
    inner = np.flatnonzero(np.abs(row) < SPLINE_INDEX)
    if inner.size > 3:
        run = slice(inner[0], inner[-1] + 1)
        smooth = interpolate.CubicSpline(x[run], row[run])(x[run], 1)
        secant = np.diff(row) / np.diff(x)
        left = np.concatenate([secant[:1], secant])[run]
        right = np.concatenate([secant, secant[-1:]])[run]
        slope[run] = np.clip(smooth, 3.0 * np.maximum(left, right), 0.0)
    return interpolate.CubicHermiteSpline(x, row, slope)
