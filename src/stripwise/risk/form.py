"""First-order reliability: design point, reliability index and what drives failure.

Works on any limit state h(u) of independent standard normals, failure at h <= 0. Axes: d inputs,
n points, k searches; those that move do so side by side, so that one call of the model serves all.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.errors import InputError, NumericalError
from stripwise.risk.corner import by_programming, on_edge

__all__ = ["DesignPoint", "first_order"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Model = Callable[[Array], Array]

STEP = 1e-4
"""Width of a finite difference [standard deviations]."""
ON_SURFACE = 1e-6
"""Distance to the surface at which a search may end [standard deviations]."""
ALIGNED = 1e-3
"""Part of u across the gradient at which a search may end, per standard deviation of |u|."""
NEAR = 0.1
"""A search that comes so near to the end of another is going there."""
SAME = 0.02
"""Two searches whose ends lie nearer than this found the same point."""
ITERATIONS = 28
SMOOTH_ITERATIONS = 12
"""After so many steps the surface has a kink, and slopes are averaged over `KINK` to each side."""
AGAIN = 4
"""So many crossings more before it is looked for once more."""
CROSSINGS = 2
"""So often a search may cross a known kink before the corner on it is looked for."""
CORNER = 1e-4
"""Value of h at which a search along a corner may end."""
KINK = 0.1
"""[standard deviations]"""
LEAST_SHARE = 0.3
"""Steps that go to and fro are relaxed, to no less than this share."""
LONGEST_STEP = 3.0
HALVINGS = 0.5 ** np.arange(1, 7)
ARMIJO = 0.1
FARTHEST = 30.0


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


@dataclass(slots=True)
class _Search:
    """State of k searches: points, values, gradients, calls; last step and share of it taken."""

    u: Array
    h: Array
    slope: Array
    calls: NDArray[np.int64]
    last: Array
    share: Array


def first_order(
    model: Model,
    dimensions: int,
    *,
    starts: Sequence[Sequence[float]] | None = None,
    edge: Model | None = None,
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
    edge
        Function of points (d, n) whose sign changes where h has a kink, (n,); None if not known.
        A search that goes to and fro across it then looks for the corner itself.

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
    and fro are relaxed before by Aitken's rule. The first search runs alone; the others stop where
    they come near its end.

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
    u = np.array(default if starts is None else starts, dtype=float)
    begun = u.copy()
    at_origin = float(model(np.zeros((dimensions, 1)))[0])
    state = _Search(
        u,
        *_gradients(model, u),
        calls=np.full(len(u), dimensions + 1, dtype=np.int64),
        last=np.full(u.shape, np.nan),
        share=np.ones(len(u)),
    )
    state.calls[0] += 1
    ended, kinked, cornered = (np.zeros(len(u), dtype=bool) for _ in range(3))
    side = None if edge is None else np.sign(edge(u.T))
    crossed, steps = (np.zeros(len(u), dtype=np.int64) for _ in range(2))
    while True:
        ended = _converged(state) | cornered
        _join(state, ended, cornered)
        live = _next(state, ended, steps)
        # A search that is lost must not keep the others waiting once it has had its share.
        if not live.size or (
            ended.any() and state.calls[live].min() > 3 * state.calls[ended].max()
        ):
            break
        wide = bool(steps[live[0]] >= SMOOTH_ITERATIONS)
        _advance(model, state, live, wide)
        kinked[live] = wide
        steps[live] += 1
        if edge is not None:
            now = np.sign(edge(state.u.T))
            crossed += now != side
            side = now
            for k in np.flatnonzero((crossed >= CROSSINGS) & ~_converged(state)):
                if _to_corner(model, edge, state, int(k), at_origin <= 0.0):
                    cornered[k] = kinked[k] = True
                crossed[k] = -AGAIN
    ended |= cornered
    if not ended.any():
        _around_corner(model, state, begun, at_origin <= 0.0)
        ended = np.array(np.abs(state.h) < CORNER)
        kinked[:] = True
    if not ended.any():
        raise NumericalError(
            "the search for a design point did not converge from any start: the event may never or "
            "always happen at this age"
        )
    return _finish(model, state, ended, kinked, at_origin)


def _next(state: _Search, ended: Flags, steps: NDArray[np.int64]) -> NDArray[np.intp]:
    """Choose the searches that move: the first alone, then the others, then all that are left.

    The others need not come as far if the first has ended where they are going.
    """
    going = ~ended & np.all(np.isfinite(state.slope), axis=1) & (steps < ITERATIONS)
    smooth = going & (steps < SMOOTH_ITERATIONS)
    if smooth[0]:
        return np.zeros(1, dtype=np.intp)
    return np.flatnonzero(smooth if smooth.any() else going)


def _join(state: _Search, ended: Flags, cornered: Flags) -> None:
    """End the searches that come near an ended one, at its point."""
    goals = np.flatnonzero(ended)
    for k in np.flatnonzero(~ended) if goals.size else ():
        apart = np.linalg.norm(state.u[goals] - state.u[k], axis=1)
        near = int(goals[np.argmin(apart)])
        if apart.min() < NEAR:
            state.u[k], state.h[k] = state.u[near], state.h[near]
            state.slope[k] = state.slope[near]
            ended[k], cornered[k] = True, cornered[near]


def _to_corner(model: Model, edge: Model, state: _Search, k: int, origin_fails: bool) -> bool:
    """Put search k on the corner of surface and edge, if that is the nearest point around."""
    corner = on_edge(model, edge, state.u[k], origin_fails=origin_fails)
    if corner is None:
        return False
    state.calls[k] += corner.calls
    if corner.nearest:
        state.u[k], state.h[k], state.slope[k] = corner.point, 0.0, corner.slopes.mean(axis=0)
    return corner.nearest


def _around_corner(model: Model, state: _Search, begun: Array, origin_fails: bool) -> None:
    """Search again from every start by sequential quadratic programming."""
    for k, start in enumerate(begun):
        with np.errstate(all="ignore"):
            point, calls, found = by_programming(
                model, start, origin_fails=origin_fails, farthest=FARTHEST
            )
            state.u[k] = point
            state.h[k] = model(point[:, None])[0] if found else np.inf
            state.slope[k] = _central(model, point[None], KINK)[0]
        state.calls[k] += calls + 2 * start.size + 1


def _finish(
    model: Model, state: _Search, ended: Flags, kinked: Flags, at_origin: float
) -> DesignPoint:
    found = state.u[ended]
    winner = int(np.flatnonzero(ended)[np.argmin(np.linalg.norm(found, axis=1))])
    best = state.u[winner]
    if kinked[winner]:
        # at a kink the nearest point lies along a mean of the slopes of its sides
        away = best if at_origin > 0.0 else -best
        gradient = -float(np.linalg.norm(state.slope[winner])) * away / np.linalg.norm(best)
    else:
        gradient = state.slope[winner]
    slope = float(np.linalg.norm(gradient))
    distance = float(np.linalg.norm(best))
    fails = at_origin <= 0.0
    return DesignPoint(
        index=-distance if fails else distance,
        point=best,
        alpha=-gradient / slope,
        slope=slope,
        origin_fails=fails,
        calls=tuple(int(c) for c in state.calls),
        found=found,
        disagreement=_disagreement(found, ended),
        kinked=bool(kinked[winner]),
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


def _converged(state: _Search) -> Flags:
    size = np.linalg.norm(state.slope, axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        normal = state.slope / size[:, None]
        near = np.abs(state.h) / size < ON_SURFACE
    across = state.u - np.sum(normal * state.u, axis=1)[:, None] * normal
    reach = np.linalg.norm(state.u, axis=1)
    flat = np.linalg.norm(across, axis=1) < ALIGNED * np.maximum(reach, 1.0)
    return np.asarray(near & flat & (reach < FARTHEST))


def _advance(model: Model, state: _Search, live: NDArray[np.intp], kinked: bool) -> None:
    """Move the searches that have not ended by one step each."""
    u, h, slope = state.u[live], state.h[live], state.slope[live]
    cost = (2 if kinked else 1) * u.shape[1] + 1
    square = np.maximum(np.sum(slope**2, axis=1), 1e-300)
    goal = ((np.sum(slope * u, axis=1) - h) / square)[:, None] * slope
    move = goal - u
    change = move - state.last[live]
    aitken = -state.share[live] * np.sum(state.last[live] * change, axis=1)
    aitken /= np.maximum(np.sum(change**2, axis=1), 1e-300)
    share = np.clip(np.nan_to_num(aitken, nan=1.0), LEAST_SHARE, 1.0)
    state.last[live], state.share[live] = move, share
    move = move * share[:, None]
    length = np.linalg.norm(move, axis=1)
    move *= np.minimum(1.0, LONGEST_STEP / np.maximum(length, 1e-300))[:, None]
    weight = 2.0 * np.maximum(
        np.linalg.norm(u, axis=1) / np.sqrt(square),
        0.5 * np.sum(goal**2, axis=1) / np.maximum(np.abs(h), 1e-12),
    )
    fall = np.sum(u * move, axis=1) + weight * np.sign(h) * np.sum(slope * move, axis=1)

    def merit(points: Array, values: Array) -> Array:
        return np.asarray(0.5 * np.sum(points**2, axis=-1) + weight * np.abs(values))

    before = merit(u, h)
    trial = u + move
    new_h, new_slope = _gradients(model, trial, kinked)
    state.calls[live] += cost
    poor = ~(merit(trial, new_h) <= before + ARMIJO * np.minimum(fall, 0.0))
    if poor.any():
        shorter = u + HALVINGS[:, None, None] * move
        at = shorter[:, poor]
        values = model(at.reshape(-1, u.shape[1]).T).reshape(len(HALVINGS), -1)
        scores = np.full((len(HALVINGS), len(live)), np.inf)
        padded = np.zeros((len(HALVINGS), len(live)))
        padded[:, poor] = values
        scores[:, poor] = np.nan_to_num(merit(shorter, padded)[:, poor], nan=np.inf)
        enough = scores <= before + ARMIJO * HALVINGS[:, None] * np.minimum(fall, 0.0)
        pick = np.where(enough.any(axis=0), enough.argmax(axis=0), scores.argmin(axis=0))
        rows = np.flatnonzero(poor)
        trial[rows] = shorter[pick[rows], rows]
        new_h[rows], new_slope[rows] = _gradients(model, trial[rows], kinked)
        state.calls[live[rows]] += len(HALVINGS) + cost
    state.u[live], state.h[live], state.slope[live] = trial, new_h, new_slope


def _gradients(model: Model, u: Array, kinked: bool = False) -> tuple[Array, Array]:
    """Value and gradient at k points, by forward differences or wide central ones."""
    if kinked:
        return model(u.T), _central(model, u, KINK)
    k, d = u.shape
    points = np.repeat(u[:, None, :], d + 1, axis=1)
    points[:, 1:, :] += STEP * np.eye(d)
    values = model(points.reshape(-1, d).T).reshape(k, d + 1)
    return values[:, 0].copy(), (values[:, 1:] - values[:, :1]) / STEP


def _central(model: Model, u: Array, step: float) -> Array:
    k, d = u.shape
    sides = step * np.concatenate([np.eye(d), -np.eye(d)])
    values = model((u[:, None, :] + sides).reshape(-1, d).T).reshape(k, 2, d)
    return np.asarray((values[:, 0] - values[:, 1]) / (2.0 * step))
