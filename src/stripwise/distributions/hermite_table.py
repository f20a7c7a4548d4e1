"""A smooth function of one variable, tabulated as a cubic on each of equal steps."""

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
        (m, 4) polynomial coefficients of the variable itself, constant first; those of one step
        stand together, so that one look-up fetches them all.
    start, step
        Where the first step begins, and the width of one, in the variable's unit.
    """

    coefficients: Array
    start: float
    step: float

    @classmethod
    def from_nodes(cls, x: Array, y: Array, slope: Array) -> Self:
        """Build from a function and its derivative at the ends of all steps.

        Parameters
        ----------
        x
            (m + 1,) equally spaced values of the variable.
        y, slope
            (m + 1,) the function and its derivative there.

        Returns
        -------
        The table, whose error falls with the fourth power of the step. Its cubics are expanded
        about 0, so the variable shall not lie many times its own range away from there.

        References
        ----------
        Cubic Hermite interpolation: Press et al., Numerical Recipes, 3rd ed., 2007, section 3.3
        (number recalled).

        Examples
        --------
        >>> x = np.linspace(0.0, 2.0, 5)
        >>> table = HermiteTable.from_nodes(x, x**3, 3.0 * x**2)
        >>> round(float(table(np.array([1.3]))[0]), 9)
        2.197
        """
        step, start = float(x[1] - x[0]), x[:-1]
        mean, left, right = np.diff(y) / step, slope[:-1], slope[1:]
        square = (3.0 * mean - 2.0 * left - right) / step
        cube = (left + right - 2.0 * mean) / step**2
        powers = (
            y[:-1] - start * (left - start * (square - start * cube)),
            left - start * (2.0 * square - 3.0 * start * cube),
            square - 3.0 * start * cube,
            cube,
        )
        return cls(np.stack(powers, axis=-1), float(x[0]), step)

    def __call__(self, x: Array) -> Array:
        """Evaluate at any shape of x; beyond the ends the result means nothing."""
        steps = np.asarray(x * (1.0 / self.step))
        steps -= self.start / self.step
        rows = self.coefficients.take(steps.astype(np.intp), axis=0, mode="clip")
        y = np.asarray(rows[..., 3] * x)
        y += rows[..., 2]
        y *= x
        y += rows[..., 1]
        y *= x
        y += rows[..., 0]
        return y
