"""Least squares for chloride profiles of a skin on a core, one small problem per specimen.

Axes: g specimens, k layers (padded), p parameters: ln D_skin, ln D_core, Cs and, where it is
fitted, C0.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripwise.evidence.profiles.least_squares import Layers, linear_contents
from stripwise.evidence.profiles.skin_contents import skin_layer_share

__all__ = ["TwoLayers", "solve_two_layers"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

STEPS = 60
CLOSE = 1e-8
"""Step in ln D, and in contents relative to the largest one, at which a fit has settled."""

DIFFERENCE = 1e-4
"""Step in ln D of the central differences."""

WIDEST_RATIO = 20.0
"""Largest ratio of the two diffusivities, either way; beyond it a profile tells no second one."""

RATIOS = (0.3, 0.6, 1.0, 1.7, 3.0, 6.0)
SCALES = (0.25, 0.5, 1.0, 2.0)
"""Ratios D_skin / D_core, and factors on the uniform fit's D for the skin, to begin from."""


@dataclass(frozen=True, slots=True)
class TwoLayers:
    """Two-layer fits of g specimens.

    Attributes
    ----------
    values
        (g, 4) ln D_skin, ln D_core [ln(mm2/d)], Cs, C0.
    fitted
        (g, k) content of each layer by the fit.
    squares
        (g,) weighted sum of squared residuals.
    inverse
        (g, 4, 4) covariance for a residual variance of 1; rows of what is held are 0.
    at_bound
        (g,) whether the ratio of the diffusivities stands at the end of its range, and is held.
    settled
        (g,) whether the search ended.
    """

    values: Array
    fitted: Array
    squares: Array
    inverse: Array
    at_bound: Flags
    settled: Flags


def solve_two_layers(layers: Layers, *, skin: Array, uniform: Array) -> TwoLayers:
    """Fit the diffusivities of skin and core, Cs and, where asked, C0 of every specimen.

    For given diffusivities the contents are linear: a small scan finds the basin, damped
    Gauss-Newton steps (Levenberg 1944, Marquardt 1963) finish it.

    Parameters
    ----------
    layers
        The profiles.
    skin
        (g,) thickness of the skin, counted as the layers' depths are [mm].
    uniform
        (g,) ln D of the uniform fit [ln(mm2/d)].

    Returns
    -------
    The `TwoLayers`.
    """
    free = np.isnan(layers.initial)
    values = _start(layers, skin, uniform, free)
    widest = np.log(WIDEST_RATIO)
    cost = _cost(layers, values, skin)
    damping = np.full(len(values), 1e-3)
    active = np.ones(len(values), dtype=bool)
    largest = np.abs(layers.content * (layers.weight > 0)).max(axis=1)
    for _ in range(STEPS):
        rows = np.flatnonzero(active)
        if rows.size == 0:
            break
        part, now, edge = layers.take(rows), values[rows], skin[rows]
        new = now + _step(part, now, edge, free=free[rows], damping=damping[rows])
        new[:, 0] = new[:, 1] + np.clip(new[:, 0] - new[:, 1], -widest, widest)
        new_cost = _cost(part, new, edge)
        better = new_cost <= cost[rows] * (1.0 + 1e-14)
        step = np.abs(new - now)
        values[rows[better]] = new[better]
        cost[rows[better]] = new_cost[better]
        damping[rows] = np.where(better, np.maximum(damping[rows] * 0.1, 1e-12), damping[rows] * 8)
        small = (step[:, :2].max(axis=1) < CLOSE) & (
            step[:, 2:].max(axis=1) < CLOSE * largest[rows]
        )
        active[rows] = ~(small | (damping[rows] > 1e10))
    fitted, jacobian = _model(layers, values, skin)
    at_bound = np.abs(values[:, 0] - values[:, 1]) > widest - 1e-6
    jacobian[..., 3] *= free[:, None]
    jacobian[at_bound, :, 1] = 0.0
    return TwoLayers(values, fitted, cost, _inverse(jacobian, layers.weight), at_bound, ~active)


