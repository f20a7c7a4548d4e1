"""How much of the life a strategy changes, over what is not known."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import interpolate

__all__ = ["change_by_knowledge"]

Array = NDArray[np.float64]

LARGEST_INDEX = 40.0
QUANTILES = (0.025, 0.975)


def change_by_knowledge(
    ages: Array, index: Array, *, reference: int, target: float
) -> tuple[Array, Array]:
    """Range of the ratio of lives to the reference strategy over the knowledge inputs.

    Both lives are read from the same point of the knowledge inputs, so what shifts both curves
    alike drops out. Where one of them does not reach the target within the horizon, the ratio is
    taken at the highest probability that both reach.

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

    Returns
    -------
    low, high: (s,) 2.5 % and 97.5 % quantiles of the ratio of lives; NaN where a curve is a step
    or does not fall.
    """
    clipped = np.clip(index[..., 1:], -LARGEST_INDEX, LARGEST_INDEX)
    log_ages = np.log(ages[1:])
    goals = np.maximum(np.maximum(clipped[..., -1], clipped[:, [reference], -1]), target)
    ratios = np.full(goals.shape, np.nan)
    for k, strategies in enumerate(clipped):
        for s, curve in enumerate(strategies):
            own = _log_age(log_ages, curve, goals[k, s])
            ratios[k, s] = np.exp(own - _log_age(log_ages, strategies[reference], goals[k, s]))
    low, high = np.quantile(ratios, QUANTILES, axis=0)
    return np.asarray(low), np.asarray(high)


def _log_age(log_ages: Array, curve: Array, goal: float) -> float:
    """Read the age at which one falling curve reaches an index."""
    if not curve[-1] <= goal < curve[0]:
        return np.nan
    falls = np.concatenate([[True], np.diff(np.minimum.accumulate(curve)) < 0.0])
    return float(interpolate.PchipInterpolator(-curve[falls], log_ages[falls])(-goal))
