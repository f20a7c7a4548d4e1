"""One search for a design point by the improved HL-RF steps, as a generator of points.

As in `stripwise.risk.reliability.edge_search`, it yields points (d, n) and is sent h (n,) and edges (m, n) there.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from stripwise.risk.reliability.edge_search import (
    NEAR,
    Asked,
    End,
    Slopes,
    gradient,
    may_be_nearest,
    on_edge,
)

__all__ = ["FARTHEST", "KINK", "Begin", "walk"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

ON_SURFACE = 1e-6
"""Distance to the surface at which a search may end [standard deviations]."""
ALIGNED = 2e-3
"""Part of u across the gradient at which a search may end, per standard deviation of |u|."""
STEPS = 46
SMOOTH_STEPS = 24
"""After so many the surface has a kink, and slopes are averaged over `KINK` to each side."""
KINK = 0.1
"""[standard deviations]"""
QUICK = 1.0
"""At the end of a step so short one point is evaluated, and the slope carried on by a secant."""
SHRINKS = 0.5
"""As long as steps shrink so fast."""
CROSSINGS = 3
"""After so many crossings of an edge its corner is looked for, whatever the slopes say."""
AGAIN = 4
"""So many crossings more before it is looked for once more."""
LEAST_SHARE = 0.3
"""Steps that go to and fro are relaxed, to no less than this share."""
LONGEST_STEP = 3.0
HALVINGS = 0.5 ** np.arange(1, 7)
ARMIJO = 0.1
CLOSE = 0.02
"""So near to the surface a short step along it is taken as it is [standard deviations]: a curved
surface would refuse all but tiny ones."""
SURE = 0.02
"""A slope that was carried no farther holds where the search ends [standard deviations]."""
FARTHEST = 30.0

Begin = tuple[float, Array, Array, Array]
"""h, edges (m,), slope of h (d,) and slopes of the edges (m, d) at a start."""


def walk(  # noqa: PLR0912, PLR0915 (one loop, whose state would fill a class)
    start: Array,
    *,
    active: Flags,
    origin_fails: bool,
    ends: Sequence[End],
    begin: Begin | None = None,
) -> Asked:
    """Search from one start.

    Parameters
    ----------
    start
        (d,) standard deviations.
    active
        (d,) the inputs that count; the others are looked at before the search ends.
    origin_fails
        Whether h is at most 0 at the origin.
    ends
        Where other searches ended, kept up to date by the caller: coming near one ends this search.
    begin
        What is known at the start already.

    Yields
    ------
    Points to evaluate.

    Returns
    -------
    The `End`, or None.
    """
    u = np.array(start, dtype=float)
    h, e, g, normals = begin or (yield from gradient(u, active))
    carried, share, crossed = 0.0, 1.0, 0
    last: Array | None = None
    step = 0
    while step < STEPS:
        wide = step >= SMOOTH_STEPS
        if not np.all(np.isfinite(g)):
            return None
        if _arrived(u, h, g):
            if carried > SURE:
                h, e, g, normals = yield from gradient(u, active)
                carried = 0.0
                continue
            if active.all():
                return End(u, g, kinked=wide)
            idle = ~active
            active = np.ones(u.size, dtype=bool)
            _, _, rest, _ = yield from gradient(u, idle)
            g = g + rest
            if not rest.any():
                return End(u, g, kinked=wide)
            continue
        square = max(float(g @ g), 1e-300)
        goal = (float(g @ u) - h) / square * g
        move = goal - u
        joined = _going(u, goal, ends)
        if joined is not None:
            return joined
        if last is not None:
            change = move - last
            aitken = -share * float(last @ change) / max(float(change @ change), 1e-300)
            share = min(max(aitken, LEAST_SHARE), 1.0)
        shrinking = last is not None and np.linalg.norm(move) < SHRINKS * np.linalg.norm(last)
        before, last = last, move
        length = float(np.linalg.norm(move)) * share
        move = move * share * min(1.0, LONGEST_STEP / max(length, 1e-300))
        steep = float(np.sqrt(square))
        weight = 2.0 * float(np.linalg.norm(u)) / steep
        if abs(h) >= CLOSE * steep:
            weight = max(weight, float(goal @ goal) / abs(h))
        fall = min(float(u @ move) + weight * np.sign(h) * float(g @ move), 0.0)
        merit = 0.5 * float(u @ u) + weight * abs(h)
        trial = u + move
        quick = not wide and length < QUICK and (carried == 0.0 or shrinking)
        step += 1
        if quick:
            values, edges = yield trial[:, None]
            new, at = float(values[0]), edges[:, 0].copy()
            slope = g + (new - h - float(g @ move)) / max(float(move @ move), 1e-300) * move
            if np.any(np.sign(at) != np.sign(e)):
                new, at, slope, normals = yield from gradient(trial, active)
                quick = False
        else:
            new, at, slope, normals = yield from (_wide if wide else gradient)(trial, active)
        over = np.flatnonzero(np.sign(at) != np.sign(e))
        if over.size:
            crossed += 1
            i = int(over[0])
            corner = _meeting(trial, new, float(at[i]), slope, normals[i])
            pair = np.stack([slope, g] if at[i] > 0.0 else [g, slope])
            likely = corner is not None and may_be_nearest(
                corner, pair, normals[i], origin_fails=origin_fails
            )
            if corner is not None and crossed > 0 and (likely or crossed >= CROSSINGS):
                end = yield from on_edge(
                    corner, i, normals[i], active=active, origin_fails=origin_fails, ends=ends
                )
                if end is not None:
                    return end
                crossed = -AGAIN
        value = 0.5 * float(trial @ trial) + weight * abs(new)
        slides = length < QUICK and abs(new) < CLOSE * steep
        if not (slides or value <= merit + ARMIJO * fall):
            if carried > 0.0:
                # the slope was carried too far: look at it anew and take the step again
                h, e, g, normals = yield from gradient(u, active)
                carried, last = 0.0, before
                continue
            shorter = u[:, None] + HALVINGS * move[:, None]
            values, edges = yield shorter
            scores = 0.5 * np.sum(shorter**2, axis=0) + weight * np.abs(values)
            scores = np.nan_to_num(scores, nan=np.inf)
            enough = scores <= merit + ARMIJO * HALVINGS * fall
            pick = int(enough.argmax()) if enough.any() else int(scores.argmin())
            trial, quick = shorter[:, pick], False
            new, at, slope, normals = yield from (_wide if wide else gradient)(trial, active)
        u, h, e, g = trial, new, at, slope
        carried = carried + length if quick else 0.0
    return None


def _arrived(u: Array, h: float, g: Array) -> bool:
    size = float(np.linalg.norm(g))
    if size == 0.0:
        return False
    normal, reach = g / size, float(np.linalg.norm(u))
    across = float(np.linalg.norm(u - float(normal @ u) * normal))
    return abs(h) / size < ON_SURFACE and across < ALIGNED * max(reach, 1.0) and reach < FARTHEST


def _going(u: Array, goal: Array, ends: Sequence[End]) -> End | None:
    """Return the end of another search that this one is coming near to."""
    close = np.linalg.norm(goal - u) < 1.0
    for end in ends:
        if np.linalg.norm(u - end.point) < NEAR or (
            close and np.linalg.norm(goal - end.point) < NEAR
        ):
            return end
    return None


def _meeting(u: Array, h: float, e: float, g: Array, normal: Array) -> Array | None:
    """Point nearest to the origin where the planes of h and e through u meet."""
    a = np.stack([g, normal])
    try:
        found = a.T @ np.linalg.solve(a @ a.T, a @ u - np.array([h, e]))
    except np.linalg.LinAlgError:
        return None
    return found if np.all(np.isfinite(found)) else None


def _wide(u: Array, active: Flags) -> Slopes:
    """Ask for the same as `gradient`, by central differences that reach over a kink."""
    which = np.flatnonzero(active)
    a = which.size
    points = np.repeat(u[:, None], 1 + 2 * a, axis=1)
    points[which, 1 + np.arange(a)] += KINK
    points[which, 1 + a + np.arange(a)] -= KINK
    h, e = yield points
    slope, normals = np.zeros(u.size), np.zeros((len(e), u.size))
    slope[which] = (h[1 : 1 + a] - h[1 + a :]) / (2.0 * KINK)
    normals[:, which] = (e[:, 1 : 1 + a] - e[:, 1 + a :]) / (2.0 * KINK)
    return float(h[0]), e[:, 0].copy(), slope, normals
