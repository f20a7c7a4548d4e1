"""How the reliability index at one age depends on cover, strip age and follow-up.

Axes: f follow-ups, t strip ages, c covers; m repeats or epistemic points.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import interpolate

from stripwise.risk.model.wall import Plan, Wall
from stripwise.risk.probability.nominal_covers import (
    SamplingOptions,
    probability_by_epistemic_point,
    probability_by_repeat,
)
from stripwise.risk.probability.reliability_index import reliability_index

__all__ = [
    "DesignGrid",
    "exchange_grid",
    "exchange_rate",
    "index_by_epistemic_point",
    "index_by_repeat",
]

Array = NDArray[np.float64]

MAP_POINTS = 2048
EPISTEMIC_MAP_POINTS = 1024
NUMERICAL_MAP_POINTS = 256
"""The same two where every front is a numerical solution."""


@dataclass(frozen=True, slots=True)
class DesignGrid:
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
    wall: Wall, grid: DesignGrid, age: float, *, repeats: int, seed: int, workers: int = 2
) -> Array:
    """Return the index at an age [yr] over design points, per scrambling: (r, f, t, c)."""
    points = NUMERICAL_MAP_POINTS if wall.numerical else MAP_POINTS
    sample = SamplingOptions(points, repeats, seed, "choices", workers)
    p = probability_by_repeat(
        wall.with_coarse_grid().with_plans(grid.all_plans()),
        grid.cover,
        np.array([age]),
        sample=sample,
    )
    return reliability_index(p, 1.0 - p).reshape(-1, *grid.shape)


def index_by_epistemic_point(
    wall: Wall, grid: DesignGrid, age: float, *, seed: int, workers: int = 2
) -> Array | None:
    """Return the index at an age [yr] over design points, per epistemic point: (k, f, t, c).

    None without epistemic inputs.
    """
    points = NUMERICAL_MAP_POINTS if wall.numerical else EPISTEMIC_MAP_POINTS
    sample = SamplingOptions(points, 1, seed, "choices", workers)
    p = probability_by_epistemic_point(
        wall.with_coarse_grid().with_plans(grid.all_plans()),
        grid.cover,
        np.array([age]),
        sample=sample,
    )
    return None if p is None else reliability_index(p, 1.0 - p).reshape(-1, *grid.shape)


EXTRA_COVER = np.linspace(0.0, 60.0, 31)
"""Extra cover at which the exchange rate is looked up [mm]."""


def exchange_grid(plan: Plan, *, cover: float, strip_age: float) -> DesignGrid:
    """Return the design points of `exchange_rate`: extra covers, and the strip age 24 h later."""
    return DesignGrid(cover + EXTRA_COVER, np.array([strip_age, strip_age + 24.0]), (plan,))


def exchange_rate(index: Array) -> Array:
    """Return the extra cover (m,) [mm] that is worth 24 h more in the forms.

    From the index (m, 1, 2, c) on an `exchange_grid`: index(c + extra, t) = index(c, t + 24 h).
    inf beyond 60 mm; NaN where the index is not finite, there or at the extra cover.
    """
    rates = np.empty(len(index))
    for m, (now, later) in enumerate(index[:, 0]):
        target_index = later[0]
        usable = np.isfinite(now)
        usable[1:] &= now[1:] > now[:-1]
        if not (np.isfinite(target_index) and np.isfinite(now[0])):
            rates[m] = np.nan
        elif target_index > now[-1]:
            rates[m] = np.inf
        elif target_index == now[0]:
            rates[m] = 0.0
        elif usable.sum() < 2 or target_index > now[usable][-1]:
            rates[m] = np.nan  # the index jumps to infinity, as where nothing near is random
        else:
            rates[m] = interpolate.PchipInterpolator(now[usable], EXTRA_COVER[usable])(target_index)
    return rates
