"""Where the target is met: required cover and earliest strip age.

Roots are sought on the smooth estimate, the mean over repeats; the sampling interval comes from
the root of each repeat, the epistemic interval from the root of each epistemic point. Where a
confidence is demanded too, the quantile over the epistemic points must reach the target as well.

Axes: m repeats or epistemic points, p strategies, c covers, t strip ages.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.risk.model.wall import Plan, Wall
from stripwise.risk.probability.intervals import RANGE_ENDS, point_quantile
from stripwise.risk.probability.nominal_covers import SamplingOptions, probability_by_repeat
from stripwise.risk.probability.target_rule import INDEX_CAP, TargetRule, index_from_probability

__all__ = [
    "ANY",
    "NEVER",
    "NOT_MONOTONE",
    "OK",
    "TargetRoot",
    "crossing",
    "crossings",
    "earliest_strip_ages",
    "equivalent_cover",
    "find_target_root",
    "strip_age_nodes",
    "with_strip_age",
]

Array = NDArray[np.float64]

OK = "ok"
ANY = "any in the range meets it"
NEVER = "none in the range meets it"
NOT_MONOTONE = "not monotone: the index falls somewhere on the way, the last crossing is given"

FALL_TOLERANCE = 1e-6
STENCIL_POINTS = 6
"""Points that the local polynomial passes through."""

ROOT_STEPS = 60
ROOT_TOLERANCE = 1e-13

STRIP_NODES = 17
CORRECTIONS = 2


@dataclass(frozen=True, slots=True)
class TargetRoot:
    """One root with its two intervals.

    Attributes
    ----------
    value
        The root; -inf where the whole range meets the target, inf where nothing in it does.
    low95, high95
        Sampling interval; NaN where a repeat has no root in the range.
    know_low, know_high
        2.5 % and 97.5 % quantiles over the epistemic inputs, infinite like `value`; NaN without
        such inputs.
    status
        `OK`, `ANY`, `NEVER` or `NOT_MONOTONE`.
    safe
        From here on a decision says yes, whatever the seed; infinite like `value`.
    """

    value: float
    low95: float = np.nan
    high95: float = np.nan
    know_low: float = np.nan
    know_high: float = np.nan
    status: str = OK
    safe: float = np.inf


def crossing(at: Array, index: Array, target: float) -> float:
    """Return the last place at which a rising index (c,) passes the target upwards.

    By a polynomial through its neighbours; -inf where the index is never below the target, inf
    where it still is at the last place.

    Examples
    --------
    >>> x = np.linspace(0.0, 4.0, 9)
    >>> round(crossing(x, x**2, 2.0), 6)
    1.414214
    """
    return float(crossings(at, index, target))


def crossings(at: Array, index: Array, target: Array | float) -> Array:
    """Apply `crossing` to the last axis; (..., c) gives (...), with a target for all or for each."""
    count = index.shape[-1]
    flat, goal = index.reshape(-1, count), np.broadcast_to(target, index.shape[:-1]).reshape(-1, 1)
    with np.errstate(invalid="ignore"):
        gap = np.where(flat == goal, 0.0, flat - goal)  # both may be infinite
    y = np.clip(gap, -INDEX_CAP, INDEX_CAP)
    below = y < 0.0
    last = count - 1 - np.argmax(below[:, ::-1], axis=1)
    roots = np.where(below.any(axis=1), np.inf, -np.inf)
    rows = np.flatnonzero(below.any(axis=1) & (last < count - 1))
    if rows.size:
        roots[rows] = _roots_after(at, y[rows], last[rows])
    return roots.reshape(index.shape[:-1])


def _roots_after(at: Array, y: Array, j: NDArray[np.intp]) -> Array:
    """Return the root of each row (m, c) between its place j and the next."""
    width = min(STENCIL_POINTS, y.shape[1])
    start = np.clip(j - STENCIL_POINTS // 2 + 1, 0, y.shape[1] - width)
    window = start[:, np.newaxis] + np.arange(width)
    x, z, rows = at[window], np.take_along_axis(y, window, axis=1), np.arange(len(y))
    low, high = at[j], at[j + 1]
    roots = low - y[rows, j] / (y[rows, j + 1] - y[rows, j]) * (high - low)
    capped, falls = np.abs(z) >= INDEX_CAP, np.diff(z, axis=1) <= 0.0
    smooth = np.flatnonzero(~(capped.any(axis=1) | falls.any(axis=1))) if width >= 4 else rows[:0]
    if smooth.size:
        roots[smooth] = _polynomial_roots(x[smooth].T, z[smooth].T, low[smooth], high[smooth])
    return roots


def _polynomial_roots(x: Array, z: Array, low: Array, high: Array) -> Array:
    """Return the roots (m,) between two places of the polynomials through some points (w, m).

    Newton's form and a regula falsi that halves the weight of an end that stays (Illinois); rows
    leave the iteration as they converge.
    """
    divided = list(z)
    for order in range(1, len(x)):
        for i in range(len(x) - 1, order - 1, -1):
            divided[i] = (divided[i] - divided[i - 1]) / (x[i] - x[i - order])
    factors = np.array(divided)

    def value(at: Array) -> Array:
        total: Array = factors[-1]
        for i in range(len(x) - 2, -1, -1):
            total = total * (at - x[i]) + factors[i]
        return total

    below, above = value(low), value(high)
    roots, rows = np.array(high), np.arange(high.size)
    for _ in range(ROOT_STEPS):
        middle = (low * above - high * below) / (above - below)
        at_middle = value(middle)
        roots[rows] = middle
        kept = (np.abs(at_middle) >= ROOT_TOLERANCE) & (high - low >= ROOT_TOLERANCE)
        if not kept.any():
            break
        short = at_middle < 0.0
        low, high = np.where(short, middle, low), np.where(short, high, middle)
        below, above = (
            np.where(short, at_middle, 0.5 * below),
            np.where(short, 0.5 * above, at_middle),
        )
        if not kept.all():
            rows, x, factors = rows[kept], x[:, kept], factors[:, kept]
            low, high, below, above = low[kept], high[kept], below[kept], above[kept]
    return roots


def equivalent_cover(changes: Array, index: Array, goal: Array) -> Array:
    """Return the change of cover at which each row of the index reaches its own goal, (m,) [mm].

    Parameters
    ----------
    changes
        (c,) rising changes of cover [mm].
    index
        (m, c) index after each change.
    goal
        (m,) index to reach.

    Returns
    -------
    As of `crossing`; NaN where the goal is not finite, or where the index jumps over it to
    infinity, as where nothing near is random.
    """
    places = crossings(changes, index, goal)
    above = np.minimum(np.searchsorted(changes, places), len(changes) - 1)
    jumps = np.isfinite(places) & ~np.isfinite(index[np.arange(len(index)), above])
    return np.where(np.isfinite(goal) & ~jumps, places, np.nan)


def find_target_root(
    covers: Array, p: Array, rule: TargetRule, *, points: int, epistemic: Array | None = None
) -> TargetRoot:
    """Find the cover at which one row of probabilities meets the target, with both intervals.

    Parameters
    ----------
    covers
        (c,) rising nominal covers [mm].
    p
        (r, c) probability, one row per repeat.
    rule
        What must hold.
    points
        Points of a repeat.
    epistemic
        (k, c) probability, one row per epistemic point.
    """
    estimate, safe = rule.indices(p, epistemic, points=points)
    root, safe_root = (crossing(covers, index, rule.index) for index in (estimate, safe))
    know = (np.nan, np.nan)
    if epistemic is not None:
        epistemic_roots = crossings(covers, index_from_probability(epistemic), rule.index)
        know_low, know_high = point_quantile(epistemic_roots, RANGE_ENDS)
        know = float(know_low), float(know_high)
    if not np.isfinite(root):
        status = ANY if root < 0.0 else NEVER
        return TargetRoot(root, know_low=know[0], know_high=know[1], status=status, safe=safe_root)
    low, high = _interval(root, _roots_by_repeat(covers, p, rule, epistemic))
    falls = bool(np.any(np.diff(np.clip(estimate, -INDEX_CAP, INDEX_CAP)) < -FALL_TOLERANCE))
    return TargetRoot(root, low, high, *know, NOT_MONOTONE if falls else OK, safe_root)


def _roots_by_repeat(covers: Array, p: Array, rule: TargetRule, epistemic: Array | None) -> Array:
    """Return the root of each repeat, or of each scrambling where the demanded confidence governs."""
    if rule.confidence and epistemic is not None:
        reached, _ = rule.demanded(epistemic)
        mean = index_from_probability(np.mean(p, axis=0))
        if crossing(covers, reached, rule.index) > crossing(covers, mean, rule.index):
            parts = np.split(epistemic, rule.scramblings)
            one = replace(rule, scramblings=1)
            return np.array([crossing(covers, one.demanded(e)[0], rule.index) for e in parts])
    return crossings(covers, index_from_probability(p), rule.index)


def _interval(value: float, roots: Array) -> tuple[float, float]:
    """Return the t interval about the root of the mean; NaN where a repeat has no root."""
    if not np.isfinite(roots).all():
        return np.nan, np.nan
    repeats = len(roots)
    half = special.stdtrit(repeats - 1, 0.975) * np.std(roots, ddof=1) / np.sqrt(repeats)
    return float(value - half), float(value + half)


def earliest_strip_ages(
    wall: Wall,
    plans: tuple[Plan, ...],
    *,
    covers: Array,
    strip_ages: tuple[float, float],
    age: float,
    rule: TargetRule,
    sample: SamplingOptions,
    known_map: tuple[Array, Array] | None = None,
    epistemic: Array | None = None,
    corrected: bool = True,
) -> list[list[TargetRoot]]:
    """Find the earliest strip age [h] that meets the target: p lists of c roots.

    The roots are interpolated over the logarithm of the strip age, then corrected on the exact
    index at the root itself.

    Parameters
    ----------
    plans
        p strategies whose strip age is sought.
    covers
        (c,) nominal cover [mm].
    strip_ages
        Shortest and longest strip age [h].
    age
        Age since first exposure [yr].
    rule
        What must hold.
    known_map
        Strip ages (t,) [h] and probabilities (r, p, t, c) already computed from the same sample.
    epistemic
        (k, p, t, c) probability by epistemic point at the same strip ages; needed where a
        confidence is demanded.
    corrected
        Whether to correct, which takes most of the time; without, a root has no sampling interval
        and is off by some tenths of a percent beside a kink of the curing law.
    """
    ages = np.array([age])
    if known_map is None:
        hours = strip_age_nodes(strip_ages)
        every = tuple(with_strip_age(plan, h) for plan in plans for h in hours)
        p = probability_by_repeat(wall.with_plans(every), covers, ages, sample=sample)
        p = p.reshape(len(p), len(plans), len(hours), len(covers))
    else:
        hours, p = known_map
    x = np.log(hours)
    target = rule.index
    index, safe_index = (
        np.clip(one, target - INDEX_CAP, target + INDEX_CAP)
        for one in rule.predictive(p, points=sample.points)
    )

    def roots(values: Array) -> Array:
        return crossings(x, np.moveaxis(values, 1, 2), target)

    first = roots(index)
    table = first.copy()
    falls = np.any(np.diff(index, axis=1) < -FALL_TOLERANCE, axis=1)
    at = [(i, c) for i, c in np.ndindex(*table.shape) if np.isfinite(table[i, c])]
    deviations: dict[tuple[int, int], Array] = {}
    for _ in range(CORRECTIONS if at and corrected else 0):
        every = tuple(with_strip_age(plans[i], float(np.exp(table[i, c]))) for i, c in at)
        p_at_roots = probability_by_repeat(wall.with_plans(every), covers, ages, sample=sample)
        index_by_repeat, mean = (
            index_from_probability(p_at_roots),
            index_from_probability(np.mean(p_at_roots, axis=0)),
        )
        for n, (i, c) in enumerate(at):
            slope = _slope(x, index[i, :, c], float(table[i, c]))
            deviations[i, c] = (index_by_repeat[:, n, 0, c] - mean[n, 0, c]) / slope
            step = (target - mean[n, 0, c]) / slope
            table[i, c] = float(np.clip(table[i, c] + step, x[0], x[-1]))
    safe = roots(safe_index)
    both = np.isfinite(safe) & np.isfinite(first)
    safe[both] += table[both] - first[both]
    if rule.confidence and epistemic is not None:
        demanded, safely = (roots(one) for one in rule.demanded(epistemic))
        for i, c in zip(*np.nonzero(demanded > table), strict=True):
            deviations.pop((int(i), int(c)), None)
        table, safe = np.maximum(table, demanded), np.maximum(safe, safely)
    return [
        [
            _strip_age_root(
                table[i, c], deviations.get((i, c)), bool(falls[i, c]), float(np.exp(safe[i, c]))
            )
            for c in range(len(covers))
        ]
        for i in range(len(plans))
    ]


def strip_age_nodes(strip_ages: tuple[float, float]) -> Array:
    """Return the strip ages [h] between which roots are interpolated."""
    return np.geomspace(*strip_ages, STRIP_NODES)


def with_strip_age(plan: Plan, hours: float) -> Plan:
    """Return the strategy stripped at another age [h], its penalty from the law."""
    return replace(plan, strip_age=hours, penalty="")


def _slope(x: Array, y: Array, at: float) -> float:
    """Return the slope of the index in the logarithm of the strip age, never flat."""
    j = int(np.clip(np.searchsorted(x, at), 1, len(x) - 1))
    return max(float((y[j] - y[j - 1]) / (x[j] - x[j - 1])), 1e-3)


def _strip_age_root(
    log_age: float, deviations: Array | None, falls: bool, safe: float
) -> TargetRoot:
    if not np.isfinite(log_age):
        return TargetRoot(log_age, status=ANY if log_age < 0.0 else NEVER, safe=safe)
    low, high = (np.nan, np.nan)
    if deviations is not None:
        low, high = _interval(log_age, log_age - deviations)
    return TargetRoot(
        float(np.exp(log_age)),
        float(np.exp(low)),
        float(np.exp(high)),
        status=NOT_MONOTONE if falls else OK,
        safe=safe,
    )
