"""Depth of a skin from profiles that reach behind it.

Axes: g specimens, k layers (padded).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from stripwise.evidence.profiles.chloride_profiles import MM2_D_PER_M2_S, Fits
from stripwise.evidence.profiles.layer_averages import reach
from stripwise.evidence.profiles.least_squares import Layers
from stripwise.evidence.profiles.two_layer_fit import solve_two_layers

__all__ = ["LEAST_RESIDUAL", "Depth", "reached", "skin_depth"]

Array = NDArray[np.float64]

DEPTHS, FINER = 16, 12
MOST_SCANNED = 60
"""Most specimens from which the depth of the skin is fitted; more are thinned evenly."""

LEAST_RESIDUAL = 1e-9
"""Floor of a residual, in units of the largest content: exact profiles stay finite."""


@dataclass(frozen=True, slots=True)
class Depth:
    """Depth of the skin [mm] with its 95 % interval; NaN ends where it was given.

    `told` says whether the interval ends inside the depths that were searched.
    """

    value: float
    low: float
    high: float
    told: bool

    @property
    def log_sd(self) -> float:
        """Standard deviation of its logarithm; 0 where it was given."""
        if np.isnan(self.low):
            return 0.0
        return float(np.log(self.high / self.low) / (2.0 * stats.norm.ppf(0.975)))


def reached(fits: Fits) -> Array:
    """Return the depth at which 5 % of the rise at the surface is left, (g,) [mm].

    Parameters
    ----------
    fits
        The uniform fits.
    """
    return fits.start + reach(fits.diffusivity * MM2_D_PER_M2_S, fits.profiles.exposure)


def skin_depth(fits: Fits) -> Depth:
    """Fit one depth of the skin to all profiles by the profile of their likelihood.

    Parameters
    ----------
    fits
        The uniform fits.

    Returns
    -------
    The `Depth`; its interval is the wider of those by the profile of the likelihood, where
    f ln(S), f the degrees of freedom and S the squares of a strategy, rises in sum by no more
    than ln(1 + F/f) f, F the 95 % quantile, and by a jackknife over the specimens.

    References
    ----------
    Venzon and Moolgavkar, Appl. Stat. 37, 1988; Miller, Biometrika 61, 1974 (recalled).
    """
    count = len(fits.used)
    pick = np.unique(np.linspace(0, count - 1, min(count, MOST_SCANNED)).round().astype(int))
    layers, start = fits.layers.take(pick), fits.start[pick]
    names = np.array(fits.profiles.strategies, dtype=object)[pick]
    first = float(np.where(layers.weight > 0, layers.lower + start[:, None], np.inf).min())
    last = float(np.median(np.minimum(reached(fits)[pick], fits.profiles.lower[pick].max(axis=1))))

    def squares(grid: Array) -> Array:
        every = layers.take(np.tile(np.arange(len(pick)), len(grid)))
        edge = np.maximum(np.repeat(grid, len(pick)) - np.tile(start, len(grid)), 0.0)
        log_d = np.tile(fits.solution.values[pick, 0], len(grid))
        two = solve_two_layers(every, skin=edge, uniform=log_d)
        return two.squares.reshape(len(grid), len(pick))

    grid = np.geomspace(first, max(last, 1.01 * first), DEPTHS)
    table = squares(grid)
    best = int(_profile(layers, names, table).argmin())
    fine = np.geomspace(grid[max(best - 1, 0)], grid[min(best + 1, DEPTHS - 1)], FINER + 2)[1:-1]
    order = np.argsort(np.concatenate((grid, fine)))
    table = np.concatenate((table, squares(fine)))[order]
    grid = np.concatenate((grid, fine))[order]
    cost = _profile(layers, names, table)
    best = int(cost.argmin())
    freedom = max(float(_freedom(layers).sum()) - 1.0, 1.0)
    level = cost[best] + freedom * np.log1p(stats.f.ppf(0.95, 1, freedom) / freedom)
    low, low_told = _crossing(grid[best::-1], cost[best::-1], level)
    high, high_told = _crossing(grid[best:], cost[best:], level)
    value = _lowest(grid, cost)
    factor = _jackknife(layers, names, grid, table)
    low, high = min(low, value / factor), max(high, value * factor)
    return Depth(value, low, high, low_told and high_told)


def _profile(layers: Layers, names: Array, squares: Array) -> Array:
    """Sum of f ln S over the strategies; `squares` (depths, g)."""
    floor = (LEAST_RESIDUAL * layers.content.max()) ** 2
    total = np.zeros(len(squares))
    for name in dict.fromkeys(names):
        own = names == name
        freedom = max(float(_freedom(layers)[own].sum()), 1.0)
        total += freedom * np.log(squares[:, own].sum(axis=1) + freedom * floor)
    return total


def _lowest(grid: Array, cost: Array) -> float:
    """Return where the parabola through the lowest point and its neighbours is lowest."""
    best = int(np.clip(cost.argmin(), 1, len(grid) - 2))
    x, y = np.log(grid[best - 1 : best + 2]), cost[best - 1 : best + 2]
    bend, slope, _ = np.polyfit(x - x[1], y, 2)
    if bend <= 0.0:
        return float(grid[cost.argmin()])
    return float(np.exp(np.clip(x[1] - 0.5 * slope / bend, x[0], x[2])))


def _jackknife(layers: Layers, names: Array, grid: Array, squares: Array) -> float:
    """Return the factor of a 95 % interval from leaving out each specimen in turn.

    Readings of unequal error, and skins of unequal depth, make the profile of the likelihood too
    sure of itself; the specimens are independent whatever they are.
    """
    count = len(names)
    if count < 3:
        return 1.0
    logs = np.empty(count)
    for row in range(count):
        rest = np.arange(count) != row
        cost = _profile(layers.take(rest), names[rest], squares[:, rest])
        logs[row] = np.log(_lowest(grid, cost))
    error = np.sqrt((count - 1.0) / count * ((logs - logs.mean()) ** 2).sum())
    return float(np.exp(stats.t.ppf(0.975, count - 1) * error))


def _freedom(layers: Layers) -> Array:
    """Return the degrees of freedom of each two-layer fit, (g,)."""
    count = (layers.weight > 0).sum(axis=1)
    return np.asarray(np.maximum(count - 3.0 - np.isnan(layers.initial), 0.0))


def _crossing(grid: Array, cost: Array, level: float) -> tuple[float, bool]:
    """Return where the profile first rises above a level, and whether it does."""
    above = np.flatnonzero(cost > level)
    if above.size == 0:
        return float(grid[-1]), False
    j = int(above[0])
    share = (level - cost[j - 1]) / (cost[j] - cost[j - 1])
    return float(np.exp(np.interp(share, (0.0, 1.0), np.log(grid[[j - 1, j]])))), True
