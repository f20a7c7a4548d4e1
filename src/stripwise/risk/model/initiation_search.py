"""Initiation ages read between some searched ages, where no formula gives them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["SEARCHED", "age_of"]

Array = NDArray[np.float64]

SEARCHED = np.geomspace(0.05, 1000.0, 41)
"""Ages between which an initiation age is interpolated [yr]."""


def age_of(table: Array, wanted: Array) -> Array:
    """Logarithm of the age at which rising columns reach a value, by a parabola through three ages.

    Parameters
    ----------
    table
        (t, n) values at the searched ages, never falling.
    wanted
        (n,) values.

    Returns
    -------
    (n,) ln of the ages [yr]; -inf where -inf is wanted, inf where not within the searched ages.
    """
    size = np.broadcast_shapes(table.shape[1:], np.shape(wanted))
    table = np.broadcast_to(table, (len(table), *size))
    goal = np.broadcast_to(wanted, size)
    log_age = np.log(SEARCHED)
    passed = np.sum(table < goal, axis=0)
    i = np.clip(passed, 1, len(table) - 1)
    column = np.arange(size[0])
    low, high = table[i - 1, column], table[i, column]
    with np.errstate(divide="ignore", invalid="ignore"):
        part = (goal - low) / (high - low)
        before = table[np.maximum(i - 2, 0), column]
        # one more point behind corrects the chord, where the front had already started
        bend = ((goal - low) * (goal - high)) / (high - before)
        step = log_age[1] - log_age[0]
        bow = bend * (step / (high - low) - step / (low - before))
    start = np.isneginf(low)
    with np.errstate(invalid="ignore"):
        first = np.where(goal < high, np.exp(np.minimum(goal - high, 0.0)), 1.0)
    chord = log_age[i - 1] + np.where(start, first, part) * step
    usable = np.isfinite(bow) & (i >= 2)
    found = np.clip(chord + np.where(usable, bow, 0.0), log_age[i - 1], log_age[i])
    found = np.where(passed == 0, log_age[0], found)
    found = np.where(passed >= len(table), np.inf, found)
    return np.where(np.isneginf(goal) & np.isfinite(found) & (passed == 0), -np.inf, found)
