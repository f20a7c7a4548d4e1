"""How the probability of corrosion grows with age: curves at chosen ages, and their intervals.

Axes: r repeats, k epistemic points, s strategies, t ages.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from stripwise.distributions.sampling import InputSampler, random_stream, sobol_blocks
from stripwise.errors import NumericalError
from stripwise.risk.model.wall import COVER, Wall
from stripwise.risk.probability.confidence import EpistemicProbability
from stripwise.risk.probability.epistemic_band import epistemic_band
from stripwise.risk.probability.integral import Integral, initiation_ages
from stripwise.risk.probability.intervals import t_interval
from stripwise.risk.probability.parallel import run_parallel
from stripwise.risk.probability.reliability_index import FIRST_AGE, Curves, reliability_index

__all__ = ["CASES_WITHOUT_FRONT", "SPECIAL_CASES", "CurveSet", "Growth", "probability_curves"]

Array = NDArray[np.float64]
Progress = Callable[[str, float], None]

STARTING_AGES = (6, 18)
"""Sampled ages up to the first year and beyond it, before refinement."""

MAX_AGES = 400
PILOT_POINTS = 8192
"""Samples of the pilot that chooses the ages."""
NUMERICAL_PILOT_POINTS, SKIN_RISE_PILOT_POINTS = 1024, 512
"""The same where every front is a numerical solution, or the root of a long sum under a rise."""
MIN_LOG_STEP, MIN_LOG_STEP_UNDER_RISE, MIN_LOG_STEP_OVER_SKIN = 1e-9, 0.02, 0.1
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
        s curves: 2.5 % and 97.5 % quantiles of the probability over the epistemic inputs; None
        without such inputs.
    epistemic
        (k, s, t) reliability index at the sampled ages by epistemic point, or None.
    penalty_mean, penalty_sd, effective_days
        (s,) moments of k_c and mean effective curing duration [d].
    case_shares
        Share of the samples by special case.
    samples
        Samples in all.
    interpolation_error
        Largest error at the midpoints of the ages, in probability, on the pilot sample.
    integrated
        Name of the input that was integrated exactly; empty if none.
    at_target
        The probability at the target life by epistemic point; None without any.
    """

    mean: Curves
    repeats: tuple[Curves, ...]
    low95: Curves
    high95: Curves
    know_low: Curves | None
    know_high: Curves | None
    epistemic: Array | None
    penalty_mean: Array
    penalty_sd: Array
    effective_days: Array
    case_shares: dict[str, float]
    samples: int
    interpolation_error: float
    integrated: str
    at_target: EpistemicProbability | None = None


