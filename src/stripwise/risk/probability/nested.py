"""Two levels of sampling: what we do not know around what varies along the wall."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.sampling import Draw, sobol_cells, stream
from stripwise.risk.model.wall import Wall
from stripwise.risk.probability.integral import Integral

__all__ = ["BAND_POINTS", "BAND_SCATTER", "KNOWLEDGE_POINTS", "NestedDraw"]

Array = NDArray[np.float64]

KNOWLEDGE_POINTS = 64
"""Outer points of a map, where bands are drawn at many design points."""
BAND_POINTS = 256
"""Outer points of a curve, whose 2.5 % and 97.5 % quantiles decide the verdict."""
KNOWLEDGE_SCATTER = 1024
BAND_SCATTER = 2048
"""Inner points of a map and of a curve; half of them would put the low end of a curve's band a
third too low."""
NUMERICAL_SCATTER = 512
"""Most inner points where every front is a numerical solution."""
NUMERICAL_POINTS = 128
"""Most outer points there."""
SLOW_SCATTER = 256
"""Inner points where every front is the root of a long sum: a rise over a penalised skin."""


@dataclass(frozen=True, slots=True)
class NestedDraw:
    """Outer points of the knowledge inputs around one shared inner sample of the scatter.

    Attributes
    ----------
    integral
        What is integrated exactly inside.
    shift
        Its conditional mean score.
    scatter
        Values of the scatter and fixed inputs, (n,) or numbers.
    knowledge
        Values of the knowledge inputs, (k,) each.
    count
        Outer points k.
    """

    integral: Integral
    shift: Array | float
    scatter: dict[str, Array | float]
    knowledge: dict[str, Array | float]
    count: int

    @classmethod
    def of(
        cls,
        wall: Wall,
        *,
        points: int,
        seed: int,
        stage: str,
        prefer_cover: bool = False,
        outer_points: int = KNOWLEDGE_POINTS,
        inner_points: int = KNOWLEDGE_SCATTER,
    ) -> NestedDraw | None:
        """Draw both levels; None if no random input is of kind knowledge."""
        doubted = [i for i in wall.inputs if i.kind == "knowledge" and not i.distribution.is_fixed]
        if not doubted:
            return None
        rest = [i for i in wall.inputs if i not in doubted]
        if wall.rises and wall.layered:
            outer_points = min(outer_points, KNOWLEDGE_POINTS)
            inner_points = min(inner_points, SLOW_SCATTER)
        if wall.numerical:
            outer_points = min(outer_points, NUMERICAL_POINTS)
        integral, draw = Integral.of(wall, rest, prefer_cover=prefer_cover)
        outer = Draw.of(doubted, wall.correlations)
        size = min(points, NUMERICAL_SCATTER if wall.numerical else inner_points)
        rng = stream(seed, stage=stage, index=(0,))
        z = next(iter(sobol_cells(draw.dimensions, size, rng)))
        rng = stream(seed, stage=stage, index=(1,))
        z_outer = next(iter(sobol_cells(outer.dimensions, outer_points, rng)))
        shift = integral.shift(draw.correlate(z))
        return cls(integral, shift, draw.values(z), outer.values(z_outer), outer_points)

    def values(self, k: int) -> dict[str, Array | float]:
        """Every input at outer point k."""
        known = {name: float(np.asarray(v)[k]) for name, v in self.knowledge.items()}
        return {**self.scatter, **known}
