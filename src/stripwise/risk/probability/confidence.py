"""How sure it is that a target is met: the share of the epistemic points at which P is allowed.

Axes: r scramblings, k epistemic points, s strategies.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.risk.model.wall import Wall
from stripwise.risk.probability.intervals import (
    point_quantile,
    points_that_resolve,
    quantile_by_scrambling,
)
from stripwise.risk.probability.nested_sampling import BAND_INNER_POINTS, NestedSample
from stripwise.risk.probability.parallel import run_parallel
from stripwise.risk.probability.reliability_index import INFINITE_INDEX, reliability_index

__all__ = [
    "SLOW_OUTER_POINTS",
    "Confidence",
    "EpistemicProbability",
    "RangeEnd",
    "epistemic_probabilities",
    "epistemic_probability",
    "share_error",
]

Array = NDArray[np.float64]

SCRAMBLINGS, OUTER_POINTS = 16, 64
"""Scramblings and epistemic points of each."""
SLOW_OUTER_POINTS = 8
"""Points of each where every front is a numerical solution or the root of a long sum."""


@dataclass(frozen=True, slots=True)
class Confidence:
    """The confidence (s,) and the ends of its 95 % sampling interval, each from 0 to 1."""

    value: Array
    low95: Array
    high95: Array


@dataclass(frozen=True, slots=True)
class RangeEnd:
    """A quantile of the index over the epistemic points (s,), with its 95 % sampling interval."""

    value: Array
    low95: Array
    high95: Array


@dataclass(frozen=True, slots=True)
class EpistemicProbability:
    """The probability at one age for each scrambling, epistemic point and strategy.

    Attributes
    ----------
    index
        (r, k, s) its reliability index, which keeps digits where P is small.
    own_shift
        (r, s) by how much a scrambling would move its indices if it took its gap to the mean back
        from its own points alone.
    """

    index: Array
    own_shift: Array

    def confidence(self, allowed_index: float) -> Confidence:
        """Return the share of the epistemic points whose index is at least the allowed one."""
        value = np.mean(self.index >= allowed_index, axis=(0, 1))
        half = share_error(np.mean(self._own_index() >= allowed_index, axis=1), value, self._count)
        return Confidence(value, np.clip(value - half, 0.0, 1.0), np.clip(value + half, 0.0, 1.0))

    def range_end(self, share: float) -> RangeEnd:
        """Return the index that a share of the epistemic points stays below.

        From all points at once. The interval ends at the quantiles of the share less and plus its
        own sampling error; where that is further out than the points go, the end is infinite.

        References
        ----------
        Woodruff, J. Am. Stat. Assoc. 47, 1952 (recalled): the interval of a quantile by that of a
        share; Hazen's positions (k - 1/2)/n, those of evenly spread points.
        """
        repeats, count, strategies = self.index.shape
        pooled, own = self.index.reshape(-1, strategies), self._own_index()
        whole = point_quantile(pooled, share)
        # ties leave the share at the quantile open; the nearest to the one asked for counts
        below, up_to = np.mean(own < whole, axis=1), np.mean(own <= whole, axis=1)
        half = share_error(np.clip(share, below, up_to), share, count)
        outermost = 0.5 / (repeats * count)

        def end(at: Array, beyond: float) -> Array:
            inside = np.clip(at, outermost, 1.0 - outermost)
            found = [point_quantile(pooled[:, s], inside[s]) for s in range(strategies)]
            return np.where(at == inside, found, beyond)

        return RangeEnd(np.asarray(whole), end(share - half, -np.inf), end(share + half, np.inf))

    @property
    def _count(self) -> int:
        return int(self.index.shape[1])

    def _own_index(self) -> Array:
        moved = self.index + self.own_shift[:, np.newaxis]
        return np.where(np.abs(self.index) < INFINITE_INDEX, moved, self.index)

    def index_at_confidence(self, confidence: float) -> Array:
        """Return by scrambling (r, s) the index that this share of the epistemic points reaches.

        The mean of the scramblings is that of all points.
        """
        return quantile_by_scrambling(self.index, 1.0 - confidence)


def epistemic_probability(
    wall: Wall,
    *,
    age: float,
    mean_index: Array,
    points: int,
    seed: int,
    workers: int = 2,
    outer_points: int | None = None,
    demanded: float = 0.0,
) -> EpistemicProbability | None:
    """Compute P at an age [yr] for every epistemic point; None without epistemic inputs.

    As `epistemic_probabilities`, with `mean_index` (s,).
    """
    found = epistemic_probabilities(
        wall,
        ages=np.array([age]),
        mean_index=mean_index[:, np.newaxis],
        points=points,
        seed=seed,
        workers=workers,
        outer_points=outer_points,
        demanded=demanded,
    )
    return found[0] if found else None


def epistemic_probabilities(
    wall: Wall,
    *,
    ages: Array,
    mean_index: Array,
    points: int,
    seed: int,
    workers: int = 2,
    outer_points: int | None = None,
    demanded: float = 0.0,
) -> tuple[EpistemicProbability, ...]:
    """Compute P at ages (t,) [yr] for every epistemic point; empty without epistemic inputs.

    The aleatory inputs are integrated inside with fewer points than the answer `mean_index` (s, t)
    has, so the difference of the mean over all points is taken back from each of them.

    Parameters
    ----------
    points
        Sobol' points of a scrambling, which the inside does not exceed.
    outer_points
        Epistemic points of a scrambling; those of a run unless given.
    demanded
        Confidence that a decision takes from them, for which they are more where few.
    """
    slow = wall.numerical or (wall.has_surface_history and wall.layered)
    usual = SLOW_OUTER_POINTS if slow else OUTER_POINTS
    count = points_that_resolve(demanded, least=outer_points or usual)
    coarse = wall.with_coarse_grid()
    upper = mean_index < 0.0

    def scrambling(r: int) -> Array:
        nested = NestedSample.from_wall(
            wall,
            points=points,
            seed=seed,
            stage="confidence",
            outer_points=count,
            inner_points=BAND_INNER_POINTS,
            replicate=r,
            replicates=SCRAMBLINGS,
        )
        if nested is None:
            return np.empty((0, *upper.shape))
        return nested.all_probabilities(coarse, ages, upper)

    workers = wall.useful_workers(workers)
    tails = np.array(list(run_parallel(scrambling, SCRAMBLINGS, workers=workers)))
    if tails.size == 0:
        return ()

    def index(tail: Array) -> Array:
        return reliability_index(
            np.where(upper, 1.0 - tail, tail), np.where(upper, tail, 1.0 - tail)
        )

    with np.errstate(invalid="ignore"):
        found = index(tails.mean(axis=(0, 1)))
        correction, own_shift = mean_index - found, found - index(tails.mean(axis=1))
    shifted = index(tails) + np.where(np.isfinite(correction), correction, 0.0)
    cut = np.clip(shifted, -INFINITE_INDEX, INFINITE_INDEX)
    own_shift = np.where(np.isfinite(own_shift), own_shift, 0.0)
    return tuple(
        EpistemicProbability(cut[..., place], own_shift[..., place]) for place in range(ages.size)
    )


def share_error(shares: Array, whole: Array | float, count: int) -> Array:
    """Return half the 95 % interval of a share `whole` from those of scramblings (r, ...).

    By Student's t, each share being that of `count` points. Evenly spread points cross a limit at a
    point more or less, so that scramblings may agree by chance: their standard deviation counts as
    at least half a point, the largest of a count that has two neighbouring values.

    Examples
    --------
    >>> share_error(np.array([1.0, 1.0, 1.0, 1.0]), 1.0, 8).round(4).tolist()
    0.0995
    """
    repeats = len(shares)
    square = np.sum((shares - whole) ** 2, axis=0) / (repeats - 1)
    spread = np.sqrt(np.maximum(square, (0.5 / count) ** 2) / repeats)
    return np.asarray(special.stdtrit(repeats - 1, 0.975) * spread)
