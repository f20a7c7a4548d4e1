"""Where the failure surface has a kink: the design point where two smooth pieces of it meet.

Works on h(u) of independent standard normals, failure at h <= 0, and on kink functions e(u), whose
sign tells on which piece a point lies. Axes: d inputs, n points, m kinks.

A search is a generator: it yields points (d, n) and is sent h (n,) and e (m, n) there, so that
many searches share one call of the model. Each point yielded is one evaluation, those of finite
differences too.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "SAME_END_DISTANCE",
    "GradientRequest",
    "Search",
    "SearchEnd",
    "forward_gradient",
    "is_local_minimum",
    "search_on_kink",
    "slsqp_search",
]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Model = Callable[[Array], Array]

DIFFERENCE_STEP = 1e-4
"""Width of a finite difference [standard deviations]."""
SAME_END_DISTANCE = 0.1
"""Distance at which a search counts as ending where another did [standard deviations]."""
KINK_OFFSET = 1e-3
"""Distance from the kink at which the slope of one piece is taken [standard deviations]."""
FINE_DIFFERENCE_STEP = 1e-8
"""The same along an unknown kink, where a wider one would reach across."""
MAX_STEP_LENGTH = 3.0
MAX_SECANT_STEP = 0.3
"""After a shorter step the slopes are updated by a secant."""
STEP_TOLERANCE = 1e-3
"""A shorter step ends the search: what it leaves of the distance is of second order."""
MAX_STEPS = 15


@dataclass(frozen=True, slots=True)
class SearchEnd:
    """Where a search ended: point u (d,), gradient of h there, and whether it is on a kink."""

    point: Array
    slope: Array
    at_kink: bool


Search = Generator[Array, tuple[Array, Array], "SearchEnd | None"]
GradientRequest = Generator[Array, tuple[Array, Array], tuple[float, Array, Array, Array]]


def forward_gradient(u: Array, active: Flags) -> GradientRequest:
    """Request h, the kink functions and their slopes at one point (d,), by forward differences.

    Along inputs that are not active (d,) the slope is 0. Returns h, e (m,), slope of h (d,),
    slopes of e (m, d).
    """
    which = np.flatnonzero(active)
    points = np.repeat(u[:, None], 1 + which.size, axis=1)
    points[which, 1 + np.arange(which.size)] += DIFFERENCE_STEP
    h, e = yield points
    slope, normals = np.zeros(u.size), np.zeros((len(e), u.size))
    slope[which] = (h[1:] - h[0]) / DIFFERENCE_STEP
    normals[:, which] = (e[:, 1:] - e[:, :1]) / DIFFERENCE_STEP
    return float(h[0]), e[:, 0].copy(), slope, normals


def is_local_minimum(u: Array, slopes: Array, normal: Array, *, origin_fails: bool) -> bool:
    """Tell whether a point on a kink is nearer to the origin than the two pieces around it.

    Parameters
    ----------
    u
        (d,) the point.
    slopes
        (2, d) gradient of h on the pieces of positive and of negative e.
    normal
        (d,) gradient of e.
    origin_fails
        Whether h is at most 0 at the origin.

    Notes
    -----
    So it is if u = -(a g+ + b g-) with a, b >= 0 and h is the larger of its two pieces (Karush,
    Kuhn and Tucker; Luenberger and Ye, Linear and Nonlinear Programming, recalled); with a failing
    origin the signs of h turn.
    """
    sign = -1.0 if origin_fails else 1.0
    if not np.all(np.isfinite(slopes)):
        return False
    weights = np.linalg.lstsq(slopes.T, -sign * u, rcond=None)[0]
    larger = sign * float((slopes[0] - slopes[1]) @ normal) >= 0.0
    return bool(larger and np.all(weights >= 0.0))


def search_on_kink(
    start: Array,
    which: int,
    normal: Array,
    *,
    active: Flags,
    origin_fails: bool,
    ends: Sequence[SearchEnd] = (),
) -> Search:
    """Find the point nearest to the origin at which the surface meets a kink.

    Parameters
    ----------
    start
        (d,) where to start.
    which
        Number of the kink.
    normal
        (d,) slope of e near the start.
    active
        (d,) the inputs that count.
    origin_fails
        Whether h is at most 0 at the origin.
    ends
        Where other searches ended: coming near one of them ends this search too.

    Yields
    ------
    Points to evaluate.

    Returns
    -------
    The `SearchEnd`, or None where the search does not settle or finds no local minimum.

    Notes
    -----
    Newton's step on both conditions at once, u' = A' (A A')^-1 (A u - [h, e]) with the gradients of
    h and e as rows of A, as HL-RF is for one. All is taken a little to one side of the kink: the
    slope of h on the other side differs by a multiple of the slope of e, which spans the same
    plane. After a short step one point is evaluated instead of 1 + d, and the slopes are updated
    by Broyden's secant (Math. Comput. 19, 1965, recalled). Steps that overshoot are relaxed by
    Aitken's rule (Irons and Tuck, Int. J. Numer. Meth. Eng. 1, 1969, recalled).
    """
    u, relaxation = np.array(start, dtype=float), 1.0
    last: Array | None = None
    old: tuple[Array, float, float, Array, Array] | None = None
    for step in range(MAX_STEPS):
        base = u + KINK_OFFSET * _unit(normal)
        if (
            old is not None
            and step > 1
            and last is not None
            and np.linalg.norm(last) < MAX_SECANT_STEP
        ):
            values, kink_values = yield base[:, None]
            h, e = float(values[0]), float(kink_values[which, 0])
            old_base, old_h, old_e, g, normal = old
            base_change = base - old_base
            square = max(float(base_change @ base_change), 1e-300)
            g = g + (h - old_h - float(g @ base_change)) / square * base_change
            normal = normal + (e - old_e - float(normal @ base_change)) / square * base_change
        else:
            h, kink_values, g, normals = yield from forward_gradient(base, active)
            e, normal = float(kink_values[which]), normals[which]
        old = (base, h, e, g, normal)
        a = np.stack([g, normal])
        try:
            target = a.T @ np.linalg.solve(a @ a.T, a @ base - np.array([h, e]))
        except np.linalg.LinAlgError:
            return None
        move = target - u
        length = float(np.linalg.norm(move))
        if not np.isfinite(length):
            return None
        for end in ends:
            if (
                end.at_kink
                and length < 1.0
                and np.linalg.norm(target - end.point) < SAME_END_DISTANCE
            ):
                return end
        if length < STEP_TOLERANCE:
            u = target
            break
        if last is not None:
            change = move - last
            relaxation = -relaxation * float(last @ change) / max(float(change @ change), 1e-300)
            relaxation = min(max(relaxation, 0.1), 1.0)
        u, last = u + move * min(relaxation, MAX_STEP_LENGTH / length), move
    else:
        return None
    slopes = []
    for side in (1.0, -1.0):
        _, _, slope, _ = yield from forward_gradient(u + side * KINK_OFFSET * _unit(normal), active)
        slopes.append(slope)
    side_slopes = np.stack(slopes)
    if not is_local_minimum(u, side_slopes, normal, origin_fails=origin_fails):
        return None
    return SearchEnd(u, side_slopes.mean(axis=0), at_kink=True)


def _unit(normal: Array) -> Array:
    return normal / max(float(np.linalg.norm(normal)), 1e-300)


def slsqp_search(
    model: Model, start: Array, *, origin_fails: bool, farthest: float
) -> tuple[Array, int, bool]:
    """Search by sequential quadratic programming, which follows a sharp kink.

    Parameters
    ----------
    model
        h of points (d, n), (n,).
    start
        (d,) where to start.
    origin_fails
        Whether h is at most 0 at the origin.
    farthest
        Largest coordinate [standard deviations]: a search without an end runs away to where inverse
        distributions fail.

    Returns
    -------
    Where it ended (d,), evaluations of h, and whether it says that it has converged.

    References
    ----------
    Kraft, A software package for sequential quadratic programming, DFVLR-FB 88-28, 1988 (recalled;
    scipy's SLSQP).
    """
    side, calls = (1.0 if origin_fails else -1.0), 0

    def constraint(u: Array) -> float:
        nonlocal calls
        calls += 1
        return side * float(model(np.clip(u, -farthest, farthest)[:, None])[0])

    def slope(u: Array) -> Array:
        nonlocal calls
        calls += u.size + 1
        at = np.clip(u, -farthest, farthest)
        points = np.repeat(at[:, None], u.size + 1, axis=1)
        points[:, 1:] += FINE_DIFFERENCE_STEP * np.eye(u.size)
        values = model(points)
        return np.asarray(side * (values[1:] - values[0]) / FINE_DIFFERENCE_STEP)

    from scipy import optimize  # noqa: PLC0415 - seldom needed, and slow to import

    with np.errstate(all="ignore"):
        result = optimize.minimize(
            lambda u: 0.5 * float(u @ u),
            start,
            jac=lambda u: u,
            method="SLSQP",
            constraints={"type": "ineq", "fun": constraint, "jac": slope},
        )
    end = np.clip(result.x, -farthest, farthest)
    return end, calls, bool(result.success and np.array_equal(end, result.x))
