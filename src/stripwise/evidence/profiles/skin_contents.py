"""Chloride in a face whose outer skin has a diffusivity of its own, averaged over ground layers."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stripwise.evidence.profiles.layer_averages import ierfc
from stripwise.ingress.front import layered_share

__all__ = ["skin_layer_share"]

Array = NDArray[np.float64]

THIN = 1e-3
"""Thickness over 2 sqrt(D t) below which a layer is taken at its middle."""

SERIES_TOLERANCE = 1e-13
MOST_TERMS = 200


def skin_layer_share(
    upper: ArrayLike, lower: ArrayLike, *, core: ArrayLike, ratio: ArrayLike, skin: ArrayLike
) -> Array:
    """Average the share of the surface content over layers of a two-layer face.

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

    Returns
    -------
    (C - C0) / (Cs - C0) of each layer.

    Notes
    -----
    The series of `stripwise.ingress.front.layered_share`, integrated term by term: the integral of
    erfc(a + b x) is -ierfc(a + b x) / b. A layer through which the skin ends is split there; one
    without thickness takes the value at its depth.

    References
    ----------
    Carslaw and Jaeger, Conduction of Heat in Solids, 2nd ed., 1959, section 12.8 (recalled).

    Examples
    --------
    >>> share = skin_layer_share([4.999, 29.999], [5.001, 30.001], core=1500, ratio=2.5, skin=20)
    >>> share.round(5)
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
    thin = width < THIN * d
    a, b = np.minimum(x1, edge), np.minimum(x2, edge)
    inner = (
        _sum(a / d, 2.0 * edge / d, q)
        - _sum(b / d, 2.0 * edge / d, q)
        + q * _sum((2.0 * edge - a) / d, 2.0 * edge / d, q)
        - q * _sum((2.0 * edge - b) / d, 2.0 * edge / d, q)
    )
    a, b = np.maximum(x1 - edge, 0.0), np.maximum(x2 - edge, 0.0)
    outer = (2.0 / (1.0 + s) / root) * (
        _sum((edge + root * a) / d, 2.0 * edge / d, q)
        - _sum((edge + root * b) / d, 2.0 * edge / d, q)
    )
    share = np.asarray(d * (inner + outer) / np.where(thin, 1.0, width))
    if thin.any():
        # across a sliver the difference of the integrals loses all digits
        middle = 0.5 * (x1[thin] + x2[thin])
        share[thin] = layered_share(middle, tau[thin], penalty=k[thin], skin=edge[thin])
    return share


def _sum(y: Array, step: Array, q: Array) -> Array:
    """Sum q^n ierfc(y + n step) over n."""
    total = ierfc(y).ravel()
    place = np.arange(total.size)
    start, pace, factor = y.ravel(), step.ravel(), q.ravel()
    weight = np.ones_like(start)
    for n in range(1, MOST_TERMS):
        weight = weight * factor
        # what is left of the series is below its first term by erfc(u) < exp(-u^2)
        live = np.abs(weight) * np.exp(-((start + n * pace) ** 2)) > SERIES_TOLERANCE
        if not live.all():
            place, weight = place[live], weight[live]
            start, pace, factor = start[live], pace[live], factor[live]
        if place.size == 0:
            break
        total[place] += weight * ierfc(start + n * pace)
    return total.reshape(y.shape)
