"""What is not known, around the curves: the reliability index at each knowledge point."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from stripwise.risk.index import INFINITE_INDEX, Curves, index_of
from stripwise.risk.nested import BAND_POINTS, BAND_SCATTER, NestedDraw
from stripwise.risk.parallel import run_parallel
from stripwise.risk.wall import Wall

__all__ = ["band_by_knowledge"]

Array = NDArray[np.float64]
Progress = Callable[[str, float], None]


def band_by_knowledge(
    wall: Wall,
    whole: Curves,
    *,
    upper: NDArray[np.bool_],
    points: int,
    seed: int,
    workers: int,
    tell: Progress,
) -> Array | None:
    """Index by knowledge point, strategy and age, the scatter integrated inside.

    The inside takes fewer points than the curves. What that does to the mean over all knowledge
    points is seen, and taken back from each of them, so that the band lies about its curve.

    Parameters
    ----------
    wall
        The wall.
    whole
        Its curves over all inputs, (s, t).
    upper
        (s, t) whether 1 - P is summed instead of P, to keep digits.
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

    def outer(k: int) -> Array:
        values = nested.values(k)
        face = wall.face(values)
        return nested.integral.probabilities(
            wall, face, values, nested.shift, ages=whole.ages, upper=upper
        )

    def index(small: Array) -> Array:
        return index_of(np.where(upper, 1.0 - small, small), np.where(upper, small, 1.0 - small))

    parts = []
    for one in run_parallel(outer, nested.count, workers=workers):
        parts.append(one)
        tell("knowledge band", len(parts) / nested.count)
    small = np.array(parts)
    with np.errstate(invalid="ignore"):
        gap = whole.index - index(small.mean(axis=0))
    found = index(small) + np.where(np.isfinite(gap), gap, 0.0)
    found = np.clip(found, -INFINITE_INDEX, INFINITE_INDEX)
    return np.asarray(np.minimum.accumulate(found, axis=-1))
