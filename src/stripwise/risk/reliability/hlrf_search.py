"""How one search reaches a design point: improved HL-RF steps, as a generator of points.

As in `stripwise.risk.reliability.kink_search`, it yields points (d, n) and is sent h (n,) and
the kink functions (m, n) there.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from stripwise.risk.reliability.kink_search import (
    SAME_END_DISTANCE,
    GradientRequest,
    Search,
    SearchEnd,
    forward_gradient,
    is_local_minimum,
    search_on_kink,
)

__all__ = ["MAX_DISTANCE", "WIDE_STEP", "StartValues", "hlrf_search"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

SURFACE_TOLERANCE = 1e-6
"""Distance to the surface at which a search may end [standard deviations]."""
ALIGNMENT_TOLERANCE = 2e-3
"""Part of u across the gradient at which a search may end, per standard deviation of |u|."""
MAX_STEPS = 46
SMOOTH_STEPS = 24
"""Beyond it the surface has a kink: slopes are averaged over `WIDE_STEP` to each side."""
WIDE_STEP = 0.1
"""Half width of the central differences that reach over a kink [standard deviations]."""
MAX_SECANT_STEP = 1.0
"""After a shorter step one point is evaluated and the slope updated by a secant."""
SECANT_SHRINKAGE = 0.5
"""Ratio of successive steps below which the secant is trusted again."""
KINK_CROSSINGS = 3
"""Crossings of a kink after which it is searched, whatever the slopes say."""
CROSSINGS_BEFORE_RETRY = 4
"""Crossings before a kink is searched again."""
MIN_RELAXATION = 0.3
"""Least relaxation of steps that go to and fro."""
MAX_STEP_LENGTH = 3.0
HALVINGS = 0.5 ** np.arange(1, 7)
ARMIJO = 0.1
NEAR_SURFACE = 0.02
"""Distance at which a short step along the surface is accepted [standard deviations]: on a curved
surface the merit would reject all but tiny ones."""
SECANT_TRUST = 0.02
"""Secant distance up to which a slope is accepted at the end [standard deviations]."""
MAX_DISTANCE = 30.0

StartValues = tuple[float, Array, Array, Array]
"""h, kink functions (m,), slope of h (d,) and slopes of the kink functions (m, d) at a start."""


def hlrf_search(  # noqa: PLR0912, PLR0915 (one loop, whose state would fill a class)
    start: Array,
    *,
    active: Flags,
    origin_fails: bool,
    ends: Sequence[SearchEnd],
    begin: StartValues | None = None,
) -> Search:
    """Search from one start (d,) [standard deviations]; return the `SearchEnd`, or None.

    Parameters
    ----------
    active
        (d,) the inputs that count; the others are checked before the search ends.
    origin_fails
        Whether h is at most 0 at the origin.
    ends
        Where other searches ended, updated by the caller: coming near one ends this search.
    begin
        What is known at the start already.

    Yields
    ------
    Points to evaluate.
    """
    u = np.array(start, dtype=float)
    h, e, g, normals = begin or (yield from forward_gradient(u, active))
    secant_distance, relaxation, crossings = 0.0, 1.0, 0
    last: Array | None = None
    step = 0
    while step < MAX_STEPS:
        use_central = step >= SMOOTH_STEPS
        if not np.all(np.isfinite(g)):
            return None
        if _has_converged(u, h, g):
            if secant_distance > SECANT_TRUST:
                h, e, g, normals = yield from forward_gradient(u, active)
                secant_distance = 0.0
                continue
            if active.all():
                return SearchEnd(u, g, at_kink=use_central)
            idle = ~active
            active = np.ones(u.size, dtype=bool)
            _, _, rest, _ = yield from forward_gradient(u, idle)
            g = g + rest
            if not rest.any():
                return SearchEnd(u, g, at_kink=use_central)
            continue
        square = max(float(g @ g), 1e-300)
        target = (float(g @ u) - h) / square * g
        move = target - u
        nearby_end = _nearby_end(u, target, ends)
        if nearby_end is not None:
            return nearby_end
        if last is not None:
            change = move - last
            aitken = -relaxation * float(last @ change) / max(float(change @ change), 1e-300)
            relaxation = min(max(aitken, MIN_RELAXATION), 1.0)
        shrinking = last is not None and np.linalg.norm(move) < SECANT_SHRINKAGE * np.linalg.norm(
            last
        )
        previous, last = last, move
        length = float(np.linalg.norm(move)) * relaxation
        move = move * relaxation * min(1.0, MAX_STEP_LENGTH / max(length, 1e-300))
        gradient_norm = float(np.sqrt(square))
        weight = 2.0 * float(np.linalg.norm(u)) / gradient_norm
        if abs(h) >= NEAR_SURFACE * gradient_norm:
            weight = max(weight, float(target @ target) / abs(h))
        merit_slope = min(float(u @ move) + weight * np.sign(h) * float(g @ move), 0.0)
        merit = 0.5 * float(u @ u) + weight * abs(h)
        trial = u + move
        use_secant = (
            not use_central and length < MAX_SECANT_STEP and (secant_distance == 0.0 or shrinking)
        )
        step += 1
        if use_secant:
            values, kink_values = yield trial[:, None]
            new, at = float(values[0]), kink_values[:, 0].copy()
            slope = g + (new - h - float(g @ move)) / max(float(move @ move), 1e-300) * move
            if np.any(np.sign(at) != np.sign(e)):
                new, at, slope, normals = yield from forward_gradient(trial, active)
                use_secant = False
        else:
            new, at, slope, normals = yield from (
                _central_gradient if use_central else forward_gradient
            )(trial, active)
        crossed_kinks = np.flatnonzero(np.sign(at) != np.sign(e))
        if crossed_kinks.size:
            crossings += 1
            i = int(crossed_kinks[0])
            kink_point = _plane_intersection(trial, new, float(at[i]), slope, normals[i])
            pair = np.stack([slope, g] if at[i] > 0.0 else [g, slope])
            maybe_minimum = kink_point is not None and is_local_minimum(
                kink_point, pair, normals[i], origin_fails=origin_fails
            )
            if (
                kink_point is not None
                and crossings > 0
                and (maybe_minimum or crossings >= KINK_CROSSINGS)
            ):
                end = yield from search_on_kink(
                    kink_point, i, normals[i], active=active, origin_fails=origin_fails, ends=ends
                )
                if end is not None:
                    return end
                crossings = -CROSSINGS_BEFORE_RETRY
        value = 0.5 * float(trial @ trial) + weight * abs(new)
        along_surface = length < MAX_SECANT_STEP and abs(new) < NEAR_SURFACE * gradient_norm
        if not (along_surface or value <= merit + ARMIJO * merit_slope):
            if secant_distance > 0.0:
                # the secant went too far: compute the slope again and repeat the step
                h, e, g, normals = yield from forward_gradient(u, active)
                secant_distance, last = 0.0, previous
                continue
            shorter = u[:, None] + HALVINGS * move[:, None]
            values, kink_values = yield shorter
            scores = 0.5 * np.sum(shorter**2, axis=0) + weight * np.abs(values)
            scores = np.nan_to_num(scores, nan=np.inf)
            enough = scores <= merit + ARMIJO * HALVINGS * merit_slope
            pick = int(enough.argmax()) if enough.any() else int(scores.argmin())
            trial, use_secant = shorter[:, pick], False
            new, at, slope, normals = yield from (
                _central_gradient if use_central else forward_gradient
            )(trial, active)
        u, h, e, g = trial, new, at, slope
        secant_distance = secant_distance + length if use_secant else 0.0
    return None


def _has_converged(u: Array, h: float, g: Array) -> bool:
    size = float(np.linalg.norm(g))
    if size == 0.0:
        return False
    normal, reach = g / size, float(np.linalg.norm(u))
    across = float(np.linalg.norm(u - float(normal @ u) * normal))
    return (
        abs(h) / size < SURFACE_TOLERANCE
        and across < ALIGNMENT_TOLERANCE * max(reach, 1.0)
        and reach < MAX_DISTANCE
    )


def _nearby_end(u: Array, target: Array, ends: Sequence[SearchEnd]) -> SearchEnd | None:
    """Return the end of another search that this one is coming near to."""
    close = np.linalg.norm(target - u) < 1.0
    for end in ends:
        if np.linalg.norm(u - end.point) < SAME_END_DISTANCE or (
            close and np.linalg.norm(target - end.point) < SAME_END_DISTANCE
        ):
            return end
    return None


def _plane_intersection(u: Array, h: float, e: float, g: Array, normal: Array) -> Array | None:
    """Return the point nearest to the origin where the planes of h and e through u meet."""
    a = np.stack([g, normal])
    try:
        found = a.T @ np.linalg.solve(a @ a.T, a @ u - np.array([h, e]))
    except np.linalg.LinAlgError:
        return None
    return found if np.all(np.isfinite(found)) else None


def _central_gradient(u: Array, active: Flags) -> GradientRequest:
    """Ask for the same as `forward_gradient`, by central differences that reach over a kink."""
    which = np.flatnonzero(active)
    a = which.size
    points = np.repeat(u[:, None], 1 + 2 * a, axis=1)
    points[which, 1 + np.arange(a)] += WIDE_STEP
    points[which, 1 + a + np.arange(a)] -= WIDE_STEP
    h, e = yield points
    slope, normals = np.zeros(u.size), np.zeros((len(e), u.size))
    slope[which] = (h[1 : 1 + a] - h[1 + a :]) / (2.0 * WIDE_STEP)
    normals[:, which] = (e[:, 1 : 1 + a] - e[:, 1 + a :]) / (2.0 * WIDE_STEP)
    return float(h[0]), e[:, 0].copy(), slope, normals
