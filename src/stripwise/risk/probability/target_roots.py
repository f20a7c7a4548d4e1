"""Where the reliability index meets the target: required cover, earliest strip age.

Roots are sought on the smooth estimate, the mean over repeats; the sampling interval comes from
the root of each repeat, the knowledge interval from the root of each knowledge point.

Axes: m repeats or knowledge points, p strategies, c covers, t strip ages.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from stripwise.risk.model.wall import Plan, Wall
from stripwise.risk.probability.nominal_covers import Sample, by_repeat
from stripwise.risk.probability.reliability_index import index_of

__all__ = [
    "ANY",
    "NEVER",
    "NOT_MONOTONE",
    "OK",
    "Found",
    "at_strip_age",
    "crossing",
    "crossings",
    "drawn_cover",
    "earliest_strip_ages",
    "found_root",
    "index_of_map",
]

Array = NDArray[np.float64]

OK = "ok"
ANY = "any in the range meets it"
NEVER = "none in the range meets it"
NOT_MONOTONE = "not monotone: the index falls somewhere on the way, the last crossing is given"

QUANTILES = (0.025, 0.975)
LIMIT = 12.0
"""Distance from the target at which the index is cut, so that infinite values can be used."""

FALL = 1e-6
WINDOW = 6
"""Points that the local polynomial passes through."""

ROOT_STEPS = 60
ROOT_TOLERANCE = 1e-13

STRIP_NODES = 17
CORRECTIONS = 2


@dataclass(frozen=True, slots=True)
class Found:
    """One root with its two intervals.

    Attributes
    ----------
    value
        The root; -inf where the whole range meets the target, inf where nothing in it does.
    low95, high95
        Sampling interval; NaN where a repeat has no root in the range.
    know_low, know_high
        2.5 % and 97.5 % quantiles over the knowledge inputs, infinite like `value`; NaN without
        such inputs.
    status
        `OK`, `ANY`, `NEVER` or `NOT_MONOTONE`.
    """

    value: float
    low95: float = np.nan
    high95: float = np.nan
    know_low: float = np.nan
    know_high: float = np.nan
    status: str = OK


def index_of_map(p: Array) -> Array:
    """Reliability index of probabilities on a map, whose complement is their difference to 1."""
    return index_of(p, 1.0 - p)


def crossing(at: Array, index: Array, target: float) -> float:
    """Place where a rising index reaches the target.

    Parameters
    ----------
    at
        (c,) rising places.
    index
        (c,) reliability index there; may be infinite.
    target
        Reliability index to reach.

    Returns
    -------
    The last place at which the index passes the target upwards, by a polynomial through its
    neighbours; -inf where it is never below the target, inf where the last place is.

    Examples
    --------
    >>> x = np.linspace(0.0, 4.0, 9)
    >>> round(crossing(x, x**2, 2.0), 6)
    1.414214
    """
    with np.errstate(invalid="ignore"):
        gap = np.where(index == target, 0.0, index - target)  # both may be infinite
    y = np.clip(gap, -LIMIT, LIMIT)
    below = np.flatnonzero(y < 0.0)
    if not below.size:
        return -np.inf
    j = int(below[-1])
    if j == len(y) - 1:
        return np.inf
    start = int(np.clip(j - WINDOW // 2 + 1, 0, max(len(y) - WINDOW, 0)))
    window = slice(start, start + WINDOW)
    x, z = at[window], y[window]
    if np.any(np.abs(z) >= LIMIT) or np.any(np.diff(z) <= 0.0) or len(x) < 4:
        share = -y[j] / (y[j + 1] - y[j])
        return float(at[j] + share * (at[j + 1] - at[j]))
    return _polynomial_root(x.tolist(), z.tolist(), float(at[j]), float(at[j + 1]))


def _polynomial_root(x: list[float], z: list[float], low: float, high: float) -> float:
    """Root between two places of the polynomial through some points, in plain numbers.

    Newton's form and a regula falsi that halves the weight of an end that stays (Illinois): some
    thousand roots are sought, and arrays of six numbers would take a hundred times as long.
    """
    divided = list(z)
    for order in range(1, len(x)):
        for i in range(len(x) - 1, order - 1, -1):
            divided[i] = (divided[i] - divided[i - 1]) / (x[i] - x[i - order])

    def value(at: float) -> float:
        total = divided[-1]
        for i in range(len(x) - 2, -1, -1):
            total = total * (at - x[i]) + divided[i]
        return total

    below, above = value(low), value(high)
    middle = high
    for _ in range(ROOT_STEPS):
        middle = (low * above - high * below) / (above - below)
        found = value(middle)
        if abs(found) < ROOT_TOLERANCE or high - low < ROOT_TOLERANCE:
            break
        if found < 0.0:
            low, below, above = middle, found, 0.5 * above
        else:
            high, above, below = middle, found, 0.5 * below
    return middle


def crossings(at: Array, index: Array, target: float) -> Array:
    """Apply `crossing` to the last axis; (..., c) gives (...)."""
    flat = index.reshape(-1, index.shape[-1])
    return np.array([crossing(at, row, target) for row in flat]).reshape(index.shape[:-1])


def found_root(
    at: Array, p: Array, target: float, *, knowledge: Array | None = None, log: bool = False
) -> Found:
    """Find where one row of probabilities meets the target, with both intervals.

    Parameters
    ----------
    at
        (c,) rising places, cover [mm] or strip age [h].
    p
        (r, c) probability, one row per repeat.
    target
        Reliability index to reach.
    knowledge
        (k, c) probability, one row per knowledge point.
    log
        Whether to interpolate and to average in the logarithm of the place.

    Returns
    -------
    The `Found`.
    """
    x = np.log(at) if log else at
    mean = index_of_map(np.mean(p, axis=0))
    root = crossing(x, mean, target)
    know = (np.nan, np.nan)
    if knowledge is not None:
        doubted = crossings(x, index_of_map(knowledge), target)
        ends = [float(v) for v in np.quantile(doubted, QUANTILES, method="nearest")]
        know = _back(ends[0], log=log), _back(ends[1], log=log)
    if not np.isfinite(root):
        status = ANY if root < 0.0 else NEVER
        return Found(root, know_low=know[0], know_high=know[1], status=status)
    low, high = _interval(root, crossings(x, index_of_map(p), target))
    falls = bool(np.any(np.diff(np.clip(mean, -LIMIT, LIMIT)) < -FALL))
    return Found(
        _back(root, log=log),
        _back(low, log=log),
        _back(high, log=log),
        *know,
        NOT_MONOTONE if falls else OK,
    )


def _back(value: float, *, log: bool) -> float:
    """Undo the logarithm of a root that is not infinite."""
    return float(np.exp(value)) if log and np.isfinite(value) else value


def _interval(value: float, by_repeat: Array) -> tuple[float, float]:
    """Interval by t about the root of the mean; NaN where a repeat has no root."""
    if not np.isfinite(by_repeat).all():
        return np.nan, np.nan
    repeats = len(by_repeat)
    half = stats.t.ppf(0.975, repeats - 1) * np.std(by_repeat, ddof=1) / np.sqrt(repeats)
    return float(value - half), float(value + half)


def drawn_cover(required: float, *, units: str) -> float:
    """Round a cover up to what a drawing holds: the next 5 mm, or 1/4 in for "US".

    Parameters
    ----------
    required
        Cover [mm].
    units
        "SI" or "US".

    Returns
    -------
    Cover [mm], not smaller than `required` but for rounding errors; infinite as given.

    Examples
    --------
    >>> drawn_cover(61.2, units="SI"), drawn_cover(60.0, units="SI")
    (65.0, 60.0)
    >>> drawn_cover(61.2, units="US") / 25.4
    2.5
    """
    if not np.isfinite(required):
        return required
    step = 6.35 if units == "US" else 5.0
    return float(np.ceil(required / step - 1e-9) * step)


def earliest_strip_ages(
    wall: Wall,
    plans: tuple[Plan, ...],
    *,
    covers: Array,
    strip_ages: tuple[float, float],
    age: float,
    target: float,
    sample: Sample,
    known: tuple[Array, Array] | None = None,
) -> list[list[Found]]:
    """Earliest strip age that meets the target, for each strategy and cover.

    The roots are interpolated over the logarithm of the strip age, then corrected on the exact
    index at the root itself.

    Parameters
    ----------
    wall
        The wall.
    plans
        p strategies whose strip age is sought.
    covers
        (c,) mean cover [mm].
    strip_ages
        Shortest and longest strip age [h].
    age
        Age since first exposure [yr].
    target
        Reliability index to reach.
    sample
        Which sample to take.
    known
        Strip ages (t,) [h] and probabilities (r, p, t, c) where they are already computed from
        the same sample.

    Returns
    -------
    p lists of c `Found`, in h.
    """
    ages = np.array([age])
    if known is None:
        hours = np.geomspace(*strip_ages, STRIP_NODES)
        every = tuple(at_strip_age(plan, h) for plan in plans for h in hours)
        p = by_repeat(wall.with_plans(every), covers, ages, sample=sample)
        p = p.reshape(len(p), len(plans), len(hours), len(covers))
    else:
        hours, p = known
    x = np.log(hours)
    index = np.clip(index_of_map(np.mean(p, axis=0)), target - LIMIT, target + LIMIT)
    table = np.array(
        [
            [crossing(x, index[i, :, c], target) for c in range(len(covers))]
            for i in range(len(plans))
        ]
    )
    falls = np.any(np.diff(index, axis=1) < -FALL, axis=1)
    at = [(i, c) for i, c in np.ndindex(*table.shape) if np.isfinite(table[i, c])]
    spread: dict[tuple[int, int], Array] = {}
    for _ in range(CORRECTIONS if at else 0):
        every = tuple(at_strip_age(plans[i], float(np.exp(table[i, c]))) for i, c in at)
        found = by_repeat(wall.with_plans(every), covers, ages, sample=sample)
        there, mean = index_of_map(found), index_of_map(np.mean(found, axis=0))
        for n, (i, c) in enumerate(at):
            slope = _slope(x, index[i, :, c], float(table[i, c]))
            spread[i, c] = (there[:, n, 0, c] - mean[n, 0, c]) / slope
            step = (target - mean[n, 0, c]) / slope
            table[i, c] = float(np.clip(table[i, c] + step, x[0], x[-1]))
    return [
        [_found(table[i, c], spread.get((i, c)), bool(falls[i, c])) for c in range(len(covers))]
        for i in range(len(plans))
    ]


def at_strip_age(plan: Plan, hours: float) -> Plan:
    """Return the strategy stripped at another age [h], its penalty from the law."""
    return replace(plan, strip_age=hours, penalty="")


def _slope(x: Array, y: Array, at: float) -> float:
    """Slope of the index in the logarithm of the strip age, never flat."""
    j = int(np.clip(np.searchsorted(x, at), 1, len(x) - 1))
    return max(float((y[j] - y[j - 1]) / (x[j] - x[j - 1])), 1e-3)


def _found(log_age: float, spread: Array | None, falls: bool) -> Found:
    if not np.isfinite(log_age) or spread is None:
        return Found(log_age, status=ANY if log_age < 0.0 else NEVER)
    low, high = _interval(log_age, log_age - spread)
    return Found(
        float(np.exp(log_age)),
        float(np.exp(low)),
        float(np.exp(high)),
        status=NOT_MONOTONE if falls else OK,
    )
