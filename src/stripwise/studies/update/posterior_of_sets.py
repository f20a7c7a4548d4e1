"""The posterior of what is epistemic of a wall, given sets of inspections.

Axes: g sets, n points, m draws.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.posterior_points import (
    LEAST_EFFECTIVE,
    WeightedPoints,
    posterior_points,
)
from stripwise.distributions.sampling import random_stream
from stripwise.errors import NumericalError
from stripwise.risk.model.wall import Wall
from stripwise.studies.update.epistemic_scores import EpistemicDraws, EpistemicScores
from stripwise.studies.update.evidence_of_sets import SetLikelihoods
from stripwise.units.formatting import count, number

__all__ = ["Posterior", "find_posterior"]

Array = NDArray[np.float64]

DRAWS = 2**14
"""Draws of equal weight."""
MOST_ERROR, SETTLED_SHARE, CHECKED = 0.1, 0.99, 512
"""Largest error of a log likelihood, for what share of the draws, and of how many it is checked."""
SAFE_ERROR, MOST_POINTS = 0.08, 2048
"""Error before sampling from which the points of the integral over what varies along the wall are
enough, and the most of them."""


@dataclass(frozen=True, slots=True, eq=False)
class Posterior:
    """Weighted points of the posterior, and equal-weight draws of it.

    Attributes
    ----------
    points
        The points with their weights.
    all_draws
        The n points as draws.
    draws
        m draws of equal weight.
    integral_error
        Error of a log likelihood that 99 % of the draws stay below; NaN where unchecked.
    integral_points
        Points of the integral over what varies along the wall.
    """

    points: WeightedPoints
    all_draws: EpistemicDraws
    draws: EpistemicDraws
    integral_error: float
    integral_points: int


def find_posterior(
    wall: Wall,
    scores: EpistemicScores,
    likelihoods: SetLikelihoods,
    *,
    seed: int,
    points: int | None = None,
    start: WeightedPoints | None = None,
    checked: bool = True,
    progress: Callable[[float], None] | None = None,
) -> Posterior:
    """Sample the posterior; NumericalError where fewer than 400 effective draws are left.

    Joint draws that the wall has already are weighted as they are. `start` are points whose weights
    come near the posterior, where there are such. `checked` measures the error of the integral on
    the draws too, not only on the way to them.
    """
    while True:
        if wall.draws is None:
            points_found, likelihoods = _sampled(
                scores, likelihoods, seed=seed, points=points, start=start, progress=progress
            )
            all_draws = scores.draws(points_found.z)
        else:
            all_draws = scores.joint_draws(random_stream(seed, stage="update", index=(0, 0)))
            parts = likelihoods(all_draws)
            points_found = WeightedPoints(wall.draws.values, parts, np.zeros(all_draws.count), 0)
        if points_found.effective < LEAST_EFFECTIVE:
            raise NumericalError(_refusal(points_found, foreign=wall.draws is not None))
        rows = points_found.equal_weight_rows(
            DRAWS, random_stream(seed, stage="update", index=(0, 4000))
        )
        draws = all_draws.rows(rows)
        error = math.nan
        if checked:
            some = draws.rows(np.linspace(0, DRAWS - 1, CHECKED).astype(np.intp))
            error = _change(likelihoods(some).sum(axis=0), _doubled(likelihoods)(some).sum(axis=0))
        if not error > MOST_ERROR or 2 * likelihoods.points > MOST_POINTS:
            return Posterior(points_found, all_draws, draws, error, likelihoods.points)
        likelihoods, start = _doubled(likelihoods), points_found


def _sampled(
    scores: EpistemicScores,
    likelihoods: SetLikelihoods,
    *,
    seed: int,
    points: int | None,
    start: WeightedPoints | None,
    progress: Callable[[float], None] | None,
) -> tuple[WeightedPoints, SetLikelihoods]:
    """Sample the posterior, and return the likelihoods of as many points as it took."""
    fine = likelihoods
    rng = random_stream(seed, stage="update", index=(0, 4500))

    def refined(z: Array, weights: Array) -> Callable[[Array], Array]:
        nonlocal fine
        draws = scores.draws(z[:, rng.choice(weights.size, CHECKED, p=weights)])
        once = fine(draws).sum(axis=0)
        while 2 * fine.points <= MOST_POINTS:
            twice = _doubled(fine)(draws).sum(axis=0)
            if _change(once, twice) <= SAFE_ERROR:
                break
            fine, once = _doubled(fine), twice
        return lambda z: fine(scores.draws(z))

    found = posterior_points(
        lambda z: likelihoods(scores.draws(z)),
        scores.dimensions,
        seed=seed,
        points=points,
        refined=refined,
        start=start,
        progress=progress,
    )
    return found, fine


def _doubled(likelihoods: SetLikelihoods) -> SetLikelihoods:
    return replace(likelihoods, points=2 * likelihoods.points)


def _change(once: Array, twice: Array) -> float:
    """Return the change of log likelihoods on twice the points, but for one common to all draws."""
    change = twice - once
    return float(np.quantile(np.abs(change - np.median(change)), SETTLED_SHARE))


def _refusal(points: WeightedPoints, *, foreign: bool) -> str:
    left = number(points.effective, 2)
    if foreign:
        return (
            f"the joint draws of `knowledge` keep only {left} effective draws under these data; at "
            f"least {count(LEAST_EFFECTIVE)} are needed. Update from the scenario without them, with "
            "all data at once"
        )
    return (
        f"the posterior has only {left} effective draws; at least {count(LEAST_EFFECTIVE)} are needed. "
        "The data may contradict the scenario or each other: try each file alone, and look at their "
        "errors"
    )
