"""How long until a probability reaches that of the target, read from a few ages.

Axes: m repeats or epistemic points, a ages.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stripwise.risk.probability.cubics import pchip_slopes, read_cubics
from stripwise.risk.probability.reliability_index import INFINITE_INDEX, reliability_index

__all__ = ["target_lives"]

Array = NDArray[np.float64]

INTERPOLATION_FACTOR = 8


def target_lives(p: Array, ages: Array, *, target: float, horizon: float) -> Array:
    """Return the age at which each probability reaches that of the target.

    Parameters
    ----------
    p
        (m, a, ...) probability, never falling with age.
    ages
        (a,) rising ages [yr].
    target
        Reliability index of the target.
    horizon
        Last age [yr].

    Returns
    -------
    (m, ...) lives [yr], between the first age and the horizon, which stand for what lies beyond.

    Notes
    -----
    The index is interpolated over the logarithm of age by a cubic that keeps falling, eight times
    as finely as it was computed, and then read linearly.
    """
    index = np.clip(reliability_index(p, 1.0 - p), -INFINITE_INDEX, INFINITE_INDEX)
    log_age = np.log(ages)
    fine = np.interp(
        np.linspace(0.0, len(ages) - 1.0, INTERPOLATION_FACTOR * (len(ages) - 1) + 1),
        np.arange(len(ages)),
        log_age,
    )
    nodes = np.moveaxis(index, 1, -1)
    curves = nodes.reshape(-1, len(ages))
    rows = read_cubics(log_age, curves, pchip_slopes(log_age, curves), fine)
    rows = rows.reshape(*nodes.shape[:-1], len(fine))
    passed = np.sum(rows > target, axis=-1)
    j = np.clip(passed, 1, len(fine) - 1)[..., None]
    above, below = (np.take_along_axis(rows, k, axis=-1)[..., 0] for k in (j - 1, j))
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.clip(np.nan_to_num((above - target) / (above - below), nan=1.0), 0.0, 1.0)
    log_life = fine[j[..., 0] - 1] + share * (fine[j[..., 0]] - fine[j[..., 0] - 1])
    log_life = np.where(passed == 0, fine[0], np.where(passed == len(fine), fine[-1], log_life))
    return np.asarray(np.minimum(np.exp(log_life), horizon))