@dataclass(frozen=True, slots=True)
class Growth:
    """When a sample is doubled: while P by repeat (r, s) at an age [yr] is not enough to decide."""

    age: float
    is_enough: Callable[[Array], bool]
    most_points: int


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
    growth: Growth | None = None,
) -> CurveSet:
    """Compute the curves of all strategies of a wall.

    Parameters
    ----------
    horizon
        Last age [yr].
    kinks
        Ages where a curve may bend: target life, end of ageing [yr].
    points, repeats
        Sobol' points per scrambling and number of scramblings.
    progress
        Called with a stage and the share done.
    band
        Whether to compute the band over the epistemic inputs.
    growth
        When to double the sample; None keeps it at `points`.

    Raises
    ------
    NumericalError
        If an input or a probability is not finite.
    """
    report = progress or (lambda _stage, _done: None)
    integral, sampler = Integral.from_wall(wall)
    ages, upper, error = _choose_ages(
        wall, integral, sampler, horizon=horizon, kinks=kinks, seed=seed
    )

    def sample(first: int, count: int) -> list[_SampleSums]:
        """Sum `count` points of every scrambling from the point `first` on."""

        def repeat(r: int) -> _SampleSums:
            rng = random_stream(seed, stage="main", index=(r,))
            total: _SampleSums | None = None
            for z in sobol_blocks(sampler.dimensions, count, rng, start=first):
                part = _sum_block(wall, integral, sampler, z, ages=ages, upper=upper)
                total = part if total is None else total.plus(part)
            assert total is not None
            return total

        found: list[_SampleSums] = []
        for one in run_parallel(repeat, repeats, workers=workers):
            found.append(one)
            report("curves", len(found) / repeats)
        return found

    sums = sample(0, points)
    if growth is not None:
        at = int(np.argmin(np.abs(ages - growth.age)))
        while 2 * points <= growth.most_points:
            tails = np.array([s.means[:, at] for s in sums]) / points
            if growth.is_enough(np.where(upper[:, at], 1.0 - tails, tails)):
                break
            more = sample(points, points)
            sums = [one.plus(other) for one, other in zip(sums, more, strict=True)]
            points *= 2
    tail_means = np.array([s.means for s in sums]) / points
    if not np.all(np.isfinite(tail_means)):
        raise NumericalError("a probability is not finite")
    shape = tail_means.shape[1:]
    mean, low, high = t_interval(tail_means)
    low, high = np.clip(low, 0.0, 1.0), np.clip(high, 0.0, 1.0)

    def curves(values: Array) -> Curves:
        p, q = np.where(upper, 1.0 - values, values), np.where(upper, values, 1.0 - values)
        index = np.minimum.accumulate(reliability_index(p, q), axis=-1)
        return Curves(ages, index.reshape(-1, shape[1]))

    mean_curves = curves(mean)
    epistemic = None
    if band:
        epistemic = epistemic_band(
            wall,
            mean_curves,
            upper=upper,
            kinks=kinks,
            points=points,
            seed=seed,
            workers=workers,
            report=report,
        )
    samples = points * repeats
    cured = np.maximum(sum(s.cured for s in sums), 1.0)  # a face that was not has no finite k_c
    k_mean = sum(s.penalty for s in sums) / cured
    k_square = sum(s.penalty_square for s in sums) / cured
    return CurveSet(
        mean=mean_curves,
        repeats=tuple(curves(one) for one in tail_means),
        low95=curves(np.where(upper, high, low)),
        high95=curves(np.where(upper, low, high)),
        know_low=None if epistemic is None else Curves(ages, np.quantile(epistemic, 0.975, axis=0)),
        know_high=None
        if epistemic is None
        else Curves(ages, np.quantile(epistemic, 0.025, axis=0)),
        epistemic=epistemic,
        penalty_mean=np.asarray(k_mean),
        penalty_sd=np.sqrt(np.maximum(k_square - np.asarray(k_mean) ** 2, 0.0)),
        effective_days=np.asarray(sum(s.effective for s in sums) / samples),
        case_shares={
            case: float(sum(s.cases[i] for s in sums) / samples)
            for i, case in enumerate(SPECIAL_CASES)
        },
        samples=samples,
        interpolation_error=error,
        integrated=integral.name,
    )


CASES_WITHOUT_FRONT = (
    "surface chloride never reaches the critical content",
    "depassivated from the start",
    "convection zone reaches the bars",
)
SPECIAL_CASES = (
    *CASES_WITHOUT_FRONT,
    "no penalised zone left below the convection zone",
    "ageing exponent of 0.95 or more",
    "forms removed before 1 equivalent hour, counted as depassivated",
)


@dataclass(frozen=True, slots=True)
class _SampleSums:
    """Sums over the samples of a block or a repeat."""

    means: Array
    penalty: Array
    penalty_square: Array
    effective: Array
    cases: Array
    cured: Array

    def plus(self, other: _SampleSums) -> _SampleSums:
        return _SampleSums(
            self.means + other.means,
            self.penalty + other.penalty,
            self.penalty_square + other.penalty_square,
            self.effective + other.effective,
            self.cases + other.cases,
            self.cured + other.cured,
        )


def _sum_block(
    wall: Wall,
    integral: Integral,
    sampler: InputSampler,
    z: Array,
    *,
    ages: Array,
    upper: NDArray[np.bool_],
) -> _SampleSums:
    size = z.shape[1]
    values = sampler.values(z)
    scores = sampler.correlate(z)
    for name, value in values.items():
        if not np.all(np.isfinite(value)):
            count = int(np.sum(~np.isfinite(value)))
            raise NumericalError(f"{name}: {count} of {size} draws are not finite")
    block = wall.sample_block(values)
    score_mean = integral.conditional_mean(scores)
    means = integral.probabilities(wall, block, values, score_mean, ages=ages, upper=upper)
    uncured = [plan.is_uncured(values) for plan in wall.plans]
    penalty = [
        np.where(early, 0.0, np.exp(log_k)) if np.any(early) else np.exp(log_k)
        for early, log_k in zip(uncured, block.log_penalty, strict=True)
    ]

    def total(value: ArrayLike) -> float:
        return float(np.mean(np.asarray(value, dtype=float)) * size)

    zone_at_bars = (
        integral.probability_below(np.asarray(block.zone), score_mean)
        if integral.name == COVER
        else np.asarray(values[COVER]) <= np.asarray(block.zone)
    )
    ratio = np.asarray(block.ratio)
    has_front = (ratio > 0.0) & (ratio < 1.0)
    cases = np.array(
        [
            total(ratio >= 1.0),
            total(ratio <= 0.0),
            total(np.where(has_front, zone_at_bars, 0.0)),
            total(np.asarray(block.skin) <= np.asarray(block.zone)) if wall.layered else 0.0,
            total(np.asarray(block.exponent) >= 0.95),
            total(np.any([np.broadcast_to(early, size) for early in uncured], axis=0)),
        ]
    )
    return _SampleSums(
        means * size,
        np.array([total(k) for k in penalty]),
        np.array([total(np.square(k)) for k in penalty]),
        np.array([total(plan.effective_days(values)) for plan in wall.plans]),
        cases,
        np.array([total(np.logical_not(early)) for early in uncured]),
    )


