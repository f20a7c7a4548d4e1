"""By what ratio a strategy changes the life, over the epistemic inputs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stripwise.risk.probability.cubics import pchip_slopes, read_piece
from stripwise.risk.probability.intervals import RANGE_ENDS, point_quantile

__all__ = ["life_ratio_interval"]

Array = NDArray[np.float64]

LARGEST_INDEX = 40.0
BISECTIONS = 45


def life_ratio_interval(
    ages: Array, index: Array, *, reference: int, target: float
) -> tuple[Array, Array]:
    """Return 2.5 % and 97.5 % quantiles of the ratio of lives to the reference strategy, (s,) each.

    Both lives are read at the same epistemic point, so what shifts both curves alike drops out.
    Where one of them does not reach the target within the horizon, the ratio is taken at the
    highest probability that both reach; NaN where a curve is a step or does not fall.

    Parameters
    ----------
    ages
        (t,) rising ages, the first of them 0 [yr].
    index
        (k, s, t) reliability index, falling with age.
    reference
        Number of the reference strategy.
    target
        Reliability index of the target.
    """
    clipped = np.clip(index[..., 1:], -LARGEST_INDEX, LARGEST_INDEX)
    log_ages = np.log(ages[1:])
    targets = np.maximum(np.maximum(clipped[..., -1], clipped[:, [reference], -1]), target)
    own = _log_ages(log_ages, clipped, targets)
    of_reference = np.broadcast_to(clipped[:, [reference]], clipped.shape)
    ratios = np.exp(own - _log_ages(log_ages, of_reference, targets))
    low, high = point_quantile(ratios, RANGE_ENDS)
    return np.asarray(low), np.asarray(high)


def _log_ages(log_ages: Array, curves: Array, targets: Array) -> Array:
    """Return the log age at which each falling curve (..., t) reaches its target (...)."""
    curves = np.minimum.accumulate(curves, axis=-1)
    reached = curves <= targets[..., np.newaxis]
    has_root = reached[..., -1] & ~reached[..., 0]
    last = np.argmax(reached, axis=-1)
    step = np.maximum(last, 1) - 1
    width = log_ages[step + 1] - log_ages[step]
    start, end = (np.take_along_axis(curves, k[..., None], -1)[..., 0] for k in (step, step + 1))
    slope = pchip_slopes(log_ages, curves)
    d0, d1 = (np.take_along_axis(slope, k[..., None], -1)[..., 0] * width for k in (step, step + 1))
    low, high = np.zeros(targets.shape), np.ones(targets.shape)
    for _ in range(BISECTIONS):
        middle = 0.5 * (low + high)
        above = read_piece(middle, start, end - start, d0, d1) > targets
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return np.where(has_root, log_ages[step] + 0.5 * (low + high) * width, np.nan)
