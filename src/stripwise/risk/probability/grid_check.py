"""What halving cells and steps changes: the error of a numerical solution, told by two grids."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.sampling import sobol_cells, stream
from stripwise.risk.model.wall import Wall
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
    probability, finer
        (s,) probability of depassivation by the one and by the other.
    front_mean, front_most
        (s,) mean and largest change of the depth of the fronts that there are [mm].
    order_factor
        Error of the run's grid over the change, 4/3 for a method of second order.
    """

    cells: int
    steps: int
    probability: Array
    finer: Array
    front_mean: Array
    front_most: Array
    order_factor: float = 4.0 / 3.0

    @property
    def probability_error(self) -> float:
        """Estimate of the largest error in probability among the strategies."""
        return float(self.order_factor * np.max(np.abs(self.finer - self.probability)))


def grid_check(wall: Wall, age: float, *, seed: int) -> GridCheck:
    """Solve one sample of a wall with layers or a coating on two grids.

    Parameters
    ----------
    wall
        The wall, its front a numerical solution.
    age
        Age since first exposure [yr].
    seed
        Seed of the run.

    Returns
    -------
    The `GridCheck`.
    """
    conditions = wall.conditions
    assert conditions is not None
    integral, draw = Integral.of(wall)
    z = next(iter(sobol_cells(draw.dimensions, GRID_SAMPLES, stream(seed, stage="grids"))))
    values, shift = draw.values(z), integral.shift(draw.correlate(z))
    ages, upper = np.array([age]), np.zeros((len(wall.plans), 1), dtype=bool)
    found, depths = [], []
    for grid in (conditions.grid, conditions.grid.finer()):
        one = replace(wall, conditions=replace(conditions, grid=grid))
        face = one.face(values)
        found.append(integral.probabilities(one, face, values, shift, ages=ages, upper=upper)[:, 0])
        depths.append(np.array(np.broadcast_arrays(*front_depths(one, face, age))))
    there = np.isfinite(depths[0]) & (depths[0] > 0.0) & (depths[1] > 0.0)
    moved = np.where(there, np.abs(np.where(there, depths[1] - depths[0], 0.0)), 0.0)
    return GridCheck(
        conditions.grid.cells,
        conditions.grid.steps,
        found[0],
        found[1],
        np.sum(moved, axis=1) / np.maximum(np.sum(there, axis=1), 1),
        np.max(moved, axis=1),
    )
