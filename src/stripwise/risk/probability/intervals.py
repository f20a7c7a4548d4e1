"""How far a mean over independent repeats may be off."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import stats

__all__ = ["t_interval"]

Array = NDArray[np.float64]


def t_interval(values: Array) -> tuple[Array, Array, Array]:
    """Return the mean and 95 % interval over independent repeats (r, ...), by Student's t.

    Mean, low, high, each without the first axis; not clipped, NaN where a value is infinite.
    """
    repeats = len(values)
    with np.errstate(invalid="ignore"):  # infinite values have no interval
        mean = np.mean(values, axis=0)
        half = stats.t.ppf(0.975, repeats - 1) * np.std(values, axis=0, ddof=1) / np.sqrt(repeats)
        return mean, mean - half, mean + half
