"""A smooth function of one variable as a piecewise cubic on equal steps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

__all__ = ["HermiteTable"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class HermiteTable:
    """Coefficients of the cubic on each of m steps, one row per power of the offset in the step.

    Attributes
    ----------
    coefficients
        (4, m) polynomial coefficients, constant first, in the function's unit.
    start, step
        Where the first step begins, and the width of one, in the variable's unit.
    """

    coefficients: Array
    start: float
    step: float

    @classmethod
    def of(cls, x: Array, y: Array, slope: Array) -> Self:
        """Build from a function and its derivative at the ends of all steps.

        Parameters
        ----------
        x
            (m + 1,) equally spaced values of the variable.
        y, slope
            (m + 1,) the function and its derivative there.

        Returns
        -------
        The table, whose error falls with the fourth power of the step.

        References
        ----------
        Cubic Hermite interpolation: Press et al., Numerical Recipes, 3rd ed., 2007, section 3.3
        (number recalled).

        Examples
        --------
        >>> x = np.linspace(0.0, 2.0, 5)
        >>> table = HermiteTable.of(x, x**3, 3.0 * x**2)
        >>> float(table(np.array([1.3]))[0])
        2.197
        """
        step = float(x[1] - x[0])
        change, rise = np.diff(y), step * slope
        left, right = rise[:-1], rise[1:]
        rows = (y[:-1], left, 3 * change - 2 * left - right, left + right - 2 * change)
        return cls(np.ascontiguousarray(rows), float(x[0]), step)

    def __call__(self, x: Array) -> Array:
        """Evaluate at any shape of x; beyond the ends the result means nothing."""
        offset = np.asarray(x * (1.0 / self.step))
        offset -= self.start / self.step
        whole = np.trunc(offset)
        offset -= whole
        cell = whole.astype(np.intp)
        c0, c1, c2, c3 = self.coefficients
        y = np.asarray(c3.take(cell, mode="clip"))
        for c in (c2, c1, c0):
            y *= offset
            y += c.take(cell, mode="clip")
        return y
