"""The sum of the erfc terms that a skin reflects between its two faces."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special

__all__ = ["ERFC_SLOPE", "layered_series"]

Array = NDArray[np.float64]

SERIES_TOLERANCE = 1e-12
ERFC_SLOPE = -2.0 / np.sqrt(np.pi)


def layered_series(
    y: Array, step: Array, q: Array, *, tolerance: float = SERIES_TOLERANCE
) -> tuple[Array, Array, Array]:
    """Sum over n of q^n erfc(y + n step), and its derivatives in y and in step.

    The exponentials of the derivatives follow from one another by products, so each further term
    costs one erfc.

    Parameters
    ----------
    y, step, q
        Arguments and ratio of the series, (n,) each, y and step at least 0 and |q| below 1.
    tolerance
        Bound of the first term left out.

    Returns
    -------
    The sum and both derivatives, (n,) each.
    """
    gauss = np.exp(-y * y)
    value = special.erfc(y)
    slope = gauss.copy()
    step_slope = np.zeros_like(y)
    y_factor = np.exp(-2.0 * y * step)
    step_factor_growth = np.exp(-step * step)
    step_factor = step_factor_growth.copy()
    step_factor_growth *= step_factor_growth
    weight = np.ones_like(y)
    largest_q, smallest_step = float(np.max(np.abs(q))), float(np.min(step))
    smallest_y = float(np.min(y))
    power, n = 1.0, 0
    while n < 200:
        n += 1
        power *= largest_q
        if power * special.erfc(smallest_y + n * smallest_step) < tolerance:
            break
        weight *= q
        gauss *= y_factor
        gauss *= step_factor
        step_factor *= step_factor_growth
        value += weight * special.erfc(y + n * step)
        term = weight * gauss
        slope += term
        step_slope += n * term
    return value, slope * ERFC_SLOPE, step_slope * ERFC_SLOPE
