"""How the two levels of sampling nest: epistemic points outside, one aleatory sample inside."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.sampling import InputSampler, random_stream, sobol_blocks
from stripwise.risk.model.wall import Wall
from stripwise.risk.probability.integral import Integral

__all__ = ["BAND_INNER_POINTS", "BAND_OUTER_POINTS", "MAP_OUTER_POINTS", "NestedSample"]

Array = NDArray[np.float64]

MAP_OUTER_POINTS = 64
"""Outer points of a map, with bands at many design points."""
BAND_OUTER_POINTS = 256
"""Outer points of a curve, whose 2.5 % and 97.5 % quantiles decide the verdict."""
MAP_INNER_POINTS = 1024
BAND_INNER_POINTS = 2048
"""Inner points of a map and of a curve; half of them would put the low end of a curve's band a
third too low."""
NUMERICAL_INNER_POINTS = 512
"""Most inner points where every front is a numerical solution."""
NUMERICAL_OUTER_POINTS = 128
"""Most outer points where every front is a numerical solution."""
SKIN_RISE_INNER_POINTS = 256
"""Inner points where every front is the root of a long sum: a rise over a penalised skin."""


@dataclass(frozen=True, slots=True)
class NestedSample:
    """Outer points of the epistemic inputs around one shared inner sample of the aleatory ones.

    Attributes
    ----------
    integral
        What is integrated exactly inside.
    score_mean
        Its conditional mean score.
    aleatory_values
        Values of the aleatory and fixed inputs, (n,) or numbers.
    epistemic_values
        Values of the epistemic inputs, (k,) each.
    count
        Outer points k.
    """

    integral: Integral
    score_mean: Array | float
    aleatory_values: dict[str, Array | float]
    epistemic_values: dict[str, Array | float]
    count: int

    @classmethod
    def from_wall(
        cls,
        wall: Wall,
        *,
        points: int,
        seed: int,
        stage: str,
        prefer_cover: bool = False,
        outer_points: int = MAP_OUTER_POINTS,
        inner_points: int = MAP_INNER_POINTS,
        replicate: int = 0,
    ) -> NestedSample | None:
        """Sample both levels, scrambled anew by `replicate`; None if no random input is epistemic."""
        epistemic_inputs = [
            i for i in wall.inputs if i.kind == "knowledge" and not i.distribution.is_fixed
        ]
        if not epistemic_inputs:
            return None
        rest = [i for i in wall.inputs if i not in epistemic_inputs]
        if wall.has_surface_history and wall.layered:
            outer_points = min(outer_points, MAP_OUTER_POINTS)
            inner_points = min(inner_points, SKIN_RISE_INNER_POINTS)
        if wall.numerical:
            outer_points = min(outer_points, NUMERICAL_OUTER_POINTS)
        integral, sampler = Integral.from_wall(wall, rest, prefer_cover=prefer_cover)
        outer = InputSampler.from_inputs(epistemic_inputs, wall.correlations)
        size = min(points, NUMERICAL_INNER_POINTS if wall.numerical else inner_points)
        rng = random_stream(seed, stage=stage, index=(2 * replicate,))
        z = next(iter(sobol_blocks(sampler.dimensions, size, rng)))
        rng = random_stream(seed, stage=stage, index=(2 * replicate + 1,))
        z_outer = next(iter(sobol_blocks(outer.dimensions, outer_points, rng)))
        score_mean = integral.conditional_mean(sampler.correlate(z))
        return cls(integral, score_mean, sampler.values(z), outer.values(z_outer), outer_points)

    def values(self, k: int) -> dict[str, Array | float]:
        """Return every input at outer point k."""
        known = {name: float(np.asarray(v)[k]) for name, v in self.epistemic_values.items()}
        return {**self.aleatory_values, **known}
