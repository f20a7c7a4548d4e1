"""At which age a front reaches the bars, where no formula gives the age."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["SEARCH_AGES", "interpolate_log_age"]

Array = NDArray[np.float64]

SEARCH_AGES = np.geomspace(0.05, 1000.0, 41)
"""Ages between which an initiation age is interpolated [yr]."""


def interpolate_log_age(table: Array, target: Array) -> Array:
    """Return ln of the age [yr], (n,), at which rising columns (t, n) reach a target (n,).

    By a parabola through three of the `SEARCH_AGES`; -inf where the target is, inf beyond them.
    """
    size = np.broadcast_shapes(table.shape[1:], np.shape(target))
    table = np.broadcast_to(table, (len(table), *size))
    level = np.broadcast_to(target, size)
    log_age = np.log(SEARCH_AGES)
    count_below = np.sum(table < level, axis=0)
    i = np.clip(count_below, 1, len(table) - 1)
    column = np.arange(size[0])
    low, high = table[i - 1, column], table[i, column]
    with np.errstate(divide="ignore", invalid="ignore"):
        fraction = (level - low) / (high - low)
        before = table[np.maximum(i - 2, 0), column]
        # one more point behind corrects the chord, where the front had already started
        second_difference = ((level - low) * (level - high)) / (high - before)
        step = log_age[1] - log_age[0]
        correction = second_difference * (step / (high - low) - step / (low - before))
    start = np.isneginf(low)
    with np.errstate(invalid="ignore"):
        first = np.where(level < high, np.exp(np.minimum(level - high, 0.0)), 1.0)
    chord = log_age[i - 1] + np.where(start, first, fraction) * step
    usable = np.isfinite(correction) & (i >= 2)
    log_ages = np.clip(chord + np.where(usable, correction, 0.0), log_age[i - 1], log_age[i])
    log_ages = np.where(count_below == 0, log_age[0], log_ages)
    log_ages = np.where(count_below >= len(table), np.inf, log_ages)
    return np.where(
        np.isneginf(level) & np.isfinite(log_ages) & (count_below == 0), -np.inf, log_ages
    )
