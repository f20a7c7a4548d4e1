"""The design point on a corner of the failure surface: where two smooth pieces meet on an edge.

Works on h(u) of independent standard normals, failure at h <= 0, and on e(u), whose sign tells on
which piece a point lies. Axes: d inputs, n points, m edges.

A search is a generator: it yields the points (d, n) that it wants and is sent h (n,) and the edges
(m, n) there, so that many searches share one call of the model. Each point yielded is one
evaluation, those of finite differences too.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

__all__ = [
    "NEAR",
    "Asked",
    "End",
    "Slopes",
    "by_programming",
    "gradient",
    "may_be_nearest",
    "on_edge",
]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Model = Callable[[Array], Array]

STEP = 1e-4
"""Width of a finite difference [standard deviations]."""
NEAR = 0.1
"""A search that comes so near to the end of another is going there [standard deviations]."""
ASIDE = 1e-3
"""Distance from the edge at which the slope of one piece is taken [standard deviations]."""
FINE = 1e-8
"""The same along a corner whose edge is not known, where a wider one would reach across."""
LONGEST_STEP = 3.0
QUICK = 0.3
"""After a step so short the slopes are carried on by a secant."""
SETTLED = 1e-3
"""A step so short ends the search: what it leaves of the distance is of second order."""
STEPS = 15


@dataclass(frozen=True, slots=True)
class End:
    """Where a search ended: point u (d,), gradient of h there, and whether it is on a kink."""

    point: Array
    slope: Array
    kinked: bool


Asked = Generator[Array, tuple[Array, Array], "End | None"]
Slopes = Generator[Array, tuple[Array, Array], tuple[float, Array, Array, Array]]


def gradient(u: Array, active: Flags) -> Slopes:
    """Ask for h, the edges and their slopes at one point, by forward differences.

    Parameters
    ----------
    u
        (d,) where.
    active
        (d,) the inputs that count; along the others the slope is taken as 0.

    Yields
    ------
    (d, 1 + a) points with a active inputs.

    Returns
    -------
    h, edges (m,), slope of h (d,), slopes of the edges (m, d).
    """
    which = np.flatnonzero(active)
    points = np.repeat(u[:, None], 1 + which.size, axis=1)
    points[which, 1 + np.arange(which.size)] += STEP
    h, e = yield points
    slope, normals = np.zeros(u.size), np.zeros((len(e), u.size))
    slope[which] = (h[1:] - h[0]) / STEP
    normals[:, which] = (e[:, 1:] - e[:, :1]) / STEP
    return float(h[0]), e[:, 0].copy(), slope, normals


def may_be_nearest(u: Array, slopes: Array, normal: Array, *, origin_fails: bool) -> bool:
    """Tell whether a corner is nearer to the origin than the points of the two pieces around it.

    Parameters
    ----------
    u
        (d,) the corner.
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


def on_edge(
    start: Array,
    which: int,
    normal: Array,
    *,
    active: Flags,
    origin_fails: bool,
    ends: Sequence[End] = (),
) -> Asked:
    """Find the point nearest to the origin at which the surface meets an edge.

    Parameters
    ----------
    start
        (d,) where to start.
    which
        Which edge.
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
    The `End`, or None where the search does not settle or the corner is no nearest point.

    Notes
    -----
    Newton's step on both conditions at once, u' = A' (A A')^-1 (A u - [h, e]) with the gradients of
    h and e as rows of A, as HL-RF is for one. All is taken a little to one side of the edge: the
    slope of h on the other side differs by a multiple of the edge's own, which spans the same
    plane. After a short step one point is evaluated instead of 1 + d, and the slopes are carried on
    by Broyden's secant (Math. Comput. 19, 1965, recalled). Steps that overshoot are relaxed by
    Aitken's rule (Irons and Tuck, Int. J. Numer. Meth. Eng. 1, 1969, recalled).
    """
    u, share = np.array(start, dtype=float), 1.0
    last: Array | None = None
    old: tuple[Array, float, float, Array, Array] | None = None
    for step in range(STEPS):
        base = u + ASIDE * _unit(normal)
        if old is not None and step > 1 and last is not None and np.linalg.norm(last) < QUICK:
            values, edges = yield base[:, None]
            h, e = float(values[0]), float(edges[which, 0])
            was, h_was, e_was, g, normal = old
            moved = base - was
            square = max(float(moved @ moved), 1e-300)
            g = g + (h - h_was - float(g @ moved)) / square * moved
            normal = normal + (e - e_was - float(normal @ moved)) / square * moved
        else:
            h, each, g, normals = yield from gradient(base, active)
            e, normal = float(each[which]), normals[which]
        old = (base, h, e, g, normal)
        a = np.stack([g, normal])
        try:
            goal = a.T @ np.linalg.solve(a @ a.T, a @ base - np.array([h, e]))
        except np.linalg.LinAlgError:
            return None
        move = goal - u
        length = float(np.linalg.norm(move))
        if not np.isfinite(length):
            return None
        for end in ends:
            if end.kinked and length < 1.0 and np.linalg.norm(goal - end.point) < NEAR:
                return end
        if length < SETTLED:
            u = goal
            break
        if last is not None:
            change = move - last
            share = -share * float(last @ change) / max(float(change @ change), 1e-300)
            share = min(max(share, 0.1), 1.0)
        u, last = u + move * min(share, LONGEST_STEP / length), move
    else:
        return None
    slopes = []
    for side in (1.0, -1.0):
        _, _, slope, _ = yield from gradient(u + side * ASIDE * _unit(normal), active)
        slopes.append(slope)
    both = np.stack(slopes)
    if not may_be_nearest(u, both, normal, origin_fails=origin_fails):
        return None
    return End(u, both.mean(axis=0), kinked=True)


def _unit(normal: Array) -> Array:
    return normal / max(float(np.linalg.norm(normal)), 1e-300)


def by_programming(
    model: Model, start: Array, *, origin_fails: bool, farthest: float
) -> tuple[Array, int, bool]:
    """Search by sequential quadratic programming, which keeps its way along a sharp corner.

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

    def beyond(u: Array) -> float:
        nonlocal calls
        calls += 1
        return side * float(model(np.clip(u, -farthest, farthest)[:, None])[0])

    def slope(u: Array) -> Array:
        nonlocal calls
        calls += u.size + 1
        at = np.clip(u, -farthest, farthest)
        points = np.repeat(at[:, None], u.size + 1, axis=1)
        points[:, 1:] += FINE * np.eye(u.size)
        values = model(points)
        return np.asarray(side * (values[1:] - values[0]) / FINE)

    with np.errstate(all="ignore"):
        result = optimize.minimize(
            lambda u: 0.5 * float(u @ u),
            start,
            jac=lambda u: u,
            method="SLSQP",
            constraints={"type": "ineq", "fun": beyond, "jac": slope},
        )
    end = np.clip(result.x, -farthest, farthest)
    return end, calls, bool(result.success and np.array_equal(end, result.x))
