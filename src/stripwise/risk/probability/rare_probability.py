"""What the sample says about each probability of a curve: its mean, its interval, or too little.

Axes: r repeats, s strategies, t ages.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.sampling import InputSampler
from stripwise.risk.model.wall import Wall
from stripwise.risk.probability.integral import Integral
from stripwise.risk.probability.intervals import (
    OK,
    TOO_RARE,
    highest_mean,
    rare_limit,
    t_interval,
)
from stripwise.risk.probability.rare_sampling import rare_tail_means

__all__ = ["RARE_STATUS", "TailIntervals", "tail_intervals"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

RARE_STATUS = "rare"
"""Status of what importance sampling answers; others are those of a plain probability."""

MAX_COV = 0.05
"""Above this coefficient of variation of the mean a weighted sample carries no interval."""
DISAGREEMENT = 5.0
"""Standard errors of both samples by which the plain one may not lie above the weighted one."""


@dataclass(frozen=True, slots=True)
class TailIntervals:
    """The small side of each probability: P, or 1 - P where `upper`.

    Attributes
    ----------
    ages
        (t,) sampled ages [yr].
    upper
        (s, t) whether the side is 1 - P.
    repeats
        (r, s, t) by repeat: by importance sampling where the status is rare, else plain.
    mean, low, high
        (s, t) mean and 95 % interval; 0 and an upper bound where it is too rare.
    grade
        (s, t) 0 ok, 1 rare, 2 too rare.
    samples
        Plain samples in all.
    limit
        Probability from which Student's t covers.
    """

    ages: Array
    upper: Flags
    repeats: Array
    mean: Array
    low: Array
    high: Array
    grade: NDArray[np.intp]
    samples: int
    limit: float

    def grades(self, ages: Array) -> NDArray[np.intp]:
        """Return the grade at any ages, (s, len(ages)): the worse of the sampled ages about it."""
        right = np.clip(np.searchsorted(self.ages, ages), 0, self.ages.size - 1)
        left = np.where(self.ages[right] > ages, np.maximum(right - 1, 0), right)
        return np.asarray(np.maximum(self.grade[:, left], self.grade[:, right]))

    def status(self, ages: Array, probability: Array) -> NDArray[np.object_]:
        """Return the status in words at ages (t,) where P is `probability` (s, t)."""
        common = np.minimum(probability, 1.0 - probability) >= self.limit
        words = np.array([OK, RARE_STATUS, TOO_RARE], dtype=object)
        return np.asarray(words[np.where(common, 0, self.grades(ages))])

    def highest(self, age: float, *, chance: float) -> Array:
        """Return what P (s,) at an age exceeds with no more than a chance, whatever its law."""
        at = min(int(np.searchsorted(self.ages, age)), self.ages.size - 1)
        plain = np.where(self.upper[:, at], 1.0 - self.mean[:, at], self.mean[:, at])
        return highest_mean(plain, samples=self.samples, chance=chance)


def tail_intervals(
    wall: Wall,
    integral: Integral,
    sampler: InputSampler,
    *,
    ages: Array,
    tail_means: Array,
    upper: Flags,
    points: int,
    seed: int,
    workers: int,
) -> TailIntervals:
    """Work out the intervals of plain means (r, s, t) over `points` each; sample small ones anew.

    From `rare_limit` on Student's t over repeats covers; below, repeats are skewed, and importance
    sampling answers. Where it does not either, an upper bound is left.
    """
    repeats = len(tail_means)
    plain = np.mean(tail_means, axis=0)
    rare = plain < rare_limit(points)
    weighted, sampled = rare_tail_means(
        wall,
        integral,
        sampler,
        ages=ages,
        tail_means=plain,
        upper=upper,
        limit=float(rare_limit(points)),
        repeats=repeats,
        seed=seed,
        workers=workers,
    )
    mean = np.mean(weighted, axis=0)
    error, plain_error = (
        np.std(x, axis=0, ddof=1) / np.sqrt(repeats) for x in (weighted, tail_means)
    )
    with np.errstate(invalid="ignore"):
        trusted = sampled & (error <= MAX_COV * mean)
        # a region of failure that the weighted sample missed
        trusted &= plain - mean <= DISAGREEMENT * (error + plain_error)
    is_exact = not sampler.dimensions
    grade = np.where(~rare | is_exact, 0, np.where(trusted, 1, 2))
    chosen = np.where(trusted, weighted, tail_means)
    mean, low, high = t_interval(chosen)
    samples = points * repeats
    bound = highest_mean(mean, samples=samples, chance=0.025)
    low = np.where(grade == 2, 0.0, np.clip(low, 0.0, 1.0))
    high = np.where(grade == 2, bound, np.clip(high, 0.0, 1.0))
    # P grows with age, so what bounds it later bounds it now, and for 1 - P the other way round
    later = np.minimum.accumulate(np.where(upper, np.inf, high)[:, ::-1], axis=1)[:, ::-1]
    sooner = np.minimum.accumulate(np.where(upper, high, np.inf), axis=1)
    high = np.where(grade == 2, np.where(upper, sooner, later), high)
    return TailIntervals(
        ages, upper, chosen, mean, low, high, grade, samples, float(rare_limit(points))
    )
