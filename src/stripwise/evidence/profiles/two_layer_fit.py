"""Which diffusivities of skin and core fit each profile best.

Axes: g specimens, k layers (padded), p parameters: ln D_skin, ln D_core, Cs and, where it is
fitted, C0.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripwise.evidence.profiles.least_squares import Layers, fit_linear_contents
from stripwise.evidence.profiles.two_layer_averages import mean_two_layer_content

__all__ = ["TwoLayerSolution", "solve_two_layers"]

Array = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

MAX_ITERATIONS = 60
TOLERANCE = 1e-8
"""Step in ln D, and in contents relative to the largest one, at which a fit has converged."""

DERIVATIVE_STEP = 1e-4
"""Step in ln D of the central differences."""

MAX_RATIO = 20.0
"""Largest ratio of the two diffusivities, either way; beyond it a profile determines no second one."""

START_RATIOS = (0.3, 0.6, 1.0, 1.7, 3.0, 6.0)
START_SCALES = (0.25, 0.5, 1.0, 2.0)
"""Ratios D_skin / D_core, and factors on the uniform fit's D for the skin, to begin from."""


@dataclass(frozen=True, slots=True)
class TwoLayerSolution:
    """Two-layer fits of g specimens.

    Attributes
    ----------
    values
        (g, 4) ln D_skin, ln D_core [ln(mm2/d)], Cs, C0.
    fitted
        (g, k) content of each layer by the fit.
    sum_of_squares
        (g,) weighted sum of squared residuals.
    inverse
        (g, 4, 4) covariance for a residual variance of 1; rows of fixed parameters are 0.
    at_bound
        (g,) whether the ratio of the diffusivities stands at the end of its range, and is held.
    converged
        (g,) whether the search ended.
    """

    values: Array
    fitted: Array
    sum_of_squares: Array
    inverse: Array
    at_bound: BoolArray
    converged: BoolArray


def solve_two_layers(layers: Layers, *, skin: Array, uniform: Array) -> TwoLayerSolution:
    """Fit the diffusivities of skin and core, Cs and, where it is not given, C0.

    For given diffusivities the contents are linear: a small scan locates the basin, damped
    Gauss-Newton steps (Levenberg 1944, Marquardt 1963) finish it.

    Parameters
    ----------
    skin
        (g,) thickness of the skin, counted as the layers' depths are [mm].
    uniform
        (g,) ln D of the uniform fit [ln(mm2/d)].
    """
    free = np.isnan(layers.initial)
    values = _start(layers, skin, uniform, free)
    largest_log_ratio = np.log(MAX_RATIO)
    cost = _cost(layers, values, skin)
    damping = np.full(len(values), 1e-3)
    active = np.ones(len(values), dtype=bool)
    largest = np.abs(layers.content * (layers.weight > 0)).max(axis=1)
    for _ in range(MAX_ITERATIONS):
        rows = np.flatnonzero(active)
        if rows.size == 0:
            break
        active_layers, current, edge = layers.take(rows), values[rows], skin[rows]
        new = current + _step(active_layers, current, edge, free=free[rows], damping=damping[rows])
        new[:, 0] = new[:, 1] + np.clip(
            new[:, 0] - new[:, 1], -largest_log_ratio, largest_log_ratio
        )
        new_cost = _cost(active_layers, new, edge)
        better = new_cost <= cost[rows] * (1.0 + 1e-14)
        step = np.abs(new - current)
        values[rows[better]] = new[better]
        cost[rows[better]] = new_cost[better]
        damping[rows] = np.where(better, np.maximum(damping[rows] * 0.1, 1e-12), damping[rows] * 8)
        small = (step[:, :2].max(axis=1) < TOLERANCE) & (
            step[:, 2:].max(axis=1) < TOLERANCE * largest[rows]
        )
        active[rows] = ~(small | (damping[rows] > 1e10))
    fitted, jacobian = _model(layers, values, skin)
    at_bound = np.abs(values[:, 0] - values[:, 1]) > largest_log_ratio - 1e-6
    jacobian[..., 3] *= free[:, None]
    jacobian[at_bound, :, 1] = 0.0
    return TwoLayerSolution(
        values, fitted, cost, _inverse(jacobian, layers.weight), at_bound, ~active
    )


def _relative_content(layers: Layers, log_d: Array, skin: Array) -> Array:
    """Return the relative content of each layer, (..., g, k); `log_d` (..., g, 2)."""
    return mean_two_layer_content(
        layers.upper,
        layers.lower,
        core=(np.exp(log_d[..., 1]) * layers.time)[..., None],
        ratio=np.exp(log_d[..., 0] - log_d[..., 1])[..., None],
        skin=skin[:, None],
    )


def _cost(layers: Layers, values: Array, skin: Array) -> Array:
    relative_content = _relative_content(layers, values[:, :2], skin)
    fitted = values[:, 3:4] + (values[:, 2:3] - values[:, 3:4]) * relative_content
    return np.asarray((layers.weight * (layers.content - fitted) ** 2).sum(axis=1))


def _model(layers: Layers, values: Array, skin: Array) -> tuple[Array, Array]:
    """Content of each layer and its derivatives by ln D_skin, ln D_core, Cs and C0."""
    log_d, rise = values[:, :2], values[:, 2:3] - values[:, 3:4]
    step = DERIVATIVE_STEP * np.eye(2)[:, None]
    relative_content, *moved = _relative_content(
        layers, np.concatenate((log_d[None], log_d + step, log_d - step)), skin
    )
    slopes = (
        rise * (forward - backward) / (2.0 * DERIVATIVE_STEP)
        for forward, backward in zip(moved[:2], moved[2:], strict=True)
    )
    return values[:, 3:4] + rise * relative_content, np.stack(
        (*slopes, relative_content, 1.0 - relative_content), axis=-1
    )


def _step(layers: Layers, values: Array, skin: Array, *, free: BoolArray, damping: Array) -> Array:
    fitted, jacobian = _model(layers, values, skin)
    jacobian[..., 3] *= free[:, None]
    weighted = jacobian * layers.weight[..., None]
    normal = np.einsum("gkp,gkq->gpq", weighted, jacobian)
    gradient = np.einsum("gkp,gk->gp", weighted, layers.content - fitted)
    raised = np.einsum("gpp->gp", normal) * damping[:, None]
    # the curvature by ln D grows with the contents squared; a floor of that size keeps a
    # diffusivity that the profile hardly determines from diverging
    raised[:, :2] += 1e-9 * np.einsum("gpp->gp", normal)[:, :2].max(axis=1, keepdims=True)
    raised[:, 3] += ~free  # keeps a fixed C0 constant
    raised += 1e-300
    normal[:, range(4), range(4)] += raised
    step = np.linalg.solve(normal, gradient[..., None])[..., 0]
    step[:, :2] = np.clip(step[:, :2], -1.0, 1.0)
    return np.asarray(step)


def _start(layers: Layers, skin: Array, uniform: Array, free: BoolArray) -> Array:
    """Scan over both diffusivities; the contents follow by linear least squares at each."""
    best = np.full(len(uniform), np.inf)
    values = np.zeros((len(uniform), 4))
    for ratio in START_RATIOS:
        for scale in START_SCALES:
            log_skin = uniform + np.log(scale)
            log_d = np.column_stack((log_skin, log_skin - np.log(ratio)))
            relative_content = _relative_content(layers, log_d, skin)
            rise, initial = fit_linear_contents(layers, relative_content, free)
            residual = layers.content - initial[:, None] - rise[:, None] * relative_content
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
