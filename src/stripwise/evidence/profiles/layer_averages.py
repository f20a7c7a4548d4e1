"""The average chloride content of a ground layer in uniform concrete."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

__all__ = ["PENETRATION_FRACTION", "ierfc", "mean_layer_content", "penetration_depth"]

Array = NDArray[np.float64]

ROOT_PI = np.sqrt(np.pi)
PENETRATION_FRACTION = 0.05
"""Share of the rise at the surface that is left at the penetration depth."""

THIN_LAYER = 1e-3
"""Thickness over 2 sqrt(D t) below which a layer is integrated by Simpson's rule."""


def ierfc(u: ArrayLike) -> Array:
    """Integrate erfc from u to infinity, any shape.

    References
    ----------
    Abramowitz and Stegun, Handbook of Mathematical Functions, 1964, 7.2.5 (recalled).

    Examples
    --------
    >>> round(float(ierfc(0.5)), 6)
    0.199641
    """
    x = np.asarray(u, dtype=float)
    return np.asarray(np.exp(-(x**2)) / ROOT_PI - x * special.erfc(x))


def mean_layer_content(
    upper: ArrayLike, lower: ArrayLike, *, length: ArrayLike
) -> tuple[Array, Array]:
    """Average erfc(x / d) over layers, with its derivative by ln d.

    Where a layer has no thickness the value at its depth is used.

    Parameters
    ----------
    upper, lower
        Shallower and deeper face of each layer, any shapes that broadcast [mm].
    length
        d = 2 sqrt(D t) [mm].

    Returns
    -------
    (C - C0) / (Cs - C0) of each layer, and its derivative by ln d.

    Notes
    -----
    With u = x / d the mean over x1..x2 is d (ierfc(u1) - ierfc(u2)) / (x2 - x1), and its
    derivative by ln d is d (exp(-u1^2) - exp(-u2^2)) / (sqrt(pi) (x2 - x1)).

    Examples
    --------
    >>> content, slope = mean_layer_content(0.0, 1e-9, length=20.0)
    >>> round(float(content), 6)
    1.0
    """
    x1, x2, d = (np.asarray(v, dtype=float) for v in (upper, lower, length))
    u1, u2 = np.asarray(x1 / d), np.asarray(x2 / d)
    g1, g2 = np.exp(-(u1**2)) / ROOT_PI, np.exp(-(u2**2)) / ROOT_PI
    e1, e2 = special.erfc(u1), special.erfc(u2)
    width = u2 - u1
    thin = width < THIN_LAYER
    safe = np.where(thin, 1.0, width)
    content = np.asarray(((g1 - u1 * e1) - (g2 - u2 * e2)) / safe)
    slope = np.asarray((g1 - g2) / safe)
    if thin.any():
        # In a thin layer the difference of the integrals loses all digits; Simpson's rule does not.
        middle = 0.5 * (u1 + u2)
        centre = np.exp(-(middle**2)) / ROOT_PI
        content = np.where(thin, (e1 + 4.0 * special.erfc(middle) + e2) / 6.0, content)
        slope = np.where(thin, (u1 * g1 + 4.0 * middle * centre + u2 * g2) / 3.0, slope)
    return content, slope


def penetration_depth(diffusivity: ArrayLike, time: ArrayLike) -> Array:
    """Return the depth at which 5 % of the rise at the surface is left.

    Parameters
    ----------
    diffusivity
        D_a, any shape, in mm2 per unit of `time`.
    time
        Exposure.

    Returns
    -------
    2 erfcinv(0.05) sqrt(D t) [mm].

    Examples
    --------
    >>> round(float(penetration_depth(1.0, 100.0)), 2)
    27.72
    """
    spread = 2.0 * np.sqrt(np.asarray(diffusivity, dtype=float) * np.asarray(time, dtype=float))
    return np.asarray(special.erfcinv(PENETRATION_FRACTION) * spread)
