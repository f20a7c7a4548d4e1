"""Probability-of-corrosion curves: sampled at few ages, interpolated, with two kinds of interval.

Axes: r repeats, k knowledge points, s strategies, t ages.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import interpolate, special, stats

from stripwise.errors import NumericalError
from stripwise.inputs.sampling import CELL, Draw, sobol_cells, stream
from stripwise.risk.integral import Integral, initiation_ages
from stripwise.risk.parallel import run_parallel
from stripwise.risk.wall import COVER, Wall

__all__ = [
    "CurveSet",
    "Curves",
    "index_of",
    "interval",
    "probability_curves",
]

Array = NDArray[np.float64]
Progress = Callable[[str, float], None]

FIRST_AGE = 0.01
"""Youngest sampled age [yr]; between it and age 0 the probability is linear."""

STARTING_AGES = (6, 18)
"""Sampled ages up to the first year and beyond it, before refinement."""

MOST_AGES = 400
INTERPOLATION_TOLERANCE = 2e-6
"""Largest error of the interpolation at the midpoints, in probability, on the pilot sample."""

INFINITE_INDEX = 38.0
"""Beyond this index a probability underflows."""

SPLINE_INDEX = 9.0
"""Below this index the curve is smooth enough for a spline; P is 1e-19 there."""

KNOWLEDGE_POINTS = 64
KNOWLEDGE_SCATTER = 2048


def index_of(probability: ArrayLike, complement: ArrayLike) -> Array:
    """Reliability index from a probability and its complement, both known to full precision.

    Parameters
    ----------
    probability, complement
        P and 1 - P, any shape.

    Returns
    -------
    -Phi^-1(P); inf at P = 0 and -inf at 1 - P = 0.
    """
    p, q = np.asarray(probability, dtype=float), np.asarray(complement, dtype=float)
    return np.asarray(np.where(p < q, -special.ndtri(p), special.ndtri(q)))


@dataclass(frozen=True, slots=True)
class Curves:
    """Reliability index over age for a stack of curves, read by interpolation.

    Attributes
    ----------
    ages
        (t,) sampled ages, the first is 0 [yr].
    index
        (m, t) reliability index.
    """

    ages: Array
    index: Array

    def at(self, ages: ArrayLike) -> Array:
        """Reliability index at any ages, (m, len(ages))."""
        wanted = np.atleast_1d(np.asarray(ages, dtype=float))
        late = wanted >= self.ages[1]
        result = np.empty((len(self.index), wanted.size))
        if late.any():
            clipped = np.clip(self.index[:, 1:], -INFINITE_INDEX, INFINITE_INDEX)
            found = _monotone(np.log(self.ages[1:]), clipped, np.log(wanted[late]))
            beyond = np.abs(found) >= INFINITE_INDEX - 1e-9
            result[:, late] = np.where(beyond, np.copysign(np.inf, found), found)
        if not late.all():
            first = special.ndtr(-self.index[:, :1]), special.ndtr(-self.index[:, 1:2])
            first_q = special.ndtr(self.index[:, :1]), special.ndtr(self.index[:, 1:2])
            share = wanted[~late] / self.ages[1]
            p = first[0] + (first[1] - first[0]) * share
            q = first_q[0] + (first_q[1] - first_q[0]) * share
            result[:, ~late] = index_of(p, q)
        return result

    def reach(self, target: float) -> Array:
        """Age at which each curve falls to a reliability index, (m,); inf if not at the last age.

        Parameters
        ----------
        target
            Reliability index.
        """
        grid = np.unique(np.concatenate([self.ages, np.linspace(0.0, self.ages[1], 5)[1:-1]]))
        index = self.at(grid)
        reached = index <= target
        life = np.full(len(index), np.inf)
        for i, row in enumerate(reached):
            if not row.any():
                continue
            j = int(np.argmax(row))
            life[i] = grid[j] if j == 0 else self._root(i, grid[j - 1], grid[j], target)
        return life

    def _root(self, i: int, low: float, high: float, target: float) -> float:
        one = Curves(self.ages, self.index[i : i + 1])
        for _ in range(4):
            ages = np.linspace(low, high, 33)
            below = one.at(ages)[0] <= target
            j = max(int(np.argmax(below)), 1)
            low, high = float(ages[j - 1]), float(ages[j])
        a, b = one.at([low, high])[0]
        if not (np.isfinite(a) and np.isfinite(b)) or a == b:
            return high
        return float(np.clip(low + (high - low) * (a - target) / (a - b), low, high))


def _monotone(x: Array, y: Array, at: Array) -> Array:
    """Interpolate falling rows of y by a cubic that keeps falling.

    Slopes come from the cubic spline where the index is moderate, limited so that every piece is
    monotone (Hyman, SIAM J. Sci. Stat. Comput. 4, 1983, recalled); elsewhere from pchip.
    """
    found = np.empty((len(y), at.size))
    for i, row in enumerate(y):
        slope = interpolate.PchipInterpolator(x, row)(x, 1)
        inner = np.flatnonzero(np.abs(row) < SPLINE_INDEX)
        if inner.size > 3:
            run = slice(inner[0], inner[-1] + 1)
            smooth = interpolate.CubicSpline(x[run], row[run])(x[run], 1)
            secant = np.diff(row) / np.diff(x)
            left = np.concatenate([secant[:1], secant])[run]
            right = np.concatenate([secant, secant[-1:]])[run]
            slope[run] = np.clip(smooth, 3.0 * np.maximum(left, right), 0.0)
        found[i] = interpolate.CubicHermiteSpline(x, row, slope)(at)
    return found


@dataclass(frozen=True, slots=True)
class CurveSet:
    """Curves of all strategies with what is needed for their intervals.

    Attributes
    ----------
    mean
        s curves, the mean over repeats.
    repeats
        (r) curves of s strategies each, one `Curves` per repeat.
    low95, high95
        s curves: sampling interval of the mean, as reliability index of its lower and upper
        probability (`low95` is the lower probability).
    know_low, know_high
        s curves: 2.5 % and 97.5 % quantiles of the probability over the knowledge inputs; None
        without such inputs.
    penalty_mean, penalty_sd, effective_days
        (s,) moments of k_c and mean effective curing duration [d].
    shares
        Share of the samples by special case.
    covered
        (s,) share of walls whose convection zone reaches the bars.
    samples
        Samples in all.
    interpolation_error
        Largest error at the midpoints of the ages, in probability, on the pilot sample.
    integrated
        Name of the input that was integrated exactly; empty if none.
    """

    mean: Curves
    repeats: tuple[Curves, ...]
    low95: Curves
    high95: Curves
    know_low: Curves | None
    know_high: Curves | None
    penalty_mean: Array
    penalty_sd: Array
    effective_days: Array
    shares: dict[str, float]
    samples: int
    interpolation_error: float
    integrated: str


def interval(values: Array) -> tuple[Array, Array, Array]:
    """Mean and 95 % interval of the mean over independent repeats, by Student's t.

    Parameters
    ----------
    values
        (r, ...) one value per repeat.

    Returns
    -------
    mean, low, high, each without the first axis; not clipped.
    """
    repeats = len(values)
    mean = np.mean(values, axis=0)
    half = stats.t.ppf(0.975, repeats - 1) * np.std(values, axis=0, ddof=1) / np.sqrt(repeats)
    return mean, mean - half, mean + half


def probability_curves(
    wall: Wall,
    *,
    horizon: float,
    kinks: tuple[float, ...],
    points: int,
    repeats: int,
    seed: int,
    workers: int = 2,
    progress: Progress | None = None,
) -> CurveSet:
    """Compute the curves of all strategies of a wall.

    Parameters
    ----------
    wall
        The wall.
    horizon
        Last age [yr].
    kinks
        Ages where a curve may bend: target life, end of ageing [yr].
    points, repeats
        Sobol' points per scrambling and number of scramblings.
    seed
        Seed of the run.
    workers
        Threads; the results do not depend on it.
    progress
        Called with a stage and the share done.

    Returns
    -------
    The `CurveSet`.

    Raises
    ------
    NumericalError
        If an input or a probability is not finite.
    """
    tell = progress or (lambda _stage, _done: None)
    integral, draw = Integral.of(wall)
    ages, upper, error = _choose_ages(wall, integral, draw, horizon=horizon, kinks=kinks, seed=seed)

    def repeat(r: int) -> _Sums:
        cells = sobol_cells(draw.dimensions, points, stream(seed, stage="main", index=(r,)))
        total: _Sums | None = None
        for z in cells:
            part = _cell(wall, integral, draw, z, ages=ages, upper=upper)
            total = part if total is None else total.plus(part)
        assert total is not None
        return total

    sums: list[_Sums] = []
    for one in run_parallel(repeat, repeats, workers=workers):
        sums.append(one)
        tell("curves", len(sums) / repeats)
    small = np.array([s.means for s in sums]) / points
    if not np.all(np.isfinite(small)):
        raise NumericalError("a probability is not finite")
    shape = small.shape[1:]
    mean, low, high = interval(small)
    low, high = np.clip(low, 0.0, 1.0), np.clip(high, 0.0, 1.0)

    def curves(values: Array) -> Curves:
        p, q = np.where(upper, 1.0 - values, values), np.where(upper, values, 1.0 - values)
        index = np.minimum.accumulate(index_of(p, q), axis=-1)
        return Curves(ages, index.reshape(-1, shape[1]))

    know_low, know_high = _knowledge_band(
        wall, ages=ages, upper=upper, points=points, seed=seed, workers=workers, tell=tell
    )
    samples = points * repeats
    k_mean = sum(s.penalty for s in sums) / samples
    k_square = sum(s.penalty_square for s in sums) / samples
    return CurveSet(
        mean=curves(mean),
        repeats=tuple(curves(one) for one in small),
        low95=curves(np.where(upper, high, low)),
        high95=curves(np.where(upper, low, high)),
        know_low=know_low,
        know_high=know_high,
        penalty_mean=np.asarray(k_mean),
        penalty_sd=np.sqrt(np.maximum(k_square - np.asarray(k_mean) ** 2, 0.0)),
        effective_days=np.asarray(sum(s.effective for s in sums) / samples),
        shares={
            case: float(sum(s.cases[i] for s in sums) / samples) for i, case in enumerate(CASES)
        },
        samples=samples,
        interpolation_error=error,
        integrated=integral.name,
    )


CASES = (
    "surface chloride never reaches the critical content",
    "depassivated from the start",
    "convection zone reaches the bars",
    "no penalised zone left below the convection zone",
    "ageing exponent of 0.95 or more",
)


@dataclass(frozen=True, slots=True)
class _Sums:
    """Sums over samples of a cell or a repeat."""

    means: Array
    penalty: Array
    penalty_square: Array
    effective: Array
    cases: Array

    def plus(self, other: _Sums) -> _Sums:
        return _Sums(
            self.means + other.means,
            self.penalty + other.penalty,
            self.penalty_square + other.penalty_square,
            self.effective + other.effective,
            self.cases + other.cases,
        )


def _cell(
    wall: Wall, integral: Integral, draw: Draw, z: Array, *, ages: Array, upper: NDArray[np.bool_]
) -> _Sums:
    size = z.shape[1]
    values = draw.values(z)
    scores = draw.correlate(z)
    for name, value in values.items():
        if not np.all(np.isfinite(value)):
            count = int(np.sum(~np.isfinite(value)))
            raise NumericalError(f"{name}: {count} of {size} draws are not finite")
    face = wall.face(values)
    shift = integral.shift(scores)
    means = integral.probabilities(wall, face, values, shift, ages=ages, upper=upper)
    penalty = [np.exp(log_k) for log_k in face.log_penalty]

    def total(value: ArrayLike) -> float:
        return float(np.mean(np.asarray(value, dtype=float)) * size)

    zone_at_bars = (
        integral.below(np.asarray(face.zone), shift)
        if integral.name == COVER
        else np.asarray(values[COVER]) <= np.asarray(face.zone)
    )
    ratio = np.asarray(face.ratio)
    moving = (ratio > 0.0) & (ratio < 1.0)
    cases = np.array(
        [
            total(ratio >= 1.0),
            total(ratio <= 0.0),
            total(np.where(moving, zone_at_bars, 0.0)),
            total(np.asarray(face.skin) <= np.asarray(face.zone)) if wall.layered else 0.0,
            total(np.asarray(face.exponent) >= 0.95),
        ]
    )
    return _Sums(
        means * size,
        np.array([total(k) for k in penalty]),
        np.array([total(np.square(k)) for k in penalty]),
        np.array([total(plan.effective_days(values)) for plan in wall.plans]),
        cases,
    )


def _choose_ages(
    wall: Wall,
    integral: Integral,
    draw: Draw,
    *,
    horizon: float,
    kinks: tuple[float, ...],
    seed: int,
) -> tuple[Array, NDArray[np.bool_], float]:
    """Refine the ages on a pilot cell until interpolation at the midpoints is exact enough."""
    z = next(iter(sobol_cells(draw.dimensions, CELL, stream(seed, stage="pilot"))))
    values = draw.values(z)
    face = wall.face(values)
    shift = integral.shift(draw.correlate(z))

    def index(ages: Array) -> Array:
        flags = np.zeros((len(wall.plans), len(ages)), dtype=bool)
        p = integral.probabilities(wall, face, values, shift, ages=ages, upper=flags)
        q = integral.probabilities(wall, face, values, shift, ages=ages, upper=~flags)
        return np.minimum.accumulate(index_of(p, q), axis=-1)

    early, late = STARTING_AGES
    first = min(1.0, 0.5 * horizon)
    inner = np.concatenate(
        [np.geomspace(FIRST_AGE, first, early), np.geomspace(first, horizon, late)]
    )
    special_ages = [k for k in kinks if FIRST_AGE < k < horizon]
    if not integral.name:
        special_ages += [float(y) for y in range(1, int(horizon) + 1)]
        special_ages += _steps(wall, draw, horizon)
    ages = np.unique(np.concatenate([[0.0], inner, special_ages]))
    known = index(ages)
    error = np.inf
    while True:
        middle = np.sqrt(ages[1:-1] * ages[2:])
        exact = index(middle)
        guess = Curves(ages, known).at(middle)
        errors = np.max(np.abs(special.ndtr(-exact) - special.ndtr(-guess)), axis=0)
        error = float(np.max(errors))
        wanted = middle[errors > INTERPOLATION_TOLERANCE]
        if wanted.size == 0 or ages.size + wanted.size > MOST_AGES or not integral.name:
            break
        keep = np.isin(middle, wanted)
        ages = np.concatenate([ages, wanted])
        known = np.concatenate([known, exact[:, keep]], axis=1)
        order = np.argsort(ages)
        ages, known = ages[order], known[:, order]
    return ages, known < 0.0, error


def _steps(wall: Wall, draw: Draw, horizon: float) -> list[float]:
    """Ages just before and at initiation where nothing is random and the curve is a step."""
    if draw.dimensions:
        return []
    ages: list[float] = []
    for age in initiation_ages(wall, wall.face(draw.fixed), draw.fixed):
        at = float(np.min(age))
        if FIRST_AGE < at < horizon:
            ages += [at * (1.0 - 1e-9), at * (1.0 + 1e-12)]
    return ages


def _knowledge_band(
    wall: Wall,
    *,
    ages: Array,
    upper: NDArray[np.bool_],
    points: int,
    seed: int,
    workers: int,
    tell: Progress,
) -> tuple[Curves | None, Curves | None]:
    """Quantiles of the curves over the knowledge inputs, the scatter integrated inside."""
    nested = NestedDraw.of(wall, points=points, seed=seed, stage="knowledge")
    if nested is None:
        return None, None

    def outer(k: int) -> Array:
        values = nested.values(k)
        face = wall.face(values)
        small = nested.integral.probabilities(
            wall, face, values, nested.shift, ages=ages, upper=upper
        )
        return index_of(np.where(upper, 1.0 - small, small), np.where(upper, small, 1.0 - small))

    index = []
    for one in run_parallel(outer, KNOWLEDGE_POINTS, workers=workers):
        index.append(np.minimum.accumulate(one, axis=-1))
        tell("knowledge band", len(index) / KNOWLEDGE_POINTS)
    clipped = np.clip(np.array(index), -INFINITE_INDEX, INFINITE_INDEX)
    low, high = np.quantile(clipped, [0.975, 0.025], axis=0)
    return Curves(ages, low), Curves(ages, high)


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
    """

    integral: Integral
    shift: Array | float
    scatter: dict[str, Array | float]
    knowledge: dict[str, Array | float]

    @classmethod
    def of(
        cls, wall: Wall, *, points: int, seed: int, stage: str, prefer_cover: bool = False
    ) -> NestedDraw | None:
        """Draw both levels; None if no random input is of kind knowledge."""
        doubted = [i for i in wall.inputs if i.kind == "knowledge" and not i.distribution.is_fixed]
        if not doubted:
            return None
        rest = [i for i in wall.inputs if i not in doubted]
        integral, draw = Integral.of(wall, rest, prefer_cover=prefer_cover)
        outer = Draw.of(doubted, wall.correlations)
        size = min(points, KNOWLEDGE_SCATTER)
        rng = stream(seed, stage=stage, index=(0,))
        z = next(iter(sobol_cells(draw.dimensions, size, rng)))
        rng = stream(seed, stage=stage, index=(1,))
        z_outer = next(iter(sobol_cells(outer.dimensions, KNOWLEDGE_POINTS, rng)))
        shift = integral.shift(draw.correlate(z))
        return cls(integral, shift, draw.values(z), outer.values(z_outer))

    def values(self, k: int) -> dict[str, Array | float]:
        """Every input at outer point k."""
        known = {name: float(np.asarray(v)[k]) for name, v in self.knowledge.items()}
        return {**self.scatter, **known}