def _share(layers: Layers, log_d: Array, skin: Array) -> Array:
    """Share of Cs - C0 in each layer; `log_d` (g, 2)."""
    return skin_layer_share(
        layers.upper,
        layers.lower,
        core=(np.exp(log_d[:, 1]) * layers.time)[:, None],
        ratio=np.exp(log_d[:, 0] - log_d[:, 1])[:, None],
        skin=skin[:, None],
    )


def _cost(layers: Layers, values: Array, skin: Array) -> Array:
    share = _share(layers, values[:, :2], skin)
    fitted = values[:, 3:4] + (values[:, 2:3] - values[:, 3:4]) * share
    return np.asarray((layers.weight * (layers.content - fitted) ** 2).sum(axis=1))


def _model(layers: Layers, values: Array, skin: Array) -> tuple[Array, Array]:
    """Content of each layer and its derivatives by ln D_skin, ln D_core, Cs and C0."""
    log_d, rise = values[:, :2], values[:, 2:3] - values[:, 3:4]
    share = _share(layers, log_d, skin)
    slopes = []
    for column in (0, 1):
        move = np.zeros(2)
        move[column] = DIFFERENCE
        ahead, behind = _share(layers, log_d + move, skin), _share(layers, log_d - move, skin)
        slopes.append(rise * (ahead - behind) / (2.0 * DIFFERENCE))
    return values[:, 3:4] + rise * share, np.stack((*slopes, share, 1.0 - share), axis=-1)


def _step(layers: Layers, values: Array, skin: Array, *, free: Flags, damping: Array) -> Array:
    fitted, jacobian = _model(layers, values, skin)
    jacobian[..., 3] *= free[:, None]
    weighted = jacobian * layers.weight[..., None]
    normal = np.einsum("gkp,gkq->gpq", weighted, jacobian)
    gradient = np.einsum("gkp,gk->gp", weighted, layers.content - fitted)
    raised = np.einsum("gpp->gp", normal) * damping[:, None]
    # the curvature by ln D grows with the contents squared; a floor of that size keeps a
    # diffusivity that the profile hardly tells from running away
    raised[:, :2] += 1e-9 * np.einsum("gpp->gp", normal)[:, :2].max(axis=1, keepdims=True)
    raised[:, 3] += ~free  # a fixed C0 stands still
    raised += 1e-300
    normal[:, range(4), range(4)] += raised
    step = np.linalg.solve(normal, gradient[..., None])[..., 0]
    step[:, :2] = np.clip(step[:, :2], -1.0, 1.0)
    return np.asarray(step)


def _start(layers: Layers, skin: Array, uniform: Array, free: Flags) -> Array:
    """Scan over both diffusivities; the contents follow by linear least squares at each."""
    best = np.full(len(uniform), np.inf)
    values = np.zeros((len(uniform), 4))
    for ratio in RATIOS:
        for scale in SCALES:
            log_skin = uniform + np.log(scale)
            log_d = np.column_stack((log_skin, log_skin - np.log(ratio)))
            share = _share(layers, log_d, skin)
            rise, initial = linear_contents(layers, share, free)
            residual = layers.content - initial[:, None] - rise[:, None] * share
            cost = (layers.weight * residual**2).sum(axis=1)
            better = (cost < best) & np.isfinite(rise)
            best = np.where(better, cost, best)
            values[better] = np.column_stack((log_d, initial + rise, initial))[better]
    return values


def _inverse(jacobian: Array, weight: Array) -> Array:
    normal = np.einsum("gkp,gk,gkq->gpq", jacobian, weight, jacobian)
    held = ~jacobian.any(axis=1)  # (g, p): nothing depends on it
    rows, columns = np.nonzero(held)
    normal[rows, columns, columns] = 1.0
    inverse = np.linalg.pinv(normal, rcond=1e-13, hermitian=True)
    inverse[rows, columns, :] = 0.0
    inverse[rows, :, columns] = 0.0
    return np.asarray(inverse)
