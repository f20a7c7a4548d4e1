"""First-order reliability: design point, reliability index and what drives failure.

Works on any limit state h(u) of independent standard normals, failure at h <= 0. Axes: d inputs,
n points, k searches, m edges; searches move side by side, so that one call of the model serves all.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.errors import InputError, NumericalError
from stripwise.risk.reliability.edge_search import Asked, End, Slopes, by_programming, gradient
from stripwise.risk.reliability.hlrf_search import FARTHEST, KINK, Begin, walk

__all__ = ["DesignPoint", "first_order"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Model = Callable[[Array], Array]

SAME = 0.02
"""Two searches whose ends lie nearer than this found the same point."""
AHEAD = 18
"""So many questions the first search may ask before the others start."""
PATIENCE = 3
"""A search is lost that has asked for so many times the points of the dearest that ended."""
CORNER = 1e-4
"""Value of h at which a search along a corner may end."""


@dataclass(frozen=True, slots=True)
class DesignPoint:
    """The point of the failure surface nearest to the origin, and how it was found.

    Attributes
    ----------
    index
        beta = |u*|, or -|u*| where the origin fails.
    point
        (d,) u*, independent standard normals.
    alpha
        (d,) unit vector from the safe side to the surface: the gradient's direction, reversed.
    slope
        |grad h| at the point.
    origin_fails
        Whether the medians of all inputs together already fail.
    calls
        Evaluations of the model by each search, one per point, finite differences included.
    found
        (k, d) ends of the searches that converged.
    disagreement
        What the reader must know where the searches do not agree; empty if they do.
    kinked
        Whether the surface has a kink there, so that `alpha` is a mean over its two sides.
    """

    index: float
    point: Array
    alpha: Array
    slope: float
    origin_fails: bool
    calls: tuple[int, ...]
    found: Array
    disagreement: str
    kinked: bool

    @property
    def probability(self) -> float:
        """First-order probability of failure Phi(-beta)."""
        return float(special.ndtr(-self.index))

    @property
    def others(self) -> Array:
        """Distinct design points, the nearest first, (m, d)."""
        kept: list[Array] = []
        for u in self.found[np.argsort(np.linalg.norm(self.found, axis=1))]:
            if all(np.linalg.norm(u - v) > SAME for v in kept):
                kept.append(u)
        return np.array(kept)


def first_order(
    model: Model,
    dimensions: int,
    *,
    starts: Sequence[Sequence[float]] | None = None,
    edged: Model | None = None,
) -> DesignPoint:
    """Find the design point by the improved HL-RF search, started from three points.

    Parameters
    ----------
    model
        h of points (d, n), (n,); failure at h <= 0.
    dimensions
        Number of inputs d.
    starts
        Starting points (k, d) [standard deviations]; the medians, all inputs at +1 and all at -1
        unless given.
    edged
        The model together with its known kinks: h and m functions whose signs change where h has
        one, (1 + m, n), at points (d, n). A search that crosses one looks for the corner on it.

    Returns
    -------
    The `DesignPoint`. If the origin fails, its index is -|u*|.

    Raises
    ------
    InputError
        If there is no input.
    NumericalError
        If no search converges, as where the event never or always happens.

    Notes
    -----
    u' = (grad h . u - h) grad h / |grad h|^2 (HL-RF), with steps halved until the merit
    |u|^2 / 2 + c |h| falls enough, c = 2 max(|u| / |grad h|, |u'|^2 / (2 |h|)). Steps that go to
    and fro are relaxed before by Aitken's rule. A slope costs one evaluation and one more for each
    input, all counted; after short steps it is carried on by Broyden's secant instead, at one
    evaluation, and looked at anew before the search ends. Inputs without any effect at the origin
    are left out until then. The first search runs alone; the others stop where they come near its
    end. Where a kink is not known and every search goes to and fro across it, sequential quadratic
    programming takes over, at ten times the evaluations or more.

    References
    ----------
    Zhang and Der Kiureghian, Two improved algorithms for reliability analysis, 6th IFIP WG 7.5
    conference, 1995 (recalled). Der Kiureghian and Dakessian, Multiple design points in first and
    second-order reliability, Struct. Safety 20, 1998, on why one start is not enough (recalled).

    Examples
    --------
    >>> found = first_order(lambda u: 3.0 - (0.6 * u[0] + 0.8 * u[1]), 2)
    >>> round(found.index, 4), [round(float(a), 3) for a in found.alpha**2]
    (3.0, [0.36, 0.64])
    """
    if dimensions < 1:
        raise InputError("inputs", "none is random, so there is no design point")
    default = [[0.0] * dimensions, [1.0] * dimensions, [-1.0] * dimensions]
    begun = np.array(default if starts is None else starts, dtype=float)
    at_once = _with_no_edge(model) if edged is None else edged
    calls = np.zeros(len(begun), dtype=np.int64)
    origin = _answer(gradient(np.zeros(dimensions), np.ones(dimensions, dtype=bool)), at_once)
    calls[0] = dimensions + 1
    active = (origin[2] != 0.0) | np.any(origin[3] != 0.0, axis=0)
    if not active.any():
        active[:] = True
    fails = origin[0] <= 0.0
    ends: list[End] = []
    searches = [
        walk(u, active=active, origin_fails=fails, ends=ends, begin=None if u.any() else origin)
        for u in begun
    ]
    found = _side_by_side(searches, at_once, calls, ends)
    if not ends:
        found = _around_corner(model, begun, calls, fails)
    if not any(found):
        raise NumericalError(
            "the search for a design point did not converge from any start: the event may never or "
            "always happen at this age"
        )
    return _finish(found, calls, fails)


def _with_no_edge(model: Model) -> Model:
    return lambda u: model(u)[None]


def _answer(asked: Slopes, at_once: Model) -> Begin:
    """Put one question to the model."""
    values = at_once(next(asked))
    try:
        asked.send((values[0], values[1:]))
    except StopIteration as stop:
        answer: Begin = stop.value
        return answer
    raise AssertionError("more than one question")


def _side_by_side(
    searches: list[Asked], at_once: Model, calls: NDArray[np.int64], ends: list[End]
) -> list[End | None]:
    """Answer the questions of all searches that move, with one call of the model a round.

    The first goes ahead alone: the others need not come as far if it has ended where they go.
    """
    found: list[End | None] = [None] * len(searches)
    waiting: dict[int, Array] = {}

    def move(k: int, answer: tuple[Array, Array] | None) -> None:
        waiting.pop(k, None)
        try:
            with np.errstate(all="ignore"):
                waiting[k] = next(searches[k]) if answer is None else searches[k].send(answer)
        except StopIteration as stop:
            found[k] = stop.value
            if found[k] is not None and not any(found[k] is end for end in ends):
                ends.append(stop.value)

    move(0, None)
    rounds, others = 0, len(searches) == 1
    while waiting or not others:
        if not others and (rounds >= AHEAD or not waiting):
            others = True
            for k in range(1, len(searches)):
                move(k, None)
            continue
        spent = [calls[k] for k, end in enumerate(found) if end is not None]
        live = [k for k in waiting if not spent or calls[k] <= PATIENCE * max(spent)]
        if not live:
            break
        points = np.concatenate([waiting[k] for k in live], axis=1)
        values = at_once(points)
        rounds, first = rounds + 1, 0
        for k in live:
            last = first + waiting[k].shape[1]
            calls[k] += last - first
            move(k, (values[0, first:last], values[1:, first:last]))
            first = last
    return found


def _around_corner(
    model: Model, begun: Array, calls: NDArray[np.int64], origin_fails: bool
) -> list[End | None]:
    """Search again from every start by sequential quadratic programming."""
    found: list[End | None] = []
    d = begun.shape[1]
    sides = KINK * np.concatenate([np.eye(d), -np.eye(d)], axis=1)
    for k, start in enumerate(begun):
        with np.errstate(all="ignore"):
            point, spent, settled = by_programming(
                model, start, origin_fails=origin_fails, farthest=FARTHEST
            )
            values = model(np.concatenate([point[:, None], point[:, None] + sides], axis=1))
        calls[k] += spent + 2 * d + 1
        slope = (values[1 : d + 1] - values[d + 1 :]) / (2.0 * KINK)
        good = settled and abs(float(values[0])) < CORNER
        found.append(End(point, slope, kinked=True) if good else None)
    return found


def _finish(found: list[End | None], calls: NDArray[np.int64], fails: bool) -> DesignPoint:
    ends = [end for end in found if end is not None]
    points = np.array([end.point for end in ends])
    best = ends[int(np.argmin(np.linalg.norm(points, axis=1)))]
    distance, slope = float(np.linalg.norm(best.point)), float(np.linalg.norm(best.slope))
    # at a kink the nearest point lies along a mean of the slopes of its sides
    along = -best.point / distance if fails else best.point / distance
    alpha = along if best.kinked else -best.slope / slope
    return DesignPoint(
        index=-distance if fails else distance,
        point=best.point,
        alpha=alpha,
        slope=slope,
        origin_fails=fails,
        calls=tuple(int(c) for c in calls),
        found=points,
        disagreement=_disagreement(points, np.array([end is not None for end in found])),
        kinked=best.kinked,
    )


def _disagreement(found: Array, ended: Flags) -> str:
    told = []
    lost = int(np.sum(~ended))
    if lost:
        told.append(f"{lost} of {len(ended)} searches did not converge")
    reach = np.linalg.norm(found, axis=1)
    apart = np.linalg.norm(found - found[int(np.argmin(reach))], axis=1)
    if np.any(apart > SAME):
        listed = ", ".join(f"{r:.3f}" for r in sorted(reach))
        told.append(f"the searches ended at different points, |u| = {listed}; the nearest counts")
    return "; ".join(told)
