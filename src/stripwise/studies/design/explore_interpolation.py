"""How the tables of the page to try pairs on are read between their nodes.

Axes: n nodes, a ages.
"""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

__all__ = ["age_weights", "chebyshev_nodes", "node_weights", "piece_nodes"]

Array = NDArray[np.float64]

SAME = 1e-12


def chebyshev_nodes(low: float, high: float, count: int) -> Array:
    """Return Chebyshev points of the second kind between two ends, which are among them, rising."""
    share = 0.5 - 0.5 * np.cos(np.pi * np.arange(count) / (count - 1))
    return np.asarray(low + (high - low) * share)


def piece_nodes(borders: tuple[float, ...], per_piece: int) -> Array:
    """Return the nodes of every piece in turn, shared at the borders."""
    pairs = itertools.pairwise(borders)
    parts = [chebyshev_nodes(low, high, per_piece)[1:] for low, high in pairs]
    return np.concatenate([np.array(borders[:1]), *parts])


def node_weights(borders: tuple[float, ...], per_piece: int, x: float) -> Array:
    """Return the weights (n,) of all nodes on a value read at x: barycentric within its piece.

    References
    ----------
    Berrut and Trefethen, SIAM Review 46, 2004, equations 4.2 and 5.4 (recalled).

    Examples
    --------
    >>> weights = node_weights((0.0, 1.0), 3, 0.25)
    >>> round(float(weights @ piece_nodes((0.0, 1.0), 3) ** 2), 12)
    0.0625
    """
    nodes = piece_nodes(borders, per_piece)
    weights = np.zeros(len(nodes))
    x = min(max(x, borders[0]), borders[-1])
    piece = 0
    while piece < len(borders) - 2 and x > borders[piece + 1]:
        piece += 1
    first = piece * (per_piece - 1)
    for k in range(per_piece):
        gap = x - float(nodes[first + k])
        if abs(gap) < SAME:
            weights[:] = 0.0
            weights[first + k] = 1.0
            return weights
        end = 0.5 if k in (0, per_piece - 1) else 1.0
        weights[first + k] = (-1.0) ** k * end / gap
    return np.asarray(weights / weights.sum())


def age_weights(ages: Array, age: float) -> Array:
    """Return the weights (a,) of all ages on a value read at an age.

    A cubic in the logarithm of the age, its slope at each age that of the parabola through it and
    its neighbours.

    Examples
    --------
    >>> weights = age_weights(np.array([1.0, 2.0, 5.0, 10.0]), 3.0)
    >>> abs(float(weights @ np.log([1.0, 2.0, 5.0, 10.0]) ** 2 - np.log(3.0) ** 2)) < 1e-12
    True
    """
    x, at = np.log(ages), np.log(age)
    at = min(max(at, x[0]), x[-1])
    k = 0
    while k < len(x) - 2 and at > x[k + 1]:
        k += 1
    width = x[k + 1] - x[k]
    s = (at - x[k]) / width
    weights = np.zeros(len(x))
    weights[k] += 1.0 - s * s * (3.0 - 2.0 * s)
    weights[k + 1] += s * s * (3.0 - 2.0 * s)
    weights += width * s * (1.0 - s) ** 2 * _slope_weights(x, k)
    weights -= width * s * s * (1.0 - s) * _slope_weights(x, k + 1)
    return weights


def _slope_weights(x: Array, k: int) -> Array:
    """Return the weights of the points on the slope at one of them."""
    weights = np.zeros(len(x))
    middle = min(max(k, 1), len(x) - 2)
    before, after = x[middle] - x[middle - 1], x[middle + 1] - x[middle]
    # slope of the parabola at its middle point, and how it changes from there
    bend = 2.0 * (x[k] - x[middle]) / (before + after)
    early = after / (before + after) - bend
    late = before / (before + after) + bend
    weights[middle - 1] -= early / before
    weights[middle] += early / before - late / after
    weights[middle + 1] += late / after
    return weights
