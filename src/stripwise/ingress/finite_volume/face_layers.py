"""Depth, diffusive travel and resistance in a face of several layers.

Axes: n samples, m layers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["FaceLayers"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class FaceLayers:
    """Layers below the convection zone.

    Attributes
    ----------
    thickness
        (m, n) thickness of each layer, the outermost first [mm]; 0 where the convection zone has
        taken it.
    factor
        (m + 1, n) diffusivity over that of the good concrete, the last row that of the concrete
        behind the layers.
    """

    thickness: Array
    factor: Array

    def subset(self, block: slice) -> FaceLayers:
        """Return the layers of some of the faces."""
        return FaceLayers(self.thickness[:, block], self.factor[:, block])

    def depth_from_travel(self, travel: Array) -> Array:
        """Depth [mm] for travel y = integral of dx / sqrt(k) [mm], (..., n)."""
        return self._sum(travel, -0.5, 0.5)

    def resistance_from_travel(self, travel: Array) -> Array:
        """Resistance integral of dx / k [mm] for travel [mm], (..., n)."""
        return self._sum(travel, -0.5, -0.5)

    def depth_from_resistance(self, resistance: Array) -> Array:
        """Depth [mm] for resistance [mm], (..., n); negative continues the outermost layer."""
        return self._sum(resistance, -1.0, 1.0)

    def resistance_from_depth(self, depth: Array) -> Array:
        """Resistance [mm] at depths [mm], (..., n)."""
        return self._sum(depth, 0.0, -1.0)

    def _sum(self, measure: Array, edge_power: float, value_power: float) -> Array:
        """Sum over layers of the part of the measure inside each, times k to `value_power`.

        A layer's own measure is its thickness times k to `edge_power`.
        """
        total: Array | float = 0.0
        low: Array | float = 0.0
        for layer, factor in enumerate(self.factor):
            inner = layer < len(self.thickness)
            high = low + self.thickness[layer] * factor**edge_power if inner else np.inf
            inside = np.minimum(measure, high)
            inside = inside if layer == 0 else np.maximum(inside, low)
            total = total + (inside - low) * factor**value_power
            low = high
        return np.asarray(total)
