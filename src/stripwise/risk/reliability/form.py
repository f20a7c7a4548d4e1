"""Which combination of inputs fails first: design point, first-order index and what drives failure.

Works on any limit state h(u) of independent standard normals, failure at h <= 0. Axes: d inputs,
n points, k searches, m kinks; all searches advance together, one call of the model serves all.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.errors import InputError, NumericalError
from stripwise.risk.reliability.hlrf_search import MAX_DISTANCE, WIDE_STEP, StartValues, hlrf_search
from stripwise.risk.reliability.kink_search import (
    GradientRequest,
    Search,
    SearchEnd,
    forward_gradient,
    slsqp_search,
)

__all__ = ["DesignPoint", "first_order"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Model = Callable[[Array], Array]

SAME_POINT_DISTANCE = 0.02
"""Two searches whose ends lie nearer than this found the same point."""
HEAD_START = 18
"""Rounds of the first search before the others start."""
MAX_CALL_RATIO = 3
"""A search is given up at this many times the calls of the costliest that converged."""
SLSQP_TOLERANCE = 1e-4
"""Largest |h| at which a search by SLSQP counts as converged."""


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
    converged_points
        (k, d) ends of the searches that converged.
    disagreement
        Warning where the searches do not agree; empty if they do.
    at_kink
        Whether the surface has a kink there, so that `alpha` is a mean over its two sides.
    """

    index: float
    point: Array
    alpha: Array
    slope: float
    origin_fails: bool
    calls: tuple[int, ...]
    converged_points: Array
    disagreement: str
    at_kink: bool

    @property
    def probability(self) -> float:
        """First-order probability of failure Phi(-beta)."""
        return float(special.ndtr(-self.index))

    @property
    def design_points(self) -> Array:
        """Distinct design points, the nearest first, (m, d)."""
        kept: list[Array] = []
        for u in self.converged_points[np.argsort(np.linalg.norm(self.converged_points, axis=1))]:
            if all(np.linalg.norm(u - v) > SAME_POINT_DISTANCE for v in kept):
                kept.append(u)
        return np.array(kept)


