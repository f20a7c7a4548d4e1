"""How large the error of a numerical solution is: what halving its cells and steps changes."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.sampling import random_stream, sobol_blocks
from stripwise.risk.model.wall import COVER, Wall
from stripwise.risk.probability.integral import Integral, front_depths

__all__ = ["GRID_SAMPLES", "GridCheck", "grid_check"]

Array = NDArray[np.float64]

GRID_SAMPLES = 512


@dataclass(frozen=True, slots=True)
class GridCheck:
    """One sample of faces at one age by the grid of the run and by one twice as fine.

    Attributes
    ----------
    cells, steps
        Of the run's grid.
    probability, probability_finer
        (s,) probability of depassivation by the one and by the other.
    front_mean, front_max
        (s,) mean and largest change of the depth of the fronts that there are [mm].
    order_factor
        Error of the run's grid over the change, 4/3 for a method of second order.
    """

    cells: int
    steps: int
    probability: Array
    probability_finer: Array
    front_mean: Array
    front_max: Array
    order_factor: float = 4.0 / 3.0

    @property
    def probability_error(self) -> float:
        """Estimate of the largest error in probability among the strategies."""
        return float(self.order_factor * np.max(np.abs(self.probability_finer - self.probability)))


def grid_check(wall: Wall, age: float, *, seed: int) -> GridCheck:
    """Solve one sample of a wall with layers or a coating on two grids, at an age [yr]."""
    conditions = wall.conditions
    assert conditions is not None
    integral, sampler = Integral.from_wall(wall)
    z = next(
        iter(sobol_blocks(sampler.dimensions, GRID_SAMPLES, random_stream(seed, stage="grids")))
    )
    values, score_mean = sampler.values(z), integral.conditional_mean(sampler.correlate(z))
    ages, upper = np.array([age]), np.zeros((len(wall.plans), 1), dtype=bool)
    p_by_grid, depths = [], []
    for grid in (conditions.grid, conditions.grid.finer()):
        variant = replace(wall, conditions=replace(conditions, grid=grid))
        block = variant.sample_block(values)
        fronts = front_depths(variant, block, age)
        if integral.name == COVER:  # a solution a grid serves both
            p = [float(integral.mean_probability_below(x, score_mean)[0]) for x in fronts]
            p_by_grid.append(np.array(p))
        else:
            found = integral.probabilities(variant, block, values, score_mean, ages, upper)
            p_by_grid.append(found[:, 0])
        depths.append(np.array(np.broadcast_arrays(*fronts)))
    both_have_front = np.isfinite(depths[0]) & (depths[0] > 0.0) & (depths[1] > 0.0)
    depth_change = np.where(
        both_have_front, np.abs(np.where(both_have_front, depths[1] - depths[0], 0.0)), 0.0
    )
    return GridCheck(
        conditions.grid.cells,
        conditions.grid.steps,
        p_by_grid[0],
        p_by_grid[1],
        np.sum(depth_change, axis=1) / np.maximum(np.sum(both_have_front, axis=1), 1),
        np.max(depth_change, axis=1),
    )
