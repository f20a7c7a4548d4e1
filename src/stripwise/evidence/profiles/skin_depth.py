"""How deep the skin is, by profiles that reach behind it.

Axes: g specimens, k layers (padded).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from stripwise.evidence.profiles.chloride_profiles import MM2_D_PER_M2_S, ProfileFits
from stripwise.evidence.profiles.layer_averages import penetration_depth
from stripwise.evidence.profiles.least_squares import Layers
from stripwise.evidence.profiles.two_layer_fit import solve_two_layers

__all__ = ["RESIDUAL_FLOOR", "SkinDepth", "fit_skin_depth", "penetration_depths"]

Array = NDArray[np.float64]

GRID_SIZE, FINE_GRID_SIZE = 16, 12
MAX_SCANNED = 60
"""Most specimens from which the depth of the skin is fitted; more are thinned evenly."""

RESIDUAL_FLOOR = 1e-9
"""Floor of a residual, in units of the largest content: exact profiles stay finite."""


@dataclass(frozen=True, slots=True)
class SkinDepth:
    """Depth of the skin [mm] with its 95 % interval; NaN ends where it was given.

    `bounded` says whether the interval ends inside the depths that were searched.
    """

    value: float
    low: float
    high: float
    bounded: bool

    @property
    def log_sd(self) -> float:
        """Standard deviation of its logarithm; 0 where it was given."""
        if np.isnan(self.low):
            return 0.0
        return float(np.log(self.high / self.low) / (2.0 * stats.norm.ppf(0.975)))


def penetration_depths(fits: ProfileFits) -> Array:
    """Return the depths at which 5 % of the rise at the surface is left, (g,) [mm]."""
    return fits.origin_depth + penetration_depth(
        fits.diffusivity * MM2_D_PER_M2_S, fits.profiles.exposure
    )


def fit_skin_depth(fits: ProfileFits) -> SkinDepth:
    """Fit one depth of the skin to all profiles by the profile of their likelihood.

    Returns
    -------
    The `SkinDepth`; its interval is the wider of those by the profile of the likelihood, where
    f ln(S), f the degrees of freedom and S the squares of a strategy, rises in sum by no more
    than ln(1 + F/f) f, F the 95 % quantile, and by a jackknife over the specimens.

    References
    ----------
    Venzon and Moolgavkar, Appl. Stat. 37, 1988; Miller, Biometrika 61, 1974 (recalled).
    """
    count = len(fits.layers_used)
    chosen = np.unique(np.linspace(0, count - 1, min(count, MAX_SCANNED)).round().astype(int))
    layers, start = fits.layers.take(chosen), fits.origin_depth[chosen]
    names = np.array(fits.profiles.strategies, dtype=object)[chosen]
    first = float(np.where(layers.weight > 0, layers.lower + start[:, None], np.inf).min())
    last = float(
        np.median(
            np.minimum(penetration_depths(fits)[chosen], fits.profiles.lower[chosen].max(axis=1))
        )
    )

    def squares(grid: Array) -> Array:
        every = layers.take(np.tile(np.arange(len(chosen)), len(grid)))
        edge = np.maximum(np.repeat(grid, len(chosen)) - np.tile(start, len(grid)), 0.0)
        log_d = np.tile(fits.solution.values[chosen, 0], len(grid))
        solution = solve_two_layers(every, skin=edge, uniform=log_d)
        return solution.sum_of_squares.reshape(len(grid), len(chosen))

    grid = np.geomspace(first, max(last, 1.01 * first), GRID_SIZE)
    table = squares(grid)
    best = int(_profile_objective(layers, names, table).argmin())
    fine = np.geomspace(
        grid[max(best - 1, 0)], grid[min(best + 1, GRID_SIZE - 1)], FINE_GRID_SIZE + 2
    )[1:-1]
    order = np.argsort(np.concatenate((grid, fine)))
    table = np.concatenate((table, squares(fine)))[order]
    grid = np.concatenate((grid, fine))[order]
    cost = _profile_objective(layers, names, table)
    best = int(cost.argmin())
    degrees_of_freedom = max(float(_degrees_of_freedom(layers).sum()) - 1.0, 1.0)
    level = cost[best] + degrees_of_freedom * np.log1p(
        stats.f.ppf(0.95, 1, degrees_of_freedom) / degrees_of_freedom
    )
    low, low_bounded = _crossing(grid[best::-1], cost[best::-1], level)
    high, high_bounded = _crossing(grid[best:], cost[best:], level)
    value = _grid_minimum(grid, cost)
    factor = _jackknife_factor(layers, names, grid, table)
    low, high = min(low, value / factor), max(high, value * factor)
    return SkinDepth(value, low, high, low_bounded and high_bounded)


def _profile_objective(layers: Layers, names: Array, squares: Array) -> Array:
    """Sum of f ln S over the strategies; `squares` (depths, g)."""
    floor = (RESIDUAL_FLOOR * layers.content.max()) ** 2
    total = np.zeros(len(squares))
    for name in dict.fromkeys(names):
        selected = names == name
        degrees_of_freedom = max(float(_degrees_of_freedom(layers)[selected].sum()), 1.0)
        total += degrees_of_freedom * np.log(
            squares[:, selected].sum(axis=1) + degrees_of_freedom * floor
        )
    return total


def _grid_minimum(grid: Array, cost: Array) -> float:
    """Return the minimum of the parabola through the lowest point and its neighbours."""
    best = int(np.clip(cost.argmin(), 1, len(grid) - 2))
    x, y = np.log(grid[best - 1 : best + 2]), cost[best - 1 : best + 2]
    curvature, slope, _ = np.polyfit(x - x[1], y, 2)
    if curvature <= 0.0:
        return float(grid[cost.argmin()])
    return float(np.exp(np.clip(x[1] - 0.5 * slope / curvature, x[0], x[2])))


def _jackknife_factor(layers: Layers, names: Array, grid: Array, squares: Array) -> float:
    """Return the factor of a 95 % interval from leaving out each specimen in turn.

    Readings of unequal error, and skins of unequal depth, make the likelihood interval too
    narrow; the specimens are independent in any case.
    """
    count = len(names)
    if count < 3:
        return 1.0
    logs = np.empty(count)
    for row in range(count):
        rest = np.arange(count) != row
        cost = _profile_objective(layers.take(rest), names[rest], squares[:, rest])
        logs[row] = np.log(_grid_minimum(grid, cost))
    error = np.sqrt((count - 1.0) / count * ((logs - logs.mean()) ** 2).sum())
    return float(np.exp(stats.t.ppf(0.975, count - 1) * error))


def _degrees_of_freedom(layers: Layers) -> Array:
    """Return the degrees of freedom of each two-layer fit, (g,)."""
    count = (layers.weight > 0).sum(axis=1)
    return np.asarray(np.maximum(count - 3.0 - np.isnan(layers.initial), 0.0))


def _crossing(grid: Array, cost: Array, level: float) -> tuple[float, bool]:
    """Return where the profile first rises above a level, and whether it does."""
    above = np.flatnonzero(cost > level)
    if above.size == 0:
        return float(grid[-1]), False
    j = int(above[0])
    fraction = (level - cost[j - 1]) / (cost[j] - cost[j - 1])
    return float(np.exp(np.interp(fraction, (0.0, 1.0), np.log(grid[[j - 1, j]])))), True
