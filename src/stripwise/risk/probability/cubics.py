"""Piecewise cubics through rows of points, by their slopes: pchip, the cubic spline, and reading.

Those of `scipy.interpolate`, which a run would spend a twentieth of its time on importing.

Axes: m rows, t places, q places that are read.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stripwise.errors import NumericalError

__all__ = ["pchip_slopes", "read_cubics", "read_piece", "spline_slopes"]

Array = NDArray[np.float64]


def pchip_slopes(x: Array, y: Array) -> Array:
    """Return slopes with which cubics through y (..., t) at rising x (t,) do not overshoot.

    Raises
    ------
    NumericalError
        If a value is not finite, or the places do not rise.

    References
    ----------
    Fritsch and Butland, SIAM J. Sci. Stat. Comput. 5, 1984 (recalled), with ends of three points.

    Examples
    --------
    >>> pchip_slopes(np.array([0.0, 1.0, 2.0]), np.array([0.0, 1.0, 1.0])).tolist()
    [1.5, 0.0, 0.0]
    """
    width = _widths(x, y)
    secant = np.diff(y) / width
    if x.size == 2:
        return np.repeat(secant, 2, axis=-1)
    before, after = secant[..., :-1], secant[..., 1:]
    weight_before, weight_after = width[:-1] + 2.0 * width[1:], 2.0 * width[:-1] + width[1:]
    keeps_on = np.sign(before) * np.sign(after) > 0.0
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        mean = (weight_before + weight_after) / (weight_before / before + weight_after / after)
    slope = np.empty(np.shape(y))
    slope[..., 1:-1] = np.where(keeps_on, mean, 0.0)
    slope[..., 0] = _end_slope(width[0], width[1], secant[..., 0], secant[..., 1])
    slope[..., -1] = _end_slope(width[-1], width[-2], secant[..., -1], secant[..., -2])
    return slope


def _widths(x: Array, y: Array) -> Array:
    width = np.diff(x)
    if not (np.all(width > 0.0) and np.all(np.isfinite(y))):
        raise NumericalError("a value to be interpolated is not finite, or its places do not rise")
    return width


def _end_slope(width: float, next_width: float, secant: Array, next_secant: Array) -> Array:
    """Return the slope of a parabola at its end, limited to what keeps the cubic monotone."""
    slope = ((2.0 * width + next_width) * secant - width * next_secant) / (width + next_width)
    turns = (np.sign(secant) != np.sign(next_secant)) & (np.abs(slope) > 3.0 * np.abs(secant))
    slope = np.where(turns, 3.0 * secant, slope)
    return np.where(np.sign(slope) == np.sign(secant), slope, 0.0)


def spline_slopes(x: Array, y: Array) -> Array:
    """Return the slopes of cubic splines through y (m, t) at rising x (t,), four places or more.

    The third derivative has no step at the second and the last but one place ("not a knot").
    Errors as `pchip_slopes`.
    """
    width, values = _widths(x, y), np.ascontiguousarray(y.T, dtype=float)
    secant = np.diff(values, axis=0) / width[:, np.newaxis]
    rhs = np.empty_like(values)
    rhs[1:-1] = 3.0 * (width[1:, np.newaxis] * secant[:-1] + width[:-1, np.newaxis] * secant[1:])
    rhs[0] = _end_side(width[0], width[1], secant[0], secant[1])
    rhs[-1] = _end_side(width[-1], width[-2], secant[-1], secant[-2])
    diagonal = [width[1], *(2.0 * (width[:-1] + width[1:])), width[-2]]
    below = [*width[1:], width[-1] + width[-2]]
    above = [width[0] + width[1], *width[:-1]]
    for i in range(1, x.size):
        factor = below[i - 1] / diagonal[i - 1]
        diagonal[i] -= factor * above[i - 1]
        rhs[i] -= factor * rhs[i - 1]
    rhs[-1] /= diagonal[-1]
    for i in range(x.size - 2, -1, -1):
        rhs[i] = (rhs[i] - above[i] * rhs[i + 1]) / diagonal[i]
    return rhs.T


def _end_side(width: float, next_width: float, secant: Array, next_secant: Array) -> Array:
    both = width + next_width
    side = (width + 2.0 * both) * next_width * secant + width**2 * next_secant
    return np.asarray(side / both)


def read_cubics(x: Array, y: Array, slope: Array, at: Array) -> Array:
    """Read cubics through the rows of y (m, t) at places (q,), or (m, q) of each row."""
    if x.size == 1:  # one place alone stays as it is
        return np.repeat(y, at.shape[-1], axis=-1)
    place = np.broadcast_to(at, (len(y), at.shape[-1]))
    left = np.clip(np.searchsorted(x, place, side="right") - 1, 0, x.size - 2)
    width = x[left + 1] - x[left]
    s = (place - x[left]) / width
    y0, y1 = np.take_along_axis(y, left, -1), np.take_along_axis(y, left + 1, -1)
    d0, d1 = (np.take_along_axis(slope, left + k, -1) * width for k in (0, 1))
    return read_piece(s, y0, y1 - y0, d0, d1)


def read_piece(s: Array, y0: Array, rise: Array, d0: Array, d1: Array) -> Array:
    """Read cubics at shares s of their piece, by start, rise and the slopes there times its width."""
    return np.asarray(y0 + s * (d0 + s * (3.0 * rise - 2.0 * d0 - d1 + s * (d0 + d1 - 2.0 * rise))))
