"""How much single readings decide a fit: a robust fit that flags readings, and a bootstrap.

Axes: g specimens, k layers (padded), b bootstrap repeats.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from stripwise.evidence.profiles.chloride_profiles import (
    MM2_D_PER_M2_S,
    BootstrapIntervals,
    ProfileFits,
)
from stripwise.evidence.profiles.least_squares import Layers, Solution, parameter_covariance, solve

__all__ = ["robust_fit", "wild_bootstrap"]

Array = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

HUBER_CONSTANT = 1.345
"""Huber's constant: 95 % efficiency on normal errors (Huber 1981, recalled)."""

MAD_TO_SD = 1.4826
MAX_ITERATIONS = 12
TOLERANCE = 1e-4
"""Step in ln D at which the robust fit has converged."""

OUTLIER_LIMIT = 4.0
"""Residuals beyond this many robust standard deviations are flagged."""

WEBB_FACTORS = np.sqrt([1.5, 1.0, 0.5])


def robust_fit(
    layers: Layers, solution: Solution, *, degrees_of_freedom: Array
) -> tuple[Array, BoolArray]:
    """Fit again by Huber's loss, reweighted iteratively, and flag readings far off.

    The scale is the larger of the specimen's own and the median over the file: a few layers alone
    say too little about scatter.

    Parameters
    ----------
    solution
        The fit by least squares, from which this one starts.
    degrees_of_freedom
        (g,) degrees of freedom left.

    Returns
    -------
    (g,) D_a [mm2/d] and (g, k) whether a used layer is flagged.

    References
    ----------
    Huber, Robust Statistics, 1981 (recalled).
    """
    used = layers.weight > 0
    values, fitted = solution.values.copy(), solution.fitted.copy()
    correction = np.sqrt(np.maximum(degrees_of_freedom, 1) / used.sum(axis=1))
    largest = layers.content.max(axis=1)
    rows = np.arange(len(used))
    scale = np.empty((len(used), 1))
    for _ in range(MAX_ITERATIONS):
        residual = np.abs(layers.content - fitted)
        own_scale = MAD_TO_SD * np.nanmedian(np.where(used, residual, np.nan), axis=1) / correction
        typical_scale = np.maximum(np.median(own_scale / largest), 1e-9)
        scale = np.maximum(own_scale, typical_scale * largest)[:, None]
        weight = used * np.minimum(1.0, HUBER_CONSTANT * scale / np.maximum(residual, 1e-300))
        rows = rows[(weight[rows] < used[rows]).any(axis=1)]
        if rows.size == 0:
            break
        part = replace(layers, weight=weight).take(rows)
        refit = solve(part, start=values[rows])
        converged = rows[refit.converged]
        change = np.abs(refit.values[refit.converged, 0] - values[converged, 0])
        values[converged], fitted[converged] = (
            refit.values[refit.converged],
            refit.fitted[refit.converged],
        )
        rows = converged[change > TOLERANCE]
    residual = np.abs(layers.content - fitted)
    return np.exp(values[:, 0]), used & (residual > OUTLIER_LIMIT * scale)


def wild_bootstrap(
    fits: ProfileFits, *, repeats: int, rng: np.random.Generator
) -> BootstrapIntervals:
    """Repeat the fits on contents whose residuals got random factors.

    Every repeat keeps every layer: the residual of a layer, divided by 1 - leverage (a jackknife's
    residual), is multiplied by one of Webb's six factors and added to the fit again. Layers that
    were left out stay out.

    References
    ----------
    Wild bootstrap: Wu, Ann. Stat. 14, 1986; six factors for few points: Webb, Queen's Economics
    Department Working Paper 1315, 2014 (both recalled).
    """
    layers, weight = fits.layers, fits.layers.weight
    leverage = _leverage(fits.solution, weight)
    residual = weight * (layers.content - fits.fitted) / np.maximum(1.0 - leverage, 1e-6)
    factors = np.concatenate((-WEBB_FACTORS, WEBB_FACTORS))
    shape = (repeats, len(weight))
    random_factors = factors[rng.integers(0, 6, (repeats, *residual.shape))]
    repeated = layers.take(np.tile(np.arange(len(weight)), repeats))
    content = (fits.fitted + residual * random_factors).reshape(repeated.content.shape)
    refits = solve(
        replace(repeated, content=content), start=np.tile(fits.solution.values, (repeats, 1))
    )
    log_d = np.where(refits.converged, refits.values[:, 0], np.nan).reshape(shape)
    surface = np.where(refits.converged, refits.values[:, 1], np.nan).reshape(shape)
    quantiles = (0.025, 0.975)
    low_d, high_d = np.nanquantile(np.exp(log_d) / MM2_D_PER_M2_S, quantiles, axis=0)
    low_s, high_s = np.nanquantile(surface, quantiles, axis=0)
    return BootstrapIntervals(low_d, high_d, low_s, high_s)


def _leverage(solution: Solution, weight: Array) -> Array:
    inverse = parameter_covariance(solution, weight)
    return np.asarray(
        np.einsum("gkp,gpq,gkq->gk", solution.jacobian, inverse, solution.jacobian) * weight
    )
