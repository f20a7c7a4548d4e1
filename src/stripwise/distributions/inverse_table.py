"""F^-1(Phi(z)) computed fast, from a cubic Hermite table in the normal variate z."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.distributions.hermite_table import HermiteTable

__all__ = ["DeferredInverse", "InverseTable", "LinearInverse"]

MAX_Z = 20.0
"""Largest |z| that is inverted: from 21 on scipy's inverse of a beta may return NaN."""

Array = NDArray[np.float64]

TABLE_MAX_Z = 6.5
"""Table covers |z| <= 6.5, probabilities down to 4e-11; scipy's exact inverse serves beyond."""

TABLE_SIZES = (256, 512, 1024, 4096, 16384)
TOLERANCE = 1e-7
ROUNDINGS = 4
"""Steps between neighbouring numbers that a value may be off, whatever that does to a probability."""

MAX_MASS_CUT_OFF = 1e-12
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
        """Tabulate a frozen continuous distribution of `scipy.stats` as coarsely as allowed.

        The relative error in probability at the middle of every step is below 1e-7 in the nearer
        tail; None if even the finest table misses that.
        """
        for size in TABLE_SIZES:
            table = cls._with_size(law, size)
            if table is not None and table._error(law) < TOLERANCE:
                return table
        return None

    @classmethod
    def _with_size(cls, law: Any, size: int) -> Self | None:
        z = np.linspace(-TABLE_MAX_Z, TABLE_MAX_Z, size + 1)
        x = exact_inverse(law, z)
        with np.errstate(all="ignore"):
            density = law.pdf(x)
        if not np.all(np.isfinite(density) & (density > 0)):
            return None
        slope = np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi) / density
        return cls(HermiteTable.from_nodes(z, x, slope), law)

    def _error(self, law: Any) -> float:
        size = len(self.cubic.coefficients)
        z = -TABLE_MAX_Z + self.cubic.step * (np.arange(size, dtype=np.float64) + 0.5)
        x = self(z)
        with np.errstate(all="ignore"):
            lower = np.abs(law.cdf(x) / special.ndtr(z) - 1.0)
            upper = np.abs(law.sf(x) / special.ndtr(-z) - 1.0)
        error = np.nan_to_num(np.where(z < 0, lower, upper), nan=np.inf)
        missed = error >= TOLERANCE
        if missed.any():  # beside a bound a number has no more digits than that
            exact = exact_inverse(law, z[missed])
            rounding = np.abs(x[missed] - exact) <= ROUNDINGS * np.spacing(np.abs(exact))
            error[missed] = np.where(rounding, 0.0, error[missed])
        return float(np.max(error))

    def __call__(self, z: Array) -> Array:
        """Evaluate x(z) for any shape of z; beyond the table by scipy's exact inverse."""
        x = self.cubic(z)
        end = TABLE_MAX_Z - 1e-9  # nearer to it, rounding could reach past the last step
        if z.size and (z.min() < -TABLE_MAX_Z or z.max() > end):
            beyond = (z < -TABLE_MAX_Z) | (z > end)
            x[beyond] = exact_inverse(self._law, z[beyond])
        return x


@dataclass(slots=True)
class DeferredInverse:
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
            self._table = _kept_table(self._law)
            self._built = True
        return exact_inverse(self._law, z) if self._table is None else self._table(z)


@functools.lru_cache(maxsize=128)
def _kept_table(law: Any) -> InverseTable | None:
    """Build the table of a law once, however many scenarios hold one like it."""
    return InverseTable.build(law)


@dataclass(frozen=True, slots=True)
class LinearInverse:
    """A normal that its bounds hardly cut: a straight line of z, exact in its tails.

    Attributes
    ----------
    mean, sd
        Moments before truncation, in the variable's unit.
    max_linear_z
        Largest |z| at which the line misses the probability by less than 1e-7 of itself.
    """

    mean: float
    sd: float
    max_linear_z: float
    _law: Any

    @classmethod
    def build(cls, law: Any) -> Self | None:
        """Return the line of a truncated normal, or None where a bound cuts off more than 1e-12."""
        mass_cut_off = max(law.mass_below, law.mass_above)
        if mass_cut_off > MAX_MASS_CUT_OFF:
            return None
        max_linear_z = (
            -float(special.ndtri(mass_cut_off / TOLERANCE)) if mass_cut_off > 0.0 else np.inf
        )
        return cls(law.mean, law.sd, max_linear_z, law)

    def __call__(self, z: Array) -> Array:
        """Evaluate x(z) for any shape of z."""
        x = np.asarray(self.mean + self.sd * z)
        if z.size and (z.min() < -self.max_linear_z or z.max() > self.max_linear_z):
            tail = np.abs(z) > self.max_linear_z
            x[tail] = exact_inverse(self._law, z[tail])
        return x


def exact_inverse(law: Any, z: Array) -> Array:
    """Invert a frozen scipy distribution in the nearer tail, so that neither loses digits.

    z has any shape; beyond 20 (a probability of 3e-89) it counts as 20.
    """
    z = np.asarray(z)
    is_lower = z < 0
    is_upper = ~is_lower
    x = np.empty(z.shape)
    if is_lower.any():
        x[is_lower] = law.ppf(special.ndtr(np.maximum(z[is_lower], -MAX_Z)))
    if is_upper.any():
        x[is_upper] = law.isf(special.ndtr(-np.minimum(z[is_upper], MAX_Z)))
    return x
