"""How far a mean over independent repeats may be off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

__all__ = [
    "OK",
    "RARE",
    "TOO_RARE",
    "PlainInterval",
    "highest_mean",
    "is_rare",
    "plain_interval",
    "t_interval",
]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

RARE = 1e-3
"""Below this probability a plain mean over repeats is too skewed for Student's t."""

OK, TOO_RARE = "ok", "too rare for this sample"
"""Values of the status of a plain probability."""


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


def highest_mean(mean: ArrayLike, *, samples: ArrayLike, chance: float) -> Array:
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
    x, samples = np.asarray(mean, dtype=float), np.asarray(samples, dtype=float)
    low, high = x.copy(), np.ones_like(x)
    for _ in range(60):
        p = 0.5 * (low + high)
        distance = special.rel_entr(x, p) + special.rel_entr(1.0 - x, 1.0 - p)
        far = samples * distance > -np.log(chance)
        low, high = np.where(far, low, p), np.where(far, p, high)
    return high


def is_rare(probability: ArrayLike, error: ArrayLike) -> Flags:
    """Tell where Student's t does not hold: below 1e-3, unless nothing but the integral is random.

    `error` is the standard error over repeats; it is 0 where every repeat gives the same.
    """
    p = np.asarray(probability, dtype=float)
    return np.asarray((p < RARE) & ((np.asarray(error, dtype=float) > 1e-9 * p) | (p == 0.0)))


@dataclass(frozen=True, slots=True)
class PlainInterval:
    """Probabilities (...) by plain sampling: mean, 95 % interval and status.

    Where P is too rare, `low` is 0 and `high` an upper bound whatever its law; where 1 - P is,
    `high` is 1 and `low` a lower bound.
    """

    mean: Array
    low: Array
    high: Array
    status: NDArray[np.object_]


def plain_interval(p: Array, *, points: int) -> PlainInterval:
    """Return the interval of probabilities by repeat (r, ...), each over a number of points.

    Examples
    --------
    >>> found = plain_interval(np.array([[1e-6, 0.1], [3e-6, 0.3]]), points=1024)
    >>> found.status.tolist(), round(float(found.high[0]), 6)
    (['too rare for this sample', 'ok'], 0.001815)
    """
    mean, low, high = t_interval(p)
    error = np.std(p, axis=0, ddof=1) / np.sqrt(len(p))
    never, always = is_rare(mean, error), is_rare(1.0 - mean, error)

    def bound(tail: Array) -> Array:
        return highest_mean(tail, samples=points * len(p), chance=0.025)

    low, high = np.clip(low, 0.0, 1.0), np.clip(high, 0.0, 1.0)
    return PlainInterval(
        mean,
        np.where(never, 0.0, np.where(always, 1.0 - bound(1.0 - mean), low)),
        np.where(always, 1.0, np.where(never, bound(mean), high)),
        np.where(never | always, TOO_RARE, OK).astype(object),
    )
