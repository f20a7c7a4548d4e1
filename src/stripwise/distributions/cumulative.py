"""Mean of a distribution function over many values, from a linear table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.distribution import Distribution

__all__ = ["CumulativeTable"]

Array = NDArray[np.float64]

STEPS = 1 << 14
REACH = 8.0
"""Standard normal variate of the table's ends; beyond them the table holds 0 and 1."""
TOLERANCE = 3e-8
"""Largest error of a value."""
TAIL = 1e-10
"""Where the mean is below this, the exact function is used instead."""
TAIL_TOLERANCE = 1e-3
"""Largest relative error of a value above a hundredth of `TAIL`."""


@dataclass(frozen=True, slots=True)
class CumulativeTable:
    """F, or 1 - F, on equal steps of x.

    Attributes
    ----------
    values, rises
        (m + 1,) probabilities at the steps, and how much they change up to the next one.
    start, scale
        First x, and steps per unit of x.
    """

    distribution: Distribution
    above: bool
    values: Array
    rises: Array
    start: float
    scale: float

    @classmethod
    def build(cls, distribution: Distribution, *, above: bool = False) -> Self | None:
        """Tabulate a distribution, or return None where a table is not exact enough.

        Parameters
        ----------
        distribution
            A continuous distribution.
        above
            Tabulate 1 - F instead of F.

        Returns
        -------
        The table, whose error in the middle of every step is at most 3e-8, and at most 1e-3 of
        the value down to 1e-12; None if it misses that.
        """
        if distribution.is_fixed:
            return None
        start, end = (float(x) for x in distribution.draw(np.array([-REACH, REACH])))
        x = np.linspace(start, end, STEPS + 1)
        exact = distribution.sf if above else distribution.cdf
        y, middle = exact(x), exact(0.5 * (x[1:] + x[:-1]))
        error = np.abs(0.5 * (y[1:] + y[:-1]) - middle)
        tail = middle > 0.01 * TAIL
        if np.max(error) > TOLERANCE or np.max(error[tail] / middle[tail]) > TAIL_TOLERANCE:
            return None
        y[0], y[-1] = (1.0, 0.0) if above else (0.0, 1.0)
        return cls(distribution, above, y, np.diff(y, append=y[-1]), start, STEPS / (end - start))

    def mean(self, x: Array) -> float:
        """Mean probability at or below x, or above it.

        Parameters
        ----------
        x
            (n,) values in the variable's unit; infinite ones count as beyond the end.

        Returns
        -------
        Mean over n, exact where it is below 1e-10.
        """
        offset = x * self.scale
        offset -= self.start * self.scale
        np.clip(offset, 0.0, STEPS, out=offset)
        whole = np.trunc(offset)
        offset -= whole
        step = whole.astype(np.intp)
        share = self.rises.take(step)
        share *= offset
        share += self.values.take(step)
        mean = float(share.sum()) / share.size
        if mean < TAIL:
            exact = self.distribution.sf if self.above else self.distribution.cdf
            return float(np.mean(exact(x)))
        return mean
