"""Inverse distribution functions as a cubic Hermite table in the normal variate."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.distributions.hermite import HermiteTable

__all__ = ["InverseTable", "LateTable", "NormalLine"]

FARTHEST = 20.0
"""From 21 on scipy's inverse of a beta warns, and may return NaN."""

Array = NDArray[np.float64]

REACH = 6.5
"""Table covers |z| <= 6.5, probabilities down to 4e-11; scipy's exact inverse serves beyond."""

SIZES = (256, 512, 1024, 4096, 16384)
TOLERANCE = 1e-7

FAINT = 1e-12
"""Most that a bound may cut off: it moves a probability of 1e-5 by 1e-7 of itself."""


@dataclass(frozen=True, slots=True)
class InverseTable:
    """The function x(z) = F^-1(Phi(z)) on equal steps of z.

    Attributes
    ----------
    cubic
        The table, in the variable's unit.
    """

    cubic: HermiteTable
    _law: Any

    @classmethod
    def build(cls, law: Any) -> Self | None:
        """Tabulate a scipy distribution, or return None where no table is exact enough.

        Parameters
        ----------
        law
            A frozen continuous distribution of `scipy.stats`.

        Returns
        -------
        The smallest table whose relative error in probability at the middle of every step is
        below 1e-7 in the nearer tail; None if even the largest misses that.
        """
        for size in SIZES:
            table = cls._of_size(law, size)
            if table is not None and table._error(law) < TOLERANCE:
                return table
        return None

    @classmethod
    def _of_size(cls, law: Any, size: int) -> Self | None:
        z = np.linspace(-REACH, REACH, size + 1)
        x = exact_inverse(law, z)
        with np.errstate(all="ignore"):
            density = law.pdf(x)
        if not np.all(np.isfinite(density) & (density > 0)):
            return None
        slope = np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi) / density
        return cls(HermiteTable.of(z, x, slope), law)

    def _error(self, law: Any) -> float:
        size = len(self.cubic.coefficients)
        z = -REACH + self.cubic.step * (np.arange(size, dtype=np.float64) + 0.5)
        x = self(z)
        with np.errstate(all="ignore"):
            lower = np.abs(law.cdf(x) / special.ndtr(z) - 1.0)
            upper = np.abs(law.sf(x) / special.ndtr(-z) - 1.0)
        error = np.where(z < 0, lower, upper)
        return float(np.max(np.nan_to_num(error, nan=np.inf)))

    def __call__(self, z: Array) -> Array:
        """Evaluate x(z) for any shape of z; beyond the table by scipy's exact inverse."""
        x = self.cubic(z)
        end = REACH - 1e-9  # nearer to it, rounding could reach past the last step
        if z.size and (z.min() < -REACH or z.max() > end):
            x = np.where((z < -REACH) | (z > end), exact_inverse(self._law, z), x)
        return x


@dataclass(slots=True)
class LateTable:
    """The table of a distribution, built when it is first drawn from.

    A scenario holds many distributions that no run draws from, and a table takes some 20 ms. Where
    no table is exact enough, scipy's exact inverse serves.
    """

    _law: Any
    _table: InverseTable | None = None
    _built: bool = False

    def __call__(self, z: Array) -> Array:
        """Evaluate x(z) for any shape of z."""
        if not self._built:
            self._table = InverseTable.build(self._law)
            self._built = True
        return exact_inverse(self._law, z) if self._table is None else self._table(z)


@dataclass(frozen=True, slots=True)
class NormalLine:
    """A normal that its bounds hardly cut: a straight line of z, exact in its tails.

    Attributes
    ----------
    mean, sd
        Moments before truncation, in the variable's unit.
    straight
        Largest |z| at which the line misses the probability by less than 1e-7 of itself.
    """

    mean: float
    sd: float
    straight: float
    _law: Any

    @classmethod
    def build(cls, law: Any) -> Self | None:
        """Return the line of a truncated normal, or None where a bound cuts off more than 1e-12."""
        lost = max(law.lost_below, law.lost_above)
        if lost > FAINT:
            return None
        straight = -float(special.ndtri(lost / TOLERANCE)) if lost > 0.0 else np.inf
        return cls(law.mean, law.sd, straight, law)

    def __call__(self, z: Array) -> Array:
        """Evaluate x(z) for any shape of z."""
        x = np.asarray(self.mean + self.sd * z)
        if z.size and (z.min() < -self.straight or z.max() > self.straight):
            tail = np.abs(z) > self.straight
            x[tail] = exact_inverse(self._law, z[tail])
        return x


def exact_inverse(law: Any, z: Array) -> Array:
    """Invert a scipy distribution in the nearer tail, so that neither loses digits.

    Parameters
    ----------
    law
        A frozen continuous distribution of `scipy.stats`.
    z
        Standard normal variates, any shape; beyond 20 (a probability of 3e-89) they count as 20.

    Returns
    -------
    Array of the shape of `z`, in the variable's unit.
    """
    lower = law.ppf(special.ndtr(np.clip(z, -FARTHEST, 0.0)))
    upper = law.isf(special.ndtr(-np.clip(z, 0.0, FARTHEST)))
    return np.asarray(np.where(z < 0, lower, upper))
