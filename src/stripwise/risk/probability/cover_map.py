"""Cover and strip age together: the reliability index over the choices at one age.

Axes: f follow-ups, t strip ages, c covers; m repeats or knowledge points.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import interpolate

from stripwise.risk.model.wall import Plan, Wall
from stripwise.risk.probability.nominal_covers import Sample, by_knowledge, by_repeat
from stripwise.risk.probability.reliability_index import index_of

__all__ = [
    "Grid",
    "exchange_grid",
    "exchange_rate",
    "index_by_knowledge",
    "index_by_repeat",
]

Array = NDArray[np.float64]

MAP_POINTS = 2048
KNOWLEDGE_MAP_POINTS = 1024
NUMERICAL_MAP_POINTS = 256
"""Both, where every front is a numerical solution."""


@dataclass(frozen=True, slots=True)
class Grid:
    """Design points.

    Attributes
    ----------
    cover
        (c,) mean cover [mm].
    strip_age
        (t,) strip age [h].
    plans
        f strategies whose strip age is replaced by the grid's.
    """

    cover: Array
    strip_age: Array
    plans: tuple[Plan, ...]

    @property
    def shape(self) -> tuple[int, int, int]:
        """(f, t, c)."""
        return len(self.plans), len(self.strip_age), len(self.cover)

    def all_plans(self) -> tuple[Plan, ...]:
        """Every follow-up at every strip age, strip age running faster."""
        return tuple(
            replace(plan, strip_age=float(age), penalty="")
            for plan in self.plans
            for age in self.strip_age
        )


def index_by_repeat(
    wall: Wall, grid: Grid, age: float, *, repeats: int, seed: int, workers: int = 2
) -> Array:
    """Reliability index at one age over design points, once per scrambling.

    Parameters
    ----------
    wall
        The wall; its strategies are replaced by the grid's.
    grid
        Design points.
    age
        Age since first exposure [yr].
    repeats
        Independent scramblings r.
    seed
        Seed of the run.
    workers
        Threads; the results do not depend on it.

    Returns
    -------
    (r, f, t, c) reliability index.
    """
    points = NUMERICAL_MAP_POINTS if wall.numerical else MAP_POINTS
    sample = Sample(points, repeats, seed, "choices", workers)
    p = by_repeat(
        wall.coarse().with_plans(grid.all_plans()), grid.cover, np.array([age]), sample=sample
    )
    return index_of(p, 1.0 - p).reshape(-1, *grid.shape)


def index_by_knowledge(
    wall: Wall, grid: Grid, age: float, *, seed: int, workers: int = 2
) -> Array | None:
    """Reliability index at one age over design points, once per point of the knowledge inputs.

    Parameters
    ----------
    wall, grid, age, seed, workers
        As for `index_by_repeat`.

    Returns
    -------
    (k, f, t, c) reliability index, or None without knowledge inputs.
    """
    points = NUMERICAL_MAP_POINTS if wall.numerical else KNOWLEDGE_MAP_POINTS
    sample = Sample(points, 1, seed, "choices", workers)
    p = by_knowledge(
        wall.coarse().with_plans(grid.all_plans()), grid.cover, np.array([age]), sample=sample
    )
    return None if p is None else index_of(p, 1.0 - p).reshape(-1, *grid.shape)


EXTRA_COVER = np.linspace(0.0, 60.0, 31)
"""Extra cover at which the exchange rate is looked up [mm]."""


def exchange_grid(plan: Plan, *, cover: float, strip_age: float) -> Grid:
    """Design points that `exchange_rate` needs: extra covers, and the strip age 24 h later."""
    return Grid(cover + EXTRA_COVER, np.array([strip_age, strip_age + 24.0]), (plan,))


def exchange_rate(index: Array) -> Array:
    """Extra cover that is worth 24 h more in the forms.

    Parameters
    ----------
    index
        (m, 1, 2, c) reliability index on an `exchange_grid`.

    Returns
    -------
    (m,) extra cover with index(c + extra, t) = index(c, t + 24 h) [mm]; inf beyond 60 mm, NaN
    where the index is not finite, there or at the extra cover that would reach it.
    """
    rates = np.empty(len(index))
    for m, (now, later) in enumerate(index[:, 0]):
        goal = later[0]
        usable = np.isfinite(now)
        usable[1:] &= now[1:] > now[:-1]
        if not (np.isfinite(goal) and np.isfinite(now[0])):
            rates[m] = np.nan
        elif goal > now[-1]:
            rates[m] = np.inf
        elif goal == now[0]:
            rates[m] = 0.0
        elif usable.sum() < 2 or goal > now[usable][-1]:
            rates[m] = np.nan  # the index jumps to infinity, as where nothing near is random
        else:
            rates[m] = interpolate.PchipInterpolator(now[usable], EXTRA_COVER[usable])(goal)
    return rates
