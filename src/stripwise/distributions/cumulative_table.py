"""Mean of a distribution function over many values, fast from a linear table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.distribution import Distribution
from stripwise.errors import NumericalError

__all__ = ["JOINED_SIZE", "CumulativeTable", "JoinedMeans"]

Array = NDArray[np.float64]

STEPS = 1 << 14
TABLE_MAX_Z = 8.0
"""Largest |z| in the table; beyond it the table holds 0 and 1."""
TOLERANCE = 3e-8
"""Largest error of a value."""
EXACT_BELOW = 1e-10
"""Mean below which the exact function is used instead."""
TAIL_RELATIVE_TOLERANCE = 1e-3
"""Largest relative error of a value above a hundredth of `EXACT_BELOW`."""

JOINED_SIZE = 8192
"""Numbers that are computed together where samples are few; more would leave the cache."""


@dataclass(frozen=True, slots=True)
class CumulativeTable:
    """F, or 1 - F, on equal steps of x.

    Attributes
    ----------
    values, increments
        (m + 1,) probabilities at the steps, and how much they change up to the next one.
    start, scale
        First x, and steps per unit of x.
    """

    distribution: Distribution
    upper_tail: bool
    values: Array
    increments: Array
    start: float
    scale: float

    @classmethod
    def build(cls, distribution: Distribution, *, upper_tail: bool = False) -> Self | None:
        """Tabulate F, or 1 - F with `upper_tail`, or return None where a table is not exact enough.

        Its error in the middle of every step is at most 3e-8, and at most 1e-3 of the value down
        to 1e-12.
        """
        if distribution.is_fixed:
            return None
        start, end = (
            float(x) for x in distribution.from_normal(np.array([-TABLE_MAX_Z, TABLE_MAX_Z]))
        )
        x = np.linspace(start, end, STEPS + 1)
        exact = distribution.sf if upper_tail else distribution.cdf
        y, middle = exact(x), exact(0.5 * (x[1:] + x[:-1]))
        error = np.abs(0.5 * (y[1:] + y[:-1]) - middle)
        tail = middle > 0.01 * EXACT_BELOW
        if (
            np.max(error) > TOLERANCE
            or np.max(error[tail] / middle[tail]) > TAIL_RELATIVE_TOLERANCE
        ):
            return None
        y[0], y[-1] = (1.0, 0.0) if upper_tail else (0.0, 1.0)
        return cls(
            distribution, upper_tail, y, np.diff(y, append=y[-1]), start, STEPS / (end - start)
        )

    def mean(self, x: Array) -> float:
        """Return the mean probability [-] at or below x (n,), or above it, as `means`."""
        return float(self.means(x[np.newaxis])[0])

    def means(self, x: Array) -> Array:
        """Return the mean probability [-] at or below each row of x (g, n), or above it, (g,).

        Exact below 1e-10; x is in the variable's unit, infinite values count as beyond the end.
        NumericalError if one is not a number.
        """
        offset = x * self.scale
        offset -= self.start * self.scale
        np.clip(offset, 0.0, STEPS, out=offset)
        step = offset.astype(np.intp)
        offset -= step
        probability = self.increments.take(step, mode="clip")
        probability *= offset
        probability += self.values.take(step, mode="clip")
        means = np.asarray(probability.sum(axis=-1) / probability.shape[-1])
        if np.isnan(means).any():
            raise NumericalError("a probability is not a number")
        exact = self.distribution.sf if self.upper_tail else self.distribution.cdf
        for row in np.flatnonzero(means < EXACT_BELOW):
            means[row] = np.mean(exact(x[row]))
        return means


class JoinedMeans:
    """Means of small rows of samples, which a table takes together: a call costs more than they do."""

    def __init__(self) -> None:
        self.rows: dict[tuple[int, int, int], list[Array]] = {}
        self.places: dict[tuple[int, int, int], list[tuple[int, int]]] = {}
        self.ends: dict[tuple[int, int, int], tuple[CumulativeTable, Array]] = {}

    def add(self, table: CumulativeTable, x: Array, means: Array, i: int, j: int) -> None:
        """Have the mean over x (n,) put into the means (1, s, t) at strategy i and age j."""
        x = np.asarray(x)
        if x.ndim != 1 or 2 * x.size > JOINED_SIZE:
            means[0, i, j] = table.means(np.atleast_2d(x))[0]
            return
        key = id(table), id(means), x.size
        if key not in self.ends:
            self.rows[key], self.places[key], self.ends[key] = [], [], (table, means)
        self.rows[key].append(x)
        self.places[key].append((i, j))
        if len(self.rows[key]) * x.size >= JOINED_SIZE:
            self._put(key)

    def finish(self) -> None:
        """Put what still waits into its place."""
        for key in list(self.ends):
            self._put(key)

    def _put(self, key: tuple[int, int, int]) -> None:
        table, means = self.ends.pop(key)
        strategies, ages = zip(*self.places[key], strict=True)
        means[0, list(strategies), list(ages)] = table.means(np.array(self.rows[key]))
