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
    """Coefficients of the cubic on each of m steps.

    Attributes
    ----------
    coefficients
        (m, 4) polynomial coefficients of the offset in the step, constant first, in the function's
        unit; those of one step stand together, so that one look-up fetches them all.
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
        columns = (y[:-1], left, 3 * change - 2 * left - right, left + right - 2 * change)
        return cls(np.stack(columns, axis=-1), float(x[0]), step)

    def __call__(self, x: Array) -> Array:
        """Evaluate at any shape of x; beyond the ends the result means nothing."""
        offset = np.asarray(x * (1.0 / self.step))
        offset -= self.start / self.step
        whole = np.trunc(offset)
        offset -= whole
        rows = self.coefficients.take(whole.astype(np.intp), axis=0, mode="clip")
        y = np.asarray(rows[..., 3] * offset)
        y += rows[..., 2]
        y *= offset
        y += rows[..., 1]
        y *= offset
        y += rows[..., 0]
        return y
