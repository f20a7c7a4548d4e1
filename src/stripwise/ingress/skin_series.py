"""The series of complementary error functions that a skin reflects between its two faces."""

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
    lag = np.zeros_like(y)
    shrink = np.exp(-2.0 * y * step)
    square = np.exp(-step * step)
    turn = square.copy()
    square *= square
    weight = np.ones_like(y)
    largest, closest = float(np.max(np.abs(q))), float(np.min(step))
    lowest = float(np.min(y))
    power, n = 1.0, 0
    while n < 200:
        n += 1
        power *= largest
        if power * special.erfc(lowest + n * closest) < tolerance:
            break
        weight *= q
        gauss *= shrink
        gauss *= turn
        turn *= square
        value += weight * special.erfc(y + n * step)
        part = weight * gauss
        slope += part
        lag += n * part
    return value, slope * ERFC_SLOPE, lag * ERFC_SLOPE
