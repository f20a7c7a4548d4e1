"""The design point on a corner of the failure surface: where two smooth pieces meet on an edge.

Works on h(u) of independent standard normals, failure at h <= 0, and on e(u), whose sign tells on
which piece a point lies. Axes: d inputs, n points.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

__all__ = ["Corner", "by_programming", "on_edge"]

Array = NDArray[np.float64]
Model = Callable[[Array], Array]

ASIDE = 1e-3
"""Distance from the edge at which the slope of one piece is taken [standard deviations]."""
STEP = 1e-5
"""Width of a finite difference there [standard deviations]."""
FINE = 1e-8
"""The same along a corner whose edge is not known, where a wider one would reach across."""
LONGEST_STEP = 3.0
SETTLED = 1e-4
"""A step so short ends the search [standard deviations]."""
STEPS = 15


@dataclass(frozen=True, slots=True)
class Corner:
    """A point on both the surface and the edge.

    Attributes
    ----------
    point
        (d,) the nearest such point to the origin.
    slopes
        (2, d) gradient of h on the pieces of positive and of negative e.
    nearest
        Whether it is nearer than every point of the two pieces around it.
    calls
        Evaluations of h; e is taken at the same points.
    """

    point: Array
    slopes: Array
    nearest: bool
    calls: int


def on_edge(model: Model, edge: Model, start: Array, *, origin_fails: bool) -> Corner | None:
    """Find the point nearest to the origin at which the surface meets the edge.

    Parameters
    ----------
    model, edge
        h and e of points (d, n), (n,).
    start
        (d,) where to start.
    origin_fails
        Whether h is at most 0 at the origin.

    Returns
    -------
    The `Corner`, or None where the search does not settle.

    Notes
    -----
    Newton's step on both conditions at once, u' = A' (A A')^-1 (A u - [h, e]) with the gradients of
    h and e as rows of A, as HL-RF is for one. The slope of h is taken a little to one side of the
    edge: that of the other side differs by a multiple of the edge's own, which spans the same
    plane. Where curvature makes steps overshoot they are relaxed by Aitken's rule (Irons and Tuck,
    Int. J. Numer. Meth. Eng. 1, 1969, recalled). The corner is the nearest point if
    u = -(a g+ + b g-) with a, b >= 0 and h is the larger of its two pieces (Karush, Kuhn and
    Tucker; Luenberger and Ye, Linear and Nonlinear Programming, recalled); with a failing origin
    the signs of h turn.
    """
    u, calls, share = np.array(start, dtype=float), 0, 1.0
    last: Array | None = None
    for _ in range(STEPS):
        e, normal = _slope(edge, u)
        u = u - e * normal / max(float(normal @ normal), 1e-300)
        e = float(edge(u[:, None])[0])
        h = float(model(u[:, None])[0])
        g = _aside(model, u, normal, 1.0)
        calls += 2 + u.size
        a = np.stack([g, normal])
        try:
            goal = a.T @ np.linalg.solve(a @ a.T, a @ u - np.array([h, e]))
        except np.linalg.LinAlgError:
            return None
        move = goal - u
        length = float(np.linalg.norm(move))
        if not np.isfinite(length):
            return None
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
    _, normal = _slope(edge, u)
    slopes = np.stack([_aside(model, u, normal, side) for side in (1.0, -1.0)])
    calls += 2 * (1 + u.size)
    sign = -1.0 if origin_fails else 1.0
    weights = np.linalg.lstsq(slopes.T, -sign * u, rcond=None)[0]
    larger = sign * float((slopes[0] - slopes[1]) @ normal) >= 0.0
    return Corner(u, slopes, bool(larger and np.all(weights >= 0.0)), calls)


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
        return np.asarray(side * _slope(model, np.clip(u, -farthest, farthest), FINE)[1])

    with np.errstate(all="ignore"):
        result = optimize.minimize(
            lambda u: 0.5 * float(u @ u), start, jac=lambda u: u, method="SLSQP",
            constraints={"type": "ineq", "fun": beyond, "jac": slope},
        )  # fmt: skip
    end = np.clip(result.x, -farthest, farthest)
    return end, calls, bool(result.success and np.array_equal(end, result.x))


def _slope(function: Model, u: Array, step: float = STEP) -> tuple[float, Array]:
    """Value and gradient at a point by forward differences."""
    points = np.repeat(u[:, None], u.size + 1, axis=1)
    points[:, 1:] += step * np.eye(u.size)
    values = function(points)
    return float(values[0]), np.asarray((values[1:] - values[0]) / step)


def _aside(model: Model, u: Array, normal: Array, side: float) -> Array:
    """Gradient of h a little to one side of the edge, near which u lies."""
    unit = normal / max(float(np.linalg.norm(normal)), 1e-300)
    return _slope(model, u + side * ASIDE * unit)[1]
