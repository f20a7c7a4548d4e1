"""Probability-of-corrosion curves: sampled at few ages, interpolated, with two kinds of interval.

Axes: r repeats, k knowledge points, s strategies, t ages.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special, stats

from stripwise.distributions.sampling import Draw, sobol_cells, stream
from stripwise.errors import NumericalError
from stripwise.risk.model.wall import COVER, Wall
from stripwise.risk.probability.band import band_by_knowledge
from stripwise.risk.probability.integral import Integral, initiation_ages
from stripwise.risk.probability.parallel import run_parallel
from stripwise.risk.probability.reliability_index import FIRST_AGE, Curves, index_of

__all__ = ["CASES", "WITHOUT_FRONT", "CurveSet", "interval", "probability_curves"]

Array = NDArray[np.float64]
Progress = Callable[[str, float], None]

STARTING_AGES = (6, 18)
"""Sampled ages up to the first year and beyond it, before refinement."""

MOST_AGES = 400
PILOT = 8192
"""Samples of the pilot that chooses the ages."""
NUMERICAL_PILOT = 1024
"""Where every front is a numerical solution."""
SLOW_PILOT = 512
"""Where every front is the root of a long sum: a rise over a skin."""
FINEST, FINEST_UNDER_RISE, FINEST_OF_SLOW = 1e-9, 0.02, 0.1
"""Steps of ln age that are refined no further. A front that starts under a rise has the whole
convection zone behind it at once, so that every sample is a step and halving finds no end."""
INTERPOLATION_TOLERANCE = 2e-6
"""Largest error of the interpolation at the midpoints, in probability, on the pilot sample."""


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
    knowledge
        (k, s, t) reliability index at the sampled ages by point of the knowledge inputs, or None.
    penalty_mean, penalty_sd, effective_days
        (s,) moments of k_c and mean effective curing duration [d].
    shares
        Share of the samples by special case.
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
    knowledge: Array | None
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
    mean, low, high, each without the first axis; not clipped, NaN where a value is infinite.
    """
    repeats = len(values)
    with np.errstate(invalid="ignore"):  # infinite values have no interval
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
    band: bool = True,
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
    band
        Whether to compute the band over the knowledge inputs.

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

    whole = curves(mean)
    knowledge = None
    if band:
        knowledge = band_by_knowledge(
            wall,
            whole,
            upper=upper,
            kinks=kinks,
            points=points,
            seed=seed,
            workers=workers,
            tell=tell,
        )
    samples = points * repeats
    k_mean = sum(s.penalty for s in sums) / samples
    k_square = sum(s.penalty_square for s in sums) / samples
    return CurveSet(
        mean=whole,
        repeats=tuple(curves(one) for one in small),
        low95=curves(np.where(upper, high, low)),
        high95=curves(np.where(upper, low, high)),
        know_low=None if knowledge is None else Curves(ages, np.quantile(knowledge, 0.975, axis=0)),
        know_high=None
        if knowledge is None
        else Curves(ages, np.quantile(knowledge, 0.025, axis=0)),
        knowledge=knowledge,
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


WITHOUT_FRONT = (
    "surface chloride never reaches the critical content",
    "depassivated from the start",
    "convection zone reaches the bars",
)
CASES = (
    *WITHOUT_FRONT,
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
    slow = wall.rises and wall.layered
    pilot = NUMERICAL_PILOT if wall.numerical else SLOW_PILOT if slow else PILOT
    z = next(iter(sobol_cells(draw.dimensions, pilot, stream(seed, stage="pilot"))))
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
    yearly = wall.conditions is not None and wall.conditions.first_month is not None
    if yearly:
        inner = _anniversaries(inner)
    finest = (FINEST_OF_SLOW if slow else FINEST_UNDER_RISE) if wall.rises else FINEST
    ages = np.unique(np.concatenate([[0.0], inner, special_ages]))
    known = index(ages)
    error = np.inf
    while True:
        middle = np.sqrt(ages[1:-1] * ages[2:])
        if yearly:
            middle = np.setdiff1d(_anniversaries(middle), ages)
            if middle.size == 0:
                break
        exact = index(middle)
        guess = Curves(ages, known).at(middle)
        errors = np.max(np.abs(special.ndtr(-exact) - special.ndtr(-guess)), axis=0)
        error = float(np.max(errors))
        spacing = np.log(ages[2:] / ages[1:-1])
        if yearly:
            spacing = np.full(middle.size, np.inf)
        wanted = middle[(errors > INTERPOLATION_TOLERANCE) & (spacing > finest)]
        if wanted.size == 0 or ages.size + wanted.size > MOST_AGES or not integral.name:
            break
        keep = np.isin(middle, wanted)
        ages = np.concatenate([ages, wanted])
        known = np.concatenate([known, exact[:, keep]], axis=1)
        order = np.argsort(ages)
        ages, known = ages[order], known[:, order]
    return ages, known < 0.0, error


def _anniversaries(ages: Array) -> Array:
    """Move ages to whole years, between which seasons make waves that nobody asks for."""
    return np.unique(np.where(ages > 0.5, np.maximum(np.rint(ages), 1.0), ages))


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
