"""The average chloride content of a ground layer in a skin on a core."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from stripwise.evidence.profiles.layer_averages import ierfc
from stripwise.ingress.front import layered_relative_content

__all__ = ["mean_two_layer_content", "two_layer_content_above"]

Array = NDArray[np.float64]

IERFC_0 = 1.0 / np.sqrt(np.pi)
"""The integral of erfc from 0 on."""

THIN_LAYER = 1e-3
"""Thickness over 2 sqrt(D t) below which a layer has the value at its middle."""

BLOCK = 1024
"""Points that are computed together."""

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
    below_a, below_b = np.maximum(x1 - edge, 0.0), np.maximum(x2 - edge, 0.0)
    depths = (
        a,
        b,
        2.0 * edge - a,
        2.0 * edge - b,
        edge + root * below_a,
        edge + root * below_b,
    )
    # all series are summed together
    near_a, near_b, mirrored_a, mirrored_b, beyond_a, beyond_b = _sum_of_series(
        np.stack(depths) / d, np.stack([2.0 * edge / d] * 6), np.stack([q] * 6)
    )
    inner = near_a - near_b + q * mirrored_a - q * mirrored_b
    outer = (2.0 / (1.0 + s) / root) * (beyond_a - beyond_b)
    content = np.asarray(d * (inner + outer) / np.where(thin, 1.0, width))
    if thin.any():
        # in a thin layer the difference of the integrals loses all digits
        middle = 0.5 * (x1[thin] + x2[thin])
        content[thin] = layered_relative_content(
            middle, tau[thin], penalty=k[thin], skin=edge[thin]
        )
    return content


def two_layer_content_above(
    depth: ArrayLike, *, core: ArrayLike, ratio: ArrayLike, skin: ArrayLike, tolerance: float
) -> Array:
    """Integrate the relative content of a two-layer face from its surface down to depths [mm].

    Differences of it are the layers of one specimen, cheaper than `mean_two_layer_content` of each;
    too thin a layer loses digits.

    Parameters
    ----------
    depth
        (e, ...) depths, the leading axis their own [mm].
    core, ratio, skin
        As there, shapes that broadcast with one depth.
    tolerance
        Largest remainder of a series.

    Examples
    --------
    >>> above = two_layer_content_above([29.0, 31.0], core=1500, ratio=2.5, skin=20, tolerance=1e-9)
    >>> round(float(np.diff(above)[0] / 2.0), 4)
    0.7373
    """
    depths = np.asarray(depth, dtype=float)
    shape = np.broadcast_shapes(depths.shape[1:], *(np.shape(v) for v in (core, ratio, skin)))
    x = np.broadcast_to(depths, (len(depths), *shape)).reshape(len(depths), math.prod(shape))
    tau, k, edge = (
        np.broadcast_to(np.asarray(v, dtype=float), shape).ravel() for v in (core, ratio, skin)
    )
    found = np.empty(x.shape)
    for first in range(0, x.shape[1], BLOCK):
        own = slice(first, first + BLOCK)
        found[:, own] = _content_above(x[:, own], tau[own], k[own], edge[own], tolerance)
    return found.reshape(len(depths), *shape)


def _content_above(x: Array, tau: Array, k: Array, edge: Array, tolerance: float) -> Array:
    """Integrate down to x (e, n); tau, ratio and skin (n,). All series are summed together."""
    root = np.sqrt(k)
    s = 1.0 / root
    q = (s - 1.0) / (s + 1.0)
    d = 2.0 * root * np.sqrt(tau)
    n = np.arange(x.shape[1])
    within = x < edge
    inside, behind = np.broadcast_to(n, x.shape)[within], np.broadcast_to(n, x.shape)[~within]
    terms = (
        (n, np.zeros_like(d)),
        (n, 2.0 * edge),
        (n, edge),
        (inside, x[within]),
        (inside, 2.0 * edge[inside] - x[within]),
        (behind, edge[behind] + root[behind] * (x[~within] - edge[behind])),
    )
    place = np.concatenate([where for where, _ in terms])
    y = np.concatenate([depth for _, depth in terms]) / d[place]
    sums = _sum_of_series(y, (2.0 * edge / d)[place], q[place], tolerance)
    ends = np.cumsum([len(where) for where, _ in terms])[:-1]
    surface, twice, at_edge, near, mirrored, beyond = np.split(sums, ends)
    at_surface = surface + q * twice
    found = np.empty(x.shape)
    found[within] = at_surface[inside] - near - q[inside] * mirrored
    skin_part = at_surface - (1.0 + q) * at_edge
    found[~within] = skin_part[behind] + (2.0 / (1.0 + s) / root)[behind] * (
        at_edge[behind] - beyond
    )
    return d * found


def _sum_of_series(y: Array, step: Array, q: Array, tolerance: float = SERIES_TOLERANCE) -> Array:
    """Sum q^n ierfc(y + n step) over n, y and step at least 0."""
    total = ierfc(y).ravel()
    index = np.arange(total.size)
    u, spacing, factor = y.ravel(), step.ravel(), q.ravel()
    weight = np.ones_like(u)
    for _ in range(1, MAX_TERMS):
        u, weight = u + spacing, weight * factor
        # the remainder of the series is below its first term by erfc(u) < exp(-u^2)
        gauss = weight * np.exp(-(u**2))
        significant = np.abs(gauss) > tolerance
        if not significant.all():
            index, weight, gauss = index[significant], weight[significant], gauss[significant]
            u, spacing, factor = u[significant], spacing[significant], factor[significant]
        if index.size == 0:
            break
        total[index] += gauss * (IERFC_0 - u * special.erfcx(u))
    return total.reshape(y.shape)
