"""Cover and strip age together: the index over the choices, which choice matters, exchange rate.

Axes: f follow-ups, t strip ages, c covers; m repeats or knowledge points.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import interpolate

from stripwise.inputs.sampling import sobol_cells, stream
from stripwise.risk.index import index_of
from stripwise.risk.integral import Integral, front_depths
from stripwise.risk.nested import KNOWLEDGE_POINTS, NestedDraw
from stripwise.risk.parallel import run_parallel
from stripwise.risk.wall import COVER, Number, Plan, Wall

__all__ = [
    "PAIRS",
    "ChoiceIndices",
    "ChoiceNodes",
    "Grid",
    "choice_indices",
    "choice_nodes",
    "exchange_grid",
    "exchange_rate",
    "index_by_knowledge",
    "index_by_repeat",
]

Array = NDArray[np.float64]

NODES = 10
"""Gauss-Legendre nodes per range."""

CLIP = (-4.0, 6.0)
"""The index is clipped before its variance is analysed: beyond, nobody chooses."""

MAP_POINTS = 2048
KNOWLEDGE_MAP_POINTS = 1024


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
    wall = wall.with_plans(grid.all_plans())
    integral, draw = Integral.of(wall, prefer_cover=True)
    moved = _moved(wall, integral, grid)

    def repeat(r: int) -> Array:
        z = next(
            sobol_cells(draw.dimensions, MAP_POINTS, stream(seed, stage="choices", index=(r,)))
        )
        shift = integral.shift(draw.correlate(z))
        return _index(wall, moved, draw.values(z), shift, age=age, grid=grid)

    return np.array(list(run_parallel(repeat, repeats, workers=workers)))


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
    wall = wall.with_plans(grid.all_plans())
    nested = NestedDraw.of(
        wall, points=KNOWLEDGE_MAP_POINTS, seed=seed, stage="choices", prefer_cover=True
    )
    if nested is None:
        return None
    moved = _moved(wall, nested.integral, grid)

    def outer(k: int) -> Array:
        values = nested.values(k)
        return _index(wall, moved, values, nested.shift, age=age, grid=grid)

    return np.array(list(run_parallel(outer, KNOWLEDGE_POINTS, workers=workers)))


def _moved(wall: Wall, integral: Integral, grid: Grid) -> list[Integral]:
    """Return the integral at each nominal cover of a grid."""
    nominal = wall.input(COVER).distribution.parent_mean
    return [integral.moved(float(cover) - nominal) for cover in grid.cover]


def _index(
    wall: Wall,
    moved: Sequence[Integral],
    values: dict[str, Number],
    shift: Number,
    *,
    age: float,
    grid: Grid,
) -> Array:
    """Reliability index (f, t, c) of one sample."""
    face = wall.face(values)
    nominal = wall.input(COVER).distribution
    p = np.empty((len(wall.plans), len(grid.cover)))
    if moved[0].name == COVER:
        depths = front_depths(wall, face, age)
        for c, there in enumerate(moved):
            p[:, c] = [np.mean(there.below(depth, shift)) for depth in depths]
    else:
        ages, upper = np.array([age]), np.zeros((len(wall.plans), 1), dtype=bool)
        for c, cover in enumerate(grid.cover):
            given = {**values, COVER: values[COVER] + (float(cover) - nominal.parent_mean)}
            there = moved[c]
            p[:, c] = there.probabilities(wall, face, given, shift, ages=ages, upper=upper)[:, 0]
    return index_of(p, 1.0 - p).reshape(grid.shape)


@dataclass(frozen=True, slots=True)
class ChoiceNodes:
    """Gauss-Legendre design points over ranges of cover and strip age, with their weights.

    `weights` holds (f,), (t,) and (c,) weights that sum to 1 each.
    """

    grid: Grid
    weights: tuple[Array, Array, Array]


def choice_nodes(
    cover: tuple[float, float],
    strip_age: tuple[float, float],
    plans: tuple[Plan, ...],
    *,
    shrink: float = 1.0,
) -> ChoiceNodes:
    """Place design points on ranges of the choices.

    Cover is uniform in mm, strip age uniform in its logarithm, follow-ups weigh the same.

    Parameters
    ----------
    cover
        Lowest and highest mean cover [mm].
    strip_age
        Shortest and longest strip age [h].
    plans
        Follow-ups, f of them.
    shrink
        Share of the ranges to keep, about their middle.

    Returns
    -------
    The `ChoiceNodes`.
    """
    x, w = np.polynomial.legendre.leggauss(NODES)
    c_mid, c_half = 0.5 * (cover[0] + cover[1]), 0.5 * shrink * (cover[1] - cover[0])
    low, high = np.log(strip_age[0]), np.log(strip_age[1])
    t_mid, t_half = 0.5 * (low + high), 0.5 * shrink * (high - low)
    grid = Grid(c_mid + c_half * x, np.exp(t_mid + t_half * x), plans)
    return ChoiceNodes(grid, (np.full(len(plans), 1.0 / len(plans)), 0.5 * w, 0.5 * w))


@dataclass(frozen=True, slots=True)
class ChoiceIndices:
    """Shares of the variance of the reliability index over the choices.

    Attributes
    ----------
    names
        "follow-up", "strip age", "cover".
    first, total
        (m, 3) first and total index of each choice; NaN where nothing varies.
    second
        (m, 3) second order of the pairs (follow-up, strip age), (follow-up, cover), (strip age,
        cover).
    """

    names: tuple[str, str, str]
    first: Array
    total: Array
    second: Array


PAIRS = ((0, 1), (0, 2), (1, 2))
"""Positions in `ChoiceIndices.names` of the second-order pairs."""


def choice_indices(index: Array, weights: tuple[Array, Array, Array]) -> ChoiceIndices:
    """Analyse the variance of the index over the choices by quadrature, without sampling.

    Parameters
    ----------
    index
        (m, f, t, c) reliability index at the nodes.
    weights
        (f,), (t,), (c,) weights.

    Returns
    -------
    The `ChoiceIndices`.

    References
    ----------
    Sobol', Math. Model. Comput. Exp. 1, 1993: decomposition of the variance (recalled).

    Examples
    --------
    >>> half = np.array([0.5, 0.5])
    >>> y = np.array([1.0, 2.0])[:, None] + np.array([0.0, 2.0])[None, :]
    >>> shares = choice_indices(y[None, None], (np.ones(1), half, half))
    >>> [round(float(x), 2) for x in shares.first[0]]
    [0.0, 0.2, 0.8]
    """
    y = np.clip(index, *CLIP)
    wf, wt, wc = weights
    y = y - np.einsum("mftc,f,t,c->m", y, wf, wt, wc)[:, None, None, None]
    variance = np.einsum("mftc,f,t,c->m", y**2, wf, wt, wc)
    main = (
        np.einsum("mftc,t,c->mf", y, wt, wc),
        np.einsum("mftc,f,c->mt", y, wf, wc),
        np.einsum("mftc,f,t->mc", y, wf, wt),
    )
    alone = np.stack([(g**2) @ w for g, w in zip(main, weights, strict=True)], axis=1)
    pair_means = (
        np.einsum("mftc,c->mft", y, wc),
        np.einsum("mftc,t->mfc", y, wt),
        np.einsum("mftc,f->mtc", y, wf),
    )
    second = np.stack(
        [
            np.einsum("mij,i,j->m", g**2, weights[i], weights[j]) - alone[:, i] - alone[:, j]
            for g, (i, j) in zip(pair_means, PAIRS, strict=True)
        ],
        axis=1,
    )
    # what the other two choices explain together is not in the total of the third
    others = {2: (0, 1), 1: (0, 2), 0: (1, 2)}
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = np.where(variance > 0.0, 1.0 / variance, np.nan)[:, None]
    total = np.stack(
        [
            variance
            - alone[:, others[i][0]]
            - alone[:, others[i][1]]
            - second[:, PAIRS.index(others[i])]
            for i in range(3)
        ],
        axis=1,
    )
    return ChoiceIndices(
        ("follow-up", "strip age", "cover"), alone * scale, total * scale, second * scale
    )


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
    where the index is not finite.
    """
    rates = np.empty(len(index))
    for m, (now, later) in enumerate(index[:, 0]):
        goal = later[0]
        if not (np.isfinite(goal) and np.isfinite(now[0])):
            rates[m] = np.nan
        elif goal > now[-1]:
            rates[m] = np.inf
        else:
            usable = np.isfinite(now) & (np.diff(now, prepend=-np.inf) > 0.0)
            rates[m] = interpolate.PchipInterpolator(now[usable], EXTRA_COVER[usable])(goal)
    return rates
