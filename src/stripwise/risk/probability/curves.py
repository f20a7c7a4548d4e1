"""How the probability of corrosion grows with age: curves at chosen ages, and their intervals.

Axes: r repeats, k epistemic points, s strategies, t ages.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stripwise.distributions.sampling import InputSampler, random_stream, sobol_blocks
from stripwise.errors import NumericalError
from stripwise.risk.model.wall import COVER, Wall
from stripwise.risk.probability.confidence import EpistemicProbability
from stripwise.risk.probability.epistemic_band import epistemic_band
from stripwise.risk.probability.integral import Integral
from stripwise.risk.probability.intervals import RANGE_ENDS, point_quantile
from stripwise.risk.probability.parallel import run_parallel
from stripwise.risk.probability.rare_probability import TailIntervals, tail_intervals
from stripwise.risk.probability.reliability_index import Curves, reliability_index
from stripwise.risk.probability.sampled_ages import choose_ages

__all__ = [
    "CASES_WITHOUT_FRONT",
    "HIGH_END",
    "LOW_END",
    "SPECIAL_CASES",
    "CurveSet",
    "Growth",
    "probability_curves",
]

Array = NDArray[np.float64]
Progress = Callable[[str, float], None]


LOW_END, HIGH_END = RANGE_ENDS
"""Quantiles of the index at the ends of a band; the lower index is the higher probability."""


@dataclass(frozen=True, slots=True)
class CurveSet:
    """Curves of all strategies with what is needed for their intervals.

    Attributes
    ----------
    mean
        s curves, the mean over repeats.
    repeats
        (r s) curves, the strategies of one repeat after those of the one before.
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
    tails
        (s, t) intervals of P, or of 1 - P where that is summed, at the sampled ages.
    at_target
        The probability at the target life by epistemic point; None without any.
    """

    mean: Curves
    repeats: Curves
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
    tails: TailIntervals
    at_target: EpistemicProbability | None = None

    def index_by_repeat(self, ages: ArrayLike) -> Array:
        """Return the index of each repeat at ages (q,), (r, s, q)."""
        found = self.repeats.at(ages)
        return found.reshape(-1, len(self.mean.index), found.shape[-1])

    def age_by_repeat(self, index: float) -> Array:
        """Return the age at which each repeat falls to an index, (r, s); inf if it never does."""
        return self.repeats.age_at_index(index).reshape(-1, len(self.mean.index))

    def with_range_at(self, age: float, at_target: EpistemicProbability | None) -> CurveSet:
        """Take over the epistemic points at an age [yr], more than the band has.

        Each end of the band is moved in the index so that it passes through theirs at that age.
        """
        if at_target is None or self.know_low is None or self.know_high is None:
            return replace(self, at_target=at_target)
        low, high = (
            _moved_through(curves, age, at_target.range_end(share).value)
            for curves, share in ((self.know_low, HIGH_END), (self.know_high, LOW_END))
        )
        low = Curves(low.ages, np.maximum(low.index, high.index))
        return replace(self, at_target=at_target, know_low=low, know_high=high)

    def at_confidence(self, age: float, confidence: float) -> Curves | None:
        """Return the index that this share of the epistemic points reaches; None without any.

        Moved through what the points at an age [yr] say, as the ends of the band are.
        """
        if self.epistemic is None:
            return None
        reached = Curves(self.mean.ages, _end(self.epistemic, 1.0 - confidence))
        if self.at_target is None:
            return reached
        decisive = self.at_target.index_at_confidence(confidence).mean(axis=0)
        return _moved_through(reached, age, decisive)


def _moved_through(curves: Curves, age: float, index: Array) -> Curves:
    with np.errstate(invalid="ignore"):
        change = index - curves.at(age)[:, 0]
    change = np.where(np.isfinite(change), change, 0.0)
    return Curves(curves.ages, curves.index + change[:, np.newaxis])


def _end(epistemic: Array, share: float) -> Array:
    return point_quantile(epistemic, share)


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
    ages, upper, error = choose_ages(
        wall, integral, sampler, horizon=horizon, kinks=kinks, seed=seed
    )

    def sample(first: int, count: int) -> list[_SampleSums]:
        """Sum `count` points of every scrambling from the point `first` on."""

        def repeat(r: int) -> _SampleSums:
            rng = random_stream(seed, stage="main", index=(r,))
            own = sampler.for_repeat(r, repeats, wall.draws)
            total: _SampleSums | None = None
            for z in sobol_blocks(sampler.dimensions, count, rng, start=first):
                part = _sum_block(wall, integral, own, z, ages=ages, upper=upper)
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
            at_age = np.array([s.means[:, at] for s in sums]) / points
            if growth.is_enough(np.where(upper[:, at], 1.0 - at_age, at_age)):
                break
            more = sample(points, points)
            sums = [one.plus(other) for one, other in zip(sums, more, strict=True)]
            points *= 2
    tail_means = np.array([s.means for s in sums]) / points
    if not np.all(np.isfinite(tail_means)):
        raise NumericalError("a probability is not finite")
    tails = tail_intervals(
        wall,
        integral,
        sampler,
        ages=ages,
        tail_means=tail_means,
        upper=upper,
        points=points,
        seed=seed,
        workers=workers,
    )

    def curves(values: Array) -> Curves:
        p, q = np.where(upper, 1.0 - values, values), np.where(upper, values, 1.0 - values)
        return Curves(ages, np.minimum.accumulate(reliability_index(p, q), axis=-1))

    mean_curves = curves(tails.mean)
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
        repeats=Curves(ages, curves(tails.repeats).index.reshape(-1, ages.size)),
        low95=curves(np.where(upper, tails.high, tails.low)),
        high95=curves(np.where(upper, tails.low, tails.high)),
        know_low=None if epistemic is None else Curves(ages, _end(epistemic, HIGH_END)),
        know_high=None if epistemic is None else Curves(ages, _end(epistemic, LOW_END)),
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
        tails=tails,
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