def _choose_ages(
    wall: Wall,
    integral: Integral,
    sampler: InputSampler,
    *,
    horizon: float,
    kinks: tuple[float, ...],
    seed: int,
) -> tuple[Array, NDArray[np.bool_], float]:
    """Refine the ages on a pilot sample until interpolation at the midpoints is exact enough."""
    rise_over_skin = wall.has_surface_history and wall.layered
    pilot = (
        NUMERICAL_PILOT_POINTS
        if wall.numerical
        else SKIN_RISE_PILOT_POINTS
        if rise_over_skin
        else PILOT_POINTS
    )
    z = next(iter(sobol_blocks(sampler.dimensions, pilot, random_stream(seed, stage="pilot"))))
    values = sampler.values(z)
    block = wall.sample_block(values)
    score_mean = integral.conditional_mean(sampler.correlate(z))

    def index(ages: Array) -> Array:
        flags = np.zeros((len(wall.plans), len(ages)), dtype=bool)
        p = integral.probabilities(wall, block, values, score_mean, ages=ages, upper=flags)
        q = integral.probabilities(wall, block, values, score_mean, ages=ages, upper=~flags)
        return np.minimum.accumulate(reliability_index(p, q), axis=-1)

    early, late = STARTING_AGES
    first = min(1.0, 0.5 * horizon)
    inner = np.concatenate(
        [np.geomspace(FIRST_AGE, first, early), np.geomspace(first, horizon, late)]
    )
    special_ages = [k for k in kinks if FIRST_AGE < k < horizon]
    if not integral.name:
        special_ages += [float(y) for y in range(1, int(horizon) + 1)]
        special_ages += _step_ages(wall, sampler, horizon)
    yearly = wall.conditions is not None and wall.conditions.first_month is not None
    if yearly:
        inner = _anniversaries(inner)
    min_step = (
        (MIN_LOG_STEP_OVER_SKIN if rise_over_skin else MIN_LOG_STEP_UNDER_RISE)
        if wall.has_surface_history
        else MIN_LOG_STEP
    )
    ages = np.unique(np.concatenate([[0.0], inner, special_ages]))
    known_index = index(ages)
    error = np.inf
    while True:
        middle = np.sqrt(ages[1:-1] * ages[2:])
        if yearly:
            middle = np.setdiff1d(_anniversaries(middle), ages)
            if middle.size == 0:
                break
        exact = index(middle)
        guess = Curves(ages, known_index).at(middle)
        errors = np.max(np.abs(special.ndtr(-exact) - special.ndtr(-guess)), axis=0)
        error = float(np.max(errors))
        spacing = np.log(ages[2:] / ages[1:-1])
        if yearly:
            spacing = np.full(middle.size, np.inf)
        added = middle[(errors > INTERPOLATION_TOLERANCE) & (spacing > min_step)]
        if added.size == 0 or ages.size + added.size > MAX_AGES or not integral.name:
            break
        keep = np.isin(middle, added)
        ages = np.concatenate([ages, added])
        known_index = np.concatenate([known_index, exact[:, keep]], axis=1)
        order = np.argsort(ages)
        ages, known_index = ages[order], known_index[:, order]
    return ages, known_index < 0.0, error


def _anniversaries(ages: Array) -> Array:
    """Move ages to whole years; the waves of the seasons in between are not of interest."""
    return np.unique(np.where(ages > 0.5, np.maximum(np.rint(ages), 1.0), ages))


def _step_ages(wall: Wall, sampler: InputSampler, horizon: float) -> list[float]:
    """Return ages just before and at initiation where nothing is random: the curve is a step."""
    if sampler.dimensions:
        return []
    found = initiation_ages(wall, wall.sample_block(sampler.fixed), sampler.fixed)
    first = (float(np.min(age)) for age in found)
    inside = [at for at in first if FIRST_AGE < at < horizon]
    return [at * factor for at in inside for factor in (1.0 - 1e-9, 1.0 + 1e-12)]
