"""How far the curves move with the epistemic inputs: the reliability index at each epistemic point."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from stripwise.risk.model.wall import Wall
from stripwise.risk.probability.cubics import pchip_slopes, read_cubics
from stripwise.risk.probability.nested_sampling import (
    BAND_INNER_POINTS,
    BAND_OUTER_POINTS,
    NestedSample,
)
from stripwise.risk.probability.reliability_index import (
    FIRST_AGE,
    INFINITE_INDEX,
    Curves,
    reliability_index,
)

__all__ = ["epistemic_band"]

Array = NDArray[np.float64]
Progress = Callable[[str, float], None]

BAND_AGES = 12
"""Most ages at which a band is computed; at others its distance to the curve is interpolated."""
SHARE_DRAWN = 100.0
"""A band is computed from the horizon over this on, and at the ends of what lies before."""


def epistemic_band(
    wall: Wall,
    mean_curves: Curves,
    *,
    upper: NDArray[np.bool_],
    kinks: tuple[float, ...],
    points: int,
    seed: int,
    workers: int,
    report: Progress,
) -> Array | None:
    """Return the index by epistemic point, strategy and age (k, s, t), or None without such inputs.

    The aleatory inputs are integrated inside, with fewer points than the curves `mean_curves`, and
    on the coarse grid of a numerical solution. What that changes in the mean over all epistemic
    points is taken back from each of them, so that the band lies about its curve.

    Parameters
    ----------
    upper
        (s, t) whether 1 - P is summed instead of P, to keep digits.
    kinks
        Ages that must be among those computed [yr].
    points
        Sobol' points of a scrambling, which the inside does not exceed.
    report
        Called with a stage and the share done.
    """
    nested = NestedSample.from_wall(
        wall,
        points=points,
        seed=seed,
        stage="knowledge",
        outer_points=BAND_OUTER_POINTS,
        inner_points=BAND_INNER_POINTS,
    )
    if nested is None:
        return None

    # a count jumps between ages, so it cannot be interpolated
    chosen = (
        _select_ages(mean_curves.ages, kinks)
        if nested.integral.name
        else np.arange(mean_curves.ages.size)
    )
    ages, upper = mean_curves.ages[chosen], upper[:, chosen]
    coarse = wall.with_coarse_grid()

    def index(tail_means: Array) -> Array:
        return reliability_index(
            np.where(upper, 1.0 - tail_means, tail_means),
            np.where(upper, tail_means, 1.0 - tail_means),
        )

    tail_means = nested.all_probabilities(
        coarse, ages, upper, workers=workers, report=lambda done: report("knowledge band", done)
    )
    with np.errstate(invalid="ignore"):
        correction = mean_curves.index[:, chosen] - index(tail_means.mean(axis=0))
    band = index(tail_means) + np.where(np.isfinite(correction), correction, 0.0)
    band = np.clip(band, -INFINITE_INDEX, INFINITE_INDEX)
    if chosen.size < mean_curves.ages.size:
        curve = np.clip(mean_curves.index, -INFINITE_INDEX, INFINITE_INDEX)
        log_ages = np.log(np.maximum(mean_curves.ages, 0.5 * FIRST_AGE))
        x, y = log_ages[chosen], (band - curve[:, chosen]).reshape(-1, chosen.size)
        offset = read_cubics(x, y, pchip_slopes(x, y), log_ages)
        shape = (*band.shape[:-1], log_ages.size)
        band = np.clip(curve + offset.reshape(shape), -INFINITE_INDEX, INFINITE_INDEX)
    return np.asarray(np.minimum.accumulate(band, axis=-1))


def _select_ages(ages: Array, kinks: tuple[float, ...]) -> NDArray[np.intp]:
    """Return which of the ages to take: all if few, else the nearest to steps even in log age."""
    if ages.size <= BAND_AGES:
        return np.arange(ages.size)
    start = max(ages[1], ages[-1] / SHARE_DRAWN)
    even = np.append(ages[1], np.geomspace(start, ages[-1], max(BAND_AGES - 2 - len(kinks), 6)))
    usable = [k for k in kinks if ages[0] < k < ages[-1]]
    wanted = np.log(np.concatenate([even, usable]))
    nearest = np.argmin(np.abs(np.log(ages[1:]) - wanted[:, None]), axis=1)
    return np.unique(np.concatenate([[0], 1 + nearest]))