def first_order(
    model: Model,
    dimensions: int,
    *,
    starts: Sequence[Sequence[float]] | None = None,
    model_with_kinks: Model | None = None,
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
    model_with_kinks
        The model and its known kinks: h and m functions whose signs change where h has one,
        (1 + m, n), at points (d, n). A search that crosses one looks for the local minimum on it.

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
    input, all counted; after short steps it is updated by Broyden's secant instead, at one
    evaluation, and computed again before the search ends. Inputs without any effect at the origin
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
    start_points = np.array(default if starts is None else starts, dtype=float)
    kink_model = _without_kinks(model) if model_with_kinks is None else model_with_kinks
    calls = np.zeros(len(start_points), dtype=np.int64)
    origin = _evaluate_gradient(
        forward_gradient(np.zeros(dimensions), np.ones(dimensions, dtype=bool)), kink_model
    )
    calls[0] = dimensions + 1
    active = (origin[2] != 0.0) | np.any(origin[3] != 0.0, axis=0)
    if not active.any():
        active[:] = True
    fails = origin[0] <= 0.0
    ends: list[SearchEnd] = []
    searches = [
        hlrf_search(
            u, active=active, origin_fails=fails, ends=ends, begin=None if u.any() else origin
        )
        for u in start_points
    ]
    results = _run_searches(searches, kink_model, calls, ends)
    if not ends:
        results = _search_with_slsqp(model, start_points, calls, fails)
    if not any(results):
        raise NumericalError(
            "the search for a design point did not converge from any start: the event may never or "
            "always happen at this age"
        )
    return _finish(results, calls, fails)


def _without_kinks(model: Model) -> Model:
    return lambda u: model(u)[None]


def _evaluate_gradient(request: GradientRequest, kink_model: Model) -> StartValues:
    """Answer one gradient request with the model."""
    values = kink_model(next(request))
    try:
        request.send((values[0], values[1:]))
    except StopIteration as stop:
        answer: StartValues = stop.value
        return answer
    raise AssertionError("more than one question")


def _run_searches(
    searches: list[Search], kink_model: Model, calls: NDArray[np.int64], ends: list[SearchEnd]
) -> list[SearchEnd | None]:
    """Run all active searches, with one call of the model a round.

    The first starts alone: the others need not come as far if it has ended where they go.
    """
    results: list[SearchEnd | None] = [None] * len(searches)
    waiting: dict[int, Array] = {}

    def move(k: int, answer: tuple[Array, Array] | None) -> None:
        waiting.pop(k, None)
        try:
            with np.errstate(all="ignore"):
                waiting[k] = next(searches[k]) if answer is None else searches[k].send(answer)
        except StopIteration as stop:
            results[k] = stop.value
            if results[k] is not None and not any(results[k] is end for end in ends):
                ends.append(stop.value)

    move(0, None)
    rounds, others = 0, len(searches) == 1
    while waiting or not others:
        if not others and (rounds >= HEAD_START or not waiting):
            others = True
            for k in range(1, len(searches)):
                move(k, None)
            continue
        calls_spent = [calls[k] for k, end in enumerate(results) if end is not None]
        live = [
            k for k in waiting if not calls_spent or calls[k] <= MAX_CALL_RATIO * max(calls_spent)
        ]
        if not live:
            break
        points = np.concatenate([waiting[k] for k in live], axis=1)
        values = kink_model(points)
        rounds, first = rounds + 1, 0
        for k in live:
            last = first + waiting[k].shape[1]
            calls[k] += last - first
            move(k, (values[0, first:last], values[1:, first:last]))
            first = last
    return results


def _search_with_slsqp(
    model: Model, start_points: Array, calls: NDArray[np.int64], origin_fails: bool
) -> list[SearchEnd | None]:
    """Search again from every start by sequential quadratic programming."""
    results: list[SearchEnd | None] = []
    d = start_points.shape[1]
    sides = WIDE_STEP * np.concatenate([np.eye(d), -np.eye(d)], axis=1)
    for k, start in enumerate(start_points):
        with np.errstate(all="ignore"):
            point, calls_spent, settled = slsqp_search(
                model, start, origin_fails=origin_fails, farthest=MAX_DISTANCE
            )
            values = model(np.concatenate([point[:, None], point[:, None] + sides], axis=1))
        calls[k] += calls_spent + 2 * d + 1
        slope = (values[1 : d + 1] - values[d + 1 :]) / (2.0 * WIDE_STEP)
        good = settled and abs(float(values[0])) < SLSQP_TOLERANCE
        results.append(SearchEnd(point, slope, at_kink=True) if good else None)
    return results


def _finish(results: list[SearchEnd | None], calls: NDArray[np.int64], fails: bool) -> DesignPoint:
    ends = [end for end in results if end is not None]
    points = np.array([end.point for end in ends])
    best = ends[int(np.argmin(np.linalg.norm(points, axis=1)))]
    distance, slope = float(np.linalg.norm(best.point)), float(np.linalg.norm(best.slope))
    # at a kink the nearest point lies along a mean of the slopes of its sides
    along = -best.point / distance if fails else best.point / distance
    alpha = along if best.at_kink else -best.slope / slope
    return DesignPoint(
        index=-distance if fails else distance,
        point=best.point,
        alpha=alpha,
        slope=slope,
        origin_fails=fails,
        calls=tuple(int(c) for c in calls),
        converged_points=points,
        disagreement=_disagreement(points, np.array([end is not None for end in results])),
        at_kink=best.at_kink,
    )


def _disagreement(converged_points: Array, ended: Flags) -> str:
    messages = []
    not_converged = int(np.sum(~ended))
    if not_converged:
        messages.append(f"{not_converged} of {len(ended)} searches did not converge")
    reach = np.linalg.norm(converged_points, axis=1)
    separation = np.linalg.norm(converged_points - converged_points[int(np.argmin(reach))], axis=1)
    if np.any(separation > SAME_POINT_DISTANCE):
        listed = ", ".join(f"{r:.3f}" for r in sorted(reach))
        messages.append(
            f"the searches ended at different points, |u| = {listed}; the nearest counts"
        )
    return "; ".join(messages)
