"""What is not known, around the curves: the reliability index at each knowledge point."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy import interpolate

from stripwise.risk.model.wall import Wall
from stripwise.risk.probability.nested import BAND_POINTS, BAND_SCATTER, NestedDraw
from stripwise.risk.probability.parallel import run_parallel
from stripwise.risk.probability.reliability_index import FIRST_AGE, INFINITE_INDEX, Curves, index_of

__all__ = ["band_by_knowledge"]

Array = NDArray[np.float64]
Progress = Callable[[str, float], None]

BAND_AGES = 48
"""Most ages at which a band is computed; at the curve's further ages its distance is read off."""


def band_by_knowledge(
    wall: Wall,
    whole: Curves,
    *,
    upper: NDArray[np.bool_],
    kinks: tuple[float, ...],
    points: int,
    seed: int,
    workers: int,
    tell: Progress,
) -> Array | None:
    """Index by knowledge point, strategy and age, the scatter integrated inside.

    The inside takes fewer points than the curves. What that does to the mean over all knowledge
    points is seen, and taken back from each of them, so that the band lies about its curve. So it
    is with the coarse grid of a numerical solution.

    Parameters
    ----------
    wall
        The wall.
    whole
        Its curves over all inputs, (s, t).
    upper
        (s, t) whether 1 - P is summed instead of P, to keep digits.
    kinks
        Ages that must be among those computed [yr].
    points
        Sobol' points of a scrambling, which the inside does not exceed.
    seed
        Seed of the run.
    workers
        Threads; the results do not depend on it.
    tell
        Called with a stage and the share done.

    Returns
    -------
    (k, s, t) reliability index, or None without a random input of kind knowledge.
    """
    nested = NestedDraw.of(
        wall,
        points=points,
        seed=seed,
        stage="knowledge",
        outer_points=BAND_POINTS,
        inner_points=BAND_SCATTER,
    )
    if nested is None:
        return None

    # a count jumps between ages, which leaves nothing to read off
    chosen = _some(whole.ages, kinks) if nested.integral.name else np.arange(whole.ages.size)
    ages, upper = whole.ages[chosen], upper[:, chosen]
    coarse = wall.coarse()

    def outer(k: int) -> Array:
        values = nested.values(k)
        face = coarse.face(values)
        return nested.integral.probabilities(
            coarse, face, values, nested.shift, ages=ages, upper=upper
        )

    def index(small: Array) -> Array:
        return index_of(np.where(upper, 1.0 - small, small), np.where(upper, small, 1.0 - small))

    parts = []
    for one in run_parallel(outer, nested.count, workers=workers):
        parts.append(one)
        tell("knowledge band", len(parts) / nested.count)
    small = np.array(parts)
    with np.errstate(invalid="ignore"):
        gap = whole.index[:, chosen] - index(small.mean(axis=0))
    found = index(small) + np.where(np.isfinite(gap), gap, 0.0)
    found = np.clip(found, -INFINITE_INDEX, INFINITE_INDEX)
    if chosen.size < whole.ages.size:
        curve = np.clip(whole.index, -INFINITE_INDEX, INFINITE_INDEX)
        place = np.log(np.maximum(whole.ages, 0.5 * FIRST_AGE))
        apart = interpolate.PchipInterpolator(place[chosen], found - curve[:, chosen], axis=-1)(
            place
        )
        found = np.clip(curve + apart, -INFINITE_INDEX, INFINITE_INDEX)
    return np.asarray(np.minimum.accumulate(found, axis=-1))


def _some(ages: Array, kinks: tuple[float, ...]) -> NDArray[np.intp]:
    """Return which of the ages to take: all if few, else the nearest to steps even in log age."""
    if ages.size <= BAND_AGES:
        return np.arange(ages.size)
    even = np.geomspace(ages[1], ages[-1], BAND_AGES - 2 - len(kinks))
    usable = [k for k in kinks if ages[0] < k < ages[-1]]
    wanted = np.log(np.concatenate([even, usable]))
    nearest = np.argmin(np.abs(np.log(ages[1:]) - wanted[:, None]), axis=1)
    return np.unique(np.concatenate([[0], 1 + nearest]))
