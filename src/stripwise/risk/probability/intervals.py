"""How far a mean over independent repeats may be off."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

__all__ = ["highest_mean", "t_interval"]

Array = NDArray[np.float64]


def t_interval(values: Array) -> tuple[Array, Array, Array]:
    """Return the mean and 95 % interval over independent repeats (r, ...), by Student's t.

    Mean, low, high, each without the first axis; not clipped, NaN where a value is infinite.
    """
    repeats = len(values)
    with np.errstate(invalid="ignore"):  # infinite values have no interval
        mean = np.mean(values, axis=0)
        half = (
            special.stdtrit(repeats - 1, 0.975) * np.std(values, axis=0, ddof=1) / np.sqrt(repeats)
        )
        return mean, mean - half, mean + half


def highest_mean(mean: ArrayLike, *, samples: int, chance: float) -> Array:
    """Return the upper bound on the expected value of what lies in [0, 1], whatever its law.

    The expected value is above it with at most the `chance`, given the `mean` of independent
    `samples`. Scrambled points are taken as if independent.

    References
    ----------
    Hoeffding, J. Am. Stat. Assoc. 58, 1963, theorem 1 (recalled): the chance of a mean at or below
    x is at most exp(-n K), K = x ln(x/p) + (1 - x) ln((1 - x)/(1 - p)).

    Examples
    --------
    >>> round(float(highest_mean(0.0, samples=1000, chance=0.025)), 6)
    0.003682
    """
    x = np.asarray(mean, dtype=float)
    low, high = x.copy(), np.ones_like(x)
    for _ in range(60):
        p = 0.5 * (low + high)
        distance = special.rel_entr(x, p) + special.rel_entr(1.0 - x, 1.0 - p)
        far = samples * distance > -np.log(chance)
        low, high = np.where(far, low, p), np.where(far, p, high)
    return high
