"""How a probability becomes a reliability index, and how curves of it are read by interpolation.

Axes: m curves, t ages.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from stripwise.risk.probability.cubics import (
    pchip_slopes,
    read_cubics,
    read_piece,
    spline_slopes,
)

__all__ = ["FIRST_AGE", "INFINITE_INDEX", "Curves", "reliability_index"]

Array = NDArray[np.float64]

FIRST_AGE = 0.01
"""Youngest sampled age [yr]; between it and age 0 the probability is linear."""

INFINITE_INDEX = 38.0
"""Beyond this index a probability underflows."""

BISECTIONS = 20
"""Halvings of the piece that holds a root, before a straight line ends the search."""

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
    _slopes: list[Array] = field(default_factory=list, init=False, repr=False, compare=False)
    """Slopes of the cubics once they are known: a curve is read many times."""

    def at(self, ages: ArrayLike) -> Array:
        """Return the reliability index at any ages, (m, len(ages))."""
        query = np.atleast_1d(np.asarray(ages, dtype=float))
        late = query >= self.ages[1]
        result = np.empty((len(self.index), query.size))
        if late.any():
            result[:, late] = self._late_reader()(query[late])
        if not late.all():
            result[:, ~late] = self._read_early(query[~late])
        return result

    def at_each(self, ages: Array) -> Array:
        """Return the index of each curve at ages of its own (m, q)."""
        late = self._late_reader()(np.maximum(ages, self.ages[1]))
        if not (ages < self.ages[1]).any():
            return late
        return np.where(ages < self.ages[1], self._read_early(np.maximum(ages, 0.0)), late)

    def age_at_index(self, target: float) -> Array:
        """Return the age at which each curve falls to an index, (m,); inf if it never does."""
        early_ages = np.linspace(0.0, self.ages[1], 5)[:-1]
        grid = np.concatenate([early_ages, self.ages[1:]])
        index = np.concatenate([self._read_early(early_ages), self.index[:, 1:]], axis=1)
        reached = index <= target
        first = np.argmax(reached, axis=1)
        life = np.where(reached.any(axis=1), grid[first], np.inf)
        rows = np.flatnonzero(reached.any(axis=1) & (first > 0))
        early = grid[first[rows] - 1] < self.ages[1]
        # before the first sampled age P is linear
        young, old = rows[early], rows[~early]
        if young.size:
            part = Curves(self.ages, self.index[young])
            low, high = grid[first[young] - 1], grid[first[young]]
            life[young] = _bisect(
                lambda ages: part._read_early(ages[:, np.newaxis])[:, 0], low, high, target
            )
        if old.size:
            part = Curves(self.ages, self.index[old])
            low, high = grid[first[old] - 1], grid[first[old]]
            life[old] = _bisect(
                part._piece_reader(first[old] - early_ages.size - 1), low, high, target
            )
        return life

    def _read_early(self, ages: Array) -> Array:
        """Return the index at ages (m, q) or (q,) before the first sampled one."""
        p, q = special.ndtr(-self.index[:, :2]), special.ndtr(self.index[:, :2])
        share = ages / self.ages[1]
        return reliability_index(
            p[:, :1] + (p[:, 1:] - p[:, :1]) * share, q[:, :1] + (q[:, 1:] - q[:, :1]) * share
        )

    def _late(self) -> tuple[Array, Array, Array]:
        """Return ln of the ages from the first one on, the index there and the slopes of the cubics."""
        y = np.clip(self.index[:, 1:], -INFINITE_INDEX, INFINITE_INDEX)
        x = np.log(self.ages[1:])
        if not self._slopes:
            self._slopes.append(_falling_slopes(x, y) if x.size > 1 else np.zeros_like(y))
        return x, y, self._slopes[0]

    def _late_reader(self) -> Callable[[Array], Array]:
        """Return a function that reads the index at ages (m, q) or (q,) from the first one on."""
        x, y, slope = self._late()
        return lambda ages: _infinite_beyond(read_cubics(x, y, slope, np.log(ages)))

    def _piece_reader(self, left: NDArray[np.intp]) -> Callable[[Array], Array]:
        """Return a function that reads the index of each curve at an age (m,) in its piece `left`."""
        x, y, slope = self._late()
        each = np.arange(left.size)
        width = x[left + 1] - x[left]
        y0, rise = y[each, left], y[each, left + 1] - y[each, left]
        d0, d1 = slope[each, left] * width, slope[each, left + 1] * width
        start = x[left]

        def read(ages: Array) -> Array:
            s = (np.log(ages) - start) / width
            return _infinite_beyond(read_piece(s, y0, rise, d0, d1))

        return read


def _infinite_beyond(index: Array) -> Array:
    """Return an index with what lies beyond the representable as infinite."""
    infinite = np.abs(index) >= INFINITE_INDEX - 1e-9
    return np.asarray(np.where(infinite, np.copysign(np.inf, index), index))


def _bisect(read: Callable[[Array], Array], low: Array, high: Array, target: float) -> Array:
    """Return where each falling curve reaches an index between two ages (m,)."""
    for _ in range(BISECTIONS):
        middle = 0.5 * (low + high)
        reached = read(middle) <= target
        low, high = np.where(reached, low, middle), np.where(reached, middle, high)
    a, b = read(low), read(high)
    straight = np.isfinite(a) & np.isfinite(b) & (a != b)
    share = (a - target) / np.where(straight, a - b, 1.0)
    between = np.clip(low + (high - low) * share, low, high)
    return np.asarray(np.where(straight, between, high))


def _falling_slopes(x: Array, y: Array) -> Array:
    """Return the slopes of cubics through falling rows that keep falling.

    Slopes come from the cubic spline where the index is moderate, limited so that every piece is
    monotone (Hyman, SIAM J. Sci. Stat. Comput. 4, 1983, recalled); elsewhere from pchip.
    """
    slope = pchip_slopes(x, y)
    secant = np.diff(y) / np.diff(x)
    left = np.concatenate([secant[:, :1], secant], axis=1)
    right = np.concatenate([secant, secant[:, -1:]], axis=1)
    inner = np.abs(y) < SPLINE_INDEX
    ends = np.column_stack([np.argmax(inner, axis=1), x.size - np.argmax(inner[:, ::-1], axis=1)])
    ends[inner.sum(axis=1) <= 3] = 0
    for first, last in np.unique(ends, axis=0):
        if last == 0:
            continue
        rows, run = np.flatnonzero(np.all(ends == (first, last), axis=1)), slice(first, last)
        smooth = spline_slopes(x[run], y[rows, run])
        steepest = 3.0 * np.maximum(left[rows, run], right[rows, run])
        slope[rows, run] = np.clip(smooth, steepest, 0.0)
    return slope
