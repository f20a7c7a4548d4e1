"""Which diffusivity and contents fit each profile best, many profiles at once.

Axes: g specimens, k layers (padded), p parameters: ln D, Cs and, where it is fitted, C0.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripwise.evidence.profiles.layer_averages import mean_layer_content

__all__ = ["Layers", "Solution", "fit_linear_contents", "parameter_covariance", "solve"]

Array = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

SCAN_POINTS = 16
MAX_ITERATIONS = 60
TOLERANCE = 1e-9
"""Step in ln D, and in contents relative to the largest one, at which a fit has converged."""

MAX_LENGTH_RATIO = 6.0
"""A fit whose length 2 sqrt(D t) leaves the ground depth by this factor has no diffusivity."""


@dataclass(frozen=True, slots=True)
class Layers:
    """Ground layers of g specimens, padded to k.

    Attributes
    ----------
    upper, lower
        (g, k) faces of the layers below the exposed surface [mm].
    content
        (g, k) chloride, in the unit of the file.
    weight
        (g, k) weight of each squared residual; 0 leaves a layer out.
    time
        (g,) exposure [d].
    initial
        (g,) C0; NaN where it is fitted.
    """

    upper: Array
    lower: Array
    content: Array
    weight: Array
    time: Array
    initial: Array

    def take(self, rows: BoolArray | NDArray[np.intp]) -> Layers:
        """Return the specimens of some rows."""
        return Layers(
            self.upper[rows],
            self.lower[rows],
            self.content[rows],
            self.weight[rows],
            self.time[rows],
            self.initial[rows],
        )


@dataclass(frozen=True, slots=True)
class Solution:
    """Fits of g specimens.

    Attributes
    ----------
    values
        (g, 3) ln D [ln(mm2/d)], Cs, C0.
    fitted
        (g, k) content of each layer by the fit, left-out layers included.
    jacobian
        (g, k, 3) derivatives; the last column is 0 where C0 is fixed.
    converged
        (g,) whether the fit converged to a diffusivity that the profile can determine.
    """

    values: Array
    fitted: Array
    jacobian: Array
    converged: BoolArray


def solve(layers: Layers, *, start: Array | None = None, tolerance: float = TOLERANCE) -> Solution:
    """Fit ln D, Cs and, where it is not given, C0 of every specimen by weighted least squares.

    For a given D the contents are linear, so that a scan over D locates the basin of the global
    minimum; damped Gauss-Newton steps (Levenberg 1944, Marquardt 1963) with the analytic Jacobian
    finish it. `start` (g, 3) is ln D, Cs and C0 to begin from; by the scan unless given.
    `tolerance` is the step at which a fit has converged.
    """
    free = np.isnan(layers.initial)
    values = _start(layers, free) if start is None else start.copy()
    fitted, jacobian = _model(layers, values, free)
    cost = _cost(layers, fitted)
    scale = np.abs(layers.content * (layers.weight > 0)).max(axis=1)
    damping = np.full(len(values), 1e-3)
    active = np.ones(len(values), dtype=bool)
    for _ in range(MAX_ITERATIONS):
        rows = np.flatnonzero(active)
        if rows.size == 0:
            break
        active_layers = layers.take(rows)
        step = _step(
            active_layers, fitted[rows], jacobian[rows], free=free[rows], damping=damping[rows]
        )
        new = values[rows] + step
        new_fitted, new_jacobian = _model(active_layers, new, free[rows])
        new_cost = _cost(active_layers, new_fitted)
        better = new_cost <= cost[rows] * (1.0 + 1e-14)
        moved = rows[better]
        values[moved], cost[moved] = new[better], new_cost[better]
        fitted[moved], jacobian[moved] = new_fitted[better], new_jacobian[better]
        damping[rows] = np.where(better, np.maximum(damping[rows] * 0.1, 1e-12), damping[rows] * 8)
        small = (np.abs(step[:, 0]) < tolerance) & (
            np.abs(step[:, 1:]).max(axis=1) < tolerance * scale[rows]
        )
        active[rows] = ~(small | (damping[rows] > 1e10))
    length = 2.0 * np.sqrt(np.exp(values[:, 0]) * layers.time)
    deepest = np.where(layers.weight > 0, layers.lower, 0.0).max(axis=1)
    finest = np.where(layers.weight > 0, layers.lower, np.inf).min(axis=1)
    identifiable = (
        (length < MAX_LENGTH_RATIO * deepest)
        & (length > finest / MAX_LENGTH_RATIO)
        & (values[:, 1] > values[:, 2])
    )
    return Solution(values, fitted, jacobian, ~active & identifiable)


def _model(layers: Layers, values: Array, free: BoolArray) -> tuple[Array, Array]:
    """Content of each layer and its derivatives by ln D, Cs and, where it is `free`, C0."""
    length = 2.0 * np.sqrt(np.exp(values[:, :1]) * layers.time[:, None])
    relative_content, slope = mean_layer_content(layers.upper, layers.lower, length=length)
    surface, initial = values[:, 1:2], values[:, 2:3]
    content = initial + (surface - initial) * relative_content
    return content, np.stack(
        (
            0.5 * (surface - initial) * slope,
            relative_content,
            (1.0 - relative_content) * free[:, None],
        ),
        axis=-1,
    )


def _cost(layers: Layers, fitted: Array) -> Array:
    return np.asarray((layers.weight * (layers.content - fitted) ** 2).sum(axis=1))


def _step(
    layers: Layers, fitted: Array, jacobian: Array, *, free: BoolArray, damping: Array
) -> Array:
    weighted = jacobian * layers.weight[..., None]
    normal = np.einsum("gkp,gkq->gpq", weighted, jacobian)
    gradient = np.einsum("gkp,gk->gp", weighted, layers.content - fitted)
    diagonal = np.einsum("gpp->gp", normal).copy()
    raised = diagonal * damping[:, None]
    raised[:, 2] += ~free  # keeps a fixed C0 constant
    raised += 1e-300
    normal[:, [0, 1, 2], [0, 1, 2]] += raised
    step = np.linalg.solve(normal, gradient[..., None])[..., 0]
    step[:, 0] = np.clip(step[:, 0], -1.0, 1.0)
    return np.asarray(step)


def _start(layers: Layers, free: BoolArray) -> Array:
    """Scan over D; the contents follow by linear least squares at each."""
    used = layers.weight > 0
    deepest = np.where(used, layers.lower, 0.0).max(axis=1)
    best = np.full(len(deepest), np.inf)
    values = np.zeros((len(deepest), 3))
    for ratio in np.geomspace(0.03, 2.0 * MAX_LENGTH_RATIO, SCAN_POINTS):
        length = ratio * deepest
        relative_content, _ = mean_layer_content(layers.upper, layers.lower, length=length[:, None])
        rise, initial = fit_linear_contents(layers, relative_content, free)
        residual = layers.content - initial[:, None] - rise[:, None] * relative_content
        cost = (layers.weight * residual**2).sum(axis=1)
        log_d = np.log(length**2 / (4.0 * layers.time))
        better = (cost < best) & np.isfinite(rise)
        best = np.where(better, cost, best)
        values[better] = np.column_stack((log_d, initial + rise, initial))[better]
    return values


def fit_linear_contents(
    layers: Layers, relative_content: Array, free: BoolArray
) -> tuple[Array, Array]:
    """Fit the contents for known relative contents by weighted linear least squares.

    Parameters
    ----------
    share
        (g, k) share of Cs - C0 in each layer.
    free
        (g,) whether C0 is fitted.

    Returns
    -------
    (g,) Cs - C0, inf where the shares do not differ, and (g,) C0.
    """
    w = layers.weight
    fixed = np.where(free, 0.0, layers.initial)
    total = w.sum(axis=1)
    mean_relative = np.where(free, (w * relative_content).sum(axis=1) / total, 0.0)
    mean_content = np.where(free, (w * layers.content).sum(axis=1) / total, fixed)
    x, y = relative_content - mean_relative[:, None], layers.content - mean_content[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        rise = (w * x * y).sum(axis=1) / (w * x * x).sum(axis=1)
    rise = np.nan_to_num(rise, nan=np.inf, posinf=np.inf, neginf=np.inf)
    safe = np.where(np.isfinite(rise), rise, 0.0)
    return rise, np.where(free, mean_content - safe * mean_relative, fixed)


def parameter_covariance(solution: Solution, weight: Array) -> Array:
    """Return (g, 3, 3) inverse of J'WJ for ln D, Cs, C0: covariance at residual variance 1.

    `weight` (g, k) weighs the squared residuals; row and column of a fixed C0 are 0.
    """
    jacobian = solution.jacobian
    normal = np.einsum("gkp,gk,gkq->gpq", jacobian, weight, jacobian)
    fixed = ~jacobian[..., 2].any(axis=1)
    normal[fixed, 2, 2] = 1.0
    inverse = np.linalg.pinv(normal, hermitian=True)
    inverse[fixed, 2, :] = 0.0
    inverse[fixed, :, 2] = 0.0
    return np.asarray(inverse)
