"""The sum of the erfc terms that a skin reflects between its two faces."""

from __future__ import annotations

import math
from types import EllipsisType

import numpy as np
from numpy.typing import NDArray
from scipy import special

__all__ = ["ERFC_SLOPE", "layered_series", "layered_sum", "row_batches"]

Array = NDArray[np.float64]

SERIES_TOLERANCE = 1e-12
ERFC_SLOPE = -2.0 / np.sqrt(np.pi)

MAX_TERMS = 200
MAX_SIZE = 16_384
"""Arguments that are summed together: the arrays of more leave the cache."""


def row_batches(rows: int, columns: int) -> list[slice]:
    """Return which rows to sum together."""
    count = max(MAX_SIZE // max(columns, 1), 1)
    return [slice(first, first + count) for first in range(0, rows, count)]


def layered_sum(y: Array, step: Array, q: Array, *, tolerance: float = SERIES_TOLERANCE) -> Array:
    """Sum over n of q^n erfc(y + n step).

    Parameters
    ----------
    y, step, q
        Arguments (n,) or (m, n) and ratio (n,) of the series, y and step at least 0 and |q| below
        1. Each row ends at the first term that its own smallest arguments bound.
    tolerance
        Bound of the first term left out.

    Returns
    -------
    The sum, of the shape of y.
    """
    order, terms = _terms(y, step, q, tolerance)
    y, step = y[order], step[order]
    value = special.erfc(y)
    weight = np.ones_like(q)
    for n, rows in enumerate(terms, 1):
        weight *= q
        value[rows] += weight * special.erfc(y[rows] + n * step[rows])
    return _restored(value, order)


def layered_series(
    y: Array, step: Array, q: Array, *, tolerance: float = SERIES_TOLERANCE
) -> tuple[Array, Array, Array]:
    """Sum as `layered_sum` does; return the derivatives in y and in step too.

    The exponentials of the derivatives follow from one another by products, so each further term
    costs one erfc.

    Parameters
    ----------
    y, step, q, tolerance
        As for `layered_sum`.

    Returns
    -------
    The sum and both derivatives, of the shape of y each.
    """
    order, terms = _terms(y, step, q, tolerance)
    y, step = y[order], step[order]
    gauss = np.exp(-y * y)
    value = special.erfc(y)
    slope = gauss.copy()
    step_slope = np.zeros_like(y)
    y_factor = np.exp(-2.0 * y * step)
    step_factor_growth = np.exp(-step * step)
    step_factor = step_factor_growth.copy()
    step_factor_growth *= step_factor_growth
    weight = np.ones_like(q)
    for n, rows in enumerate(terms, 1):
        weight *= q
        gauss = gauss[rows]
        gauss *= y_factor[rows]
        gauss *= step_factor[rows]
        step_factor = step_factor[rows]
        step_factor *= step_factor_growth[rows]
        value[rows] += weight * special.erfc(y[rows] + n * step[rows])
        term = weight * gauss
        slope[rows] += term
        term *= n
        step_slope[rows] += term
    slope *= ERFC_SLOPE
    step_slope *= ERFC_SLOPE
    return _restored(value, order), _restored(slope, order), _restored(step_slope, order)


def _terms(
    y: Array, step: Array, q: Array, tolerance: float
) -> tuple[EllipsisType | list[int], list[EllipsisType | slice]]:
    """Return an order of the rows, the longest sum first, and which of them have each term."""
    largest_q = float(np.max(np.abs(q)))
    if y.ndim == 1 or len(y) == 1:
        return ..., [...] * _length(largest_q, float(np.min(y)), float(np.min(step)), tolerance)
    lengths = [
        _length(largest_q, *row, tolerance)
        for row in zip(np.min(y, axis=1).tolist(), np.min(step, axis=1).tolist(), strict=True)
    ]
    order = sorted(range(len(lengths)), key=lambda row: -lengths[row])
    return order, [slice(sum(n < m for m in lengths)) for n in range(max(lengths))]


def _length(q: float, y: float, step: float, tolerance: float) -> int:
    """Return how many terms after the first one a row has."""
    power = 1.0
    for n in range(1, MAX_TERMS + 1):
        power *= q
        if power * math.erfc(y + n * step) < tolerance:
            return n - 1
    return MAX_TERMS


def _restored(values: Array, order: EllipsisType | list[int]) -> Array:
    """Return rows in the order in which they were given."""
    if order is ...:
        return values
    out = np.empty_like(values)
    out[order] = values
    return out
