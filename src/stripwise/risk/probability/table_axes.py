"""Axes of tables that are read by polynomials: where the nodes lie, and how they weigh at a place.

Axes: n nodes of an axis, e places.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Axis", "even_axis", "kinked_axis", "listed_axis"]

Array = NDArray[np.float64]
Places = NDArray[np.intp]

LOCAL_NODES = 4
"""Nodes of a piece of an axis without kinks: a cubic."""


@dataclass(frozen=True, slots=True)
class Axis:
    """Nodes, and the pieces that one polynomial each reads.

    Attributes
    ----------
    nodes
        (n,) in rising order.
    edges
        (p + 1,) where the pieces begin and end.
    first, size
        (p,) first node that a piece reads, and how many.
    """

    nodes: Array
    edges: Array
    first: Places
    size: Places

    def pieces(self, at: ArrayLike) -> Places:
        """Return in which piece each place lies, (e,); beyond the ends the first or last."""
        found = np.searchsorted(self.edges, np.asarray(at, dtype=float), side="right") - 1
        return np.clip(found, 0, self.first.size - 1)

    def stencil(self, piece: int) -> Places:
        """Return the nodes that a piece reads."""
        return int(self.first[piece]) + np.arange(int(self.size[piece]))

    def weights(self, at: ArrayLike, piece: int) -> Array:
        """Return the weights (e, size) of the nodes of a piece at places in it (Lagrange)."""
        nodes = self.nodes[self.stencil(piece)]
        place = np.clip(np.asarray(at, dtype=float), self.nodes[0], self.nodes[-1])
        found = np.ones((place.size, nodes.size))
        for i, own in enumerate(nodes):
            for j, other in enumerate(nodes):
                if i != j:
                    found[:, i] *= (place - other) / (own - other)
        return found


def even_axis(low: float, high: float, step: float) -> Axis:
    """Return an axis of even steps, at most `step` wide, read by local cubics."""
    if not high > low:
        return listed_axis([low])
    count = max(int(np.ceil((high - low) / step)), LOCAL_NODES - 1) + 1
    nodes = np.linspace(low, high, count)
    first = np.clip(np.arange(count - 1) - 1, 0, count - LOCAL_NODES)
    return Axis(nodes, nodes, first, np.full(count - 1, LOCAL_NODES))


def listed_axis(values: ArrayLike) -> Axis:
    """Return an axis that one polynomial reads, through values in rising order."""
    nodes = np.asarray(values, dtype=float)
    return Axis(nodes, nodes[[0, -1]], np.array([0]), np.array([nodes.size]))


def kinked_axis(low: float, high: float, kinks: Sequence[float], *, step: float) -> Axis:
    """Return an axis whose pieces meet at kinks, each with a polynomial of its own.

    The nodes of a piece are those of Chebyshev with both ends, about one for each `step` of its
    length, at least 4 and at most 7.
    """
    if not high > low:
        return listed_axis([low])
    edges = np.array([low, *(k for k in sorted(kinks) if low < k < high), high])
    nodes, first, size = [edges[0]], [], []
    for start, end in itertools.pairwise(edges):
        count = int(np.clip(np.ceil((end - start) / step) + 2, 4, 7))
        inner = 0.5 * (1.0 - np.cos(np.pi * np.arange(1, count) / (count - 1)))
        first.append(len(nodes) - 1)
        size.append(count)
        nodes += [*(start + (end - start) * inner[:-1]), end]
    return Axis(np.array(nodes), edges, np.array(first), np.array(size))
