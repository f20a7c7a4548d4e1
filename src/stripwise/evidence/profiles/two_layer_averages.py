"""The average chloride content of a ground layer in a skin on a core."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stripwise.evidence.profiles.layer_averages import ierfc
from stripwise.ingress.front import layered_relative_content

__all__ = ["mean_two_layer_content"]

Array = NDArray[np.float64]

THIN_LAYER = 1e-3
"""Thickness over 2 sqrt(D t) below which a layer has the value at its middle."""

SERIES_TOLERANCE = 1e-13
MAX_TERMS = 200


def mean_two_layer_content(
    upper: ArrayLike, lower: ArrayLike, *, core: ArrayLike, ratio: ArrayLike, skin: ArrayLike
) -> Array:
    """Average the relative content (C - C0) / (Cs - C0) over layers of a two-layer face.

    Parameters
    ----------
    upper, lower
        Shallower and deeper face of each layer, any shapes that broadcast [mm].
    core
        D t of the concrete behind the skin [mm2].
    ratio
        D of the skin over D behind it.
    skin
        Thickness of the skin [mm]; 0 for none.

    Notes
    -----
    The series of `stripwise.ingress.front.layered_relative_content`, integrated term by term: the
    integral of erfc(a + b x) is -ierfc(a + b x) / b. A layer in which the skin ends is split there;
    one without thickness has the value at its depth.

    References
    ----------
    Carslaw and Jaeger, Conduction of Heat in Solids, 2nd ed., 1959, section 12.8 (recalled).

    Examples
    --------
    >>> content = mean_two_layer_content(
    ...     [4.999, 29.999], [5.001, 30.001], core=1500, ratio=2.5, skin=20
    ... )
    >>> content.round(5)
    array([0.96991, 0.73728])
    """
    x1, x2, tau, k, edge = np.broadcast_arrays(
        *(np.asarray(v, dtype=float) for v in (upper, lower, core, ratio, skin))
    )
    root = np.sqrt(k)
    s = 1.0 / root
    q = (s - 1.0) / (s + 1.0)
    d = 2.0 * root * np.sqrt(tau)
    width = x2 - x1
    thin = width < THIN_LAYER * d
    a, b = np.minimum(x1, edge), np.minimum(x2, edge)
    inner = (
        _sum_of_series(a / d, 2.0 * edge / d, q)
        - _sum_of_series(b / d, 2.0 * edge / d, q)
        + q * _sum_of_series((2.0 * edge - a) / d, 2.0 * edge / d, q)
        - q * _sum_of_series((2.0 * edge - b) / d, 2.0 * edge / d, q)
    )
    a, b = np.maximum(x1 - edge, 0.0), np.maximum(x2 - edge, 0.0)
    outer = (2.0 / (1.0 + s) / root) * (
        _sum_of_series((edge + root * a) / d, 2.0 * edge / d, q)
        - _sum_of_series((edge + root * b) / d, 2.0 * edge / d, q)
    )
    content = np.asarray(d * (inner + outer) / np.where(thin, 1.0, width))
    if thin.any():
        # in a thin layer the difference of the integrals loses all digits
        middle = 0.5 * (x1[thin] + x2[thin])
        content[thin] = layered_relative_content(
            middle, tau[thin], penalty=k[thin], skin=edge[thin]
        )
    return content


def _sum_of_series(y: Array, step: Array, q: Array) -> Array:
    """Sum q^n ierfc(y + n step) over n."""
    total = ierfc(y).ravel()
    index = np.arange(total.size)
    start, spacing, factor = y.ravel(), step.ravel(), q.ravel()
    weight = np.ones_like(start)
    for n in range(1, MAX_TERMS):
        weight = weight * factor
        # the remainder of the series is below its first term by erfc(u) < exp(-u^2)
        significant = np.abs(weight) * np.exp(-((start + n * spacing) ** 2)) > SERIES_TOLERANCE
        if not significant.all():
            index, weight = index[significant], weight[significant]
            start, spacing, factor = start[significant], spacing[significant], factor[significant]
        if index.size == 0:
            break
        total[index] += weight * ierfc(start + n * spacing)
    return total.reshape(y.shape)
