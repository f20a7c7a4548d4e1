"""What a few layers can bear: a robust fit that flags readings, and a bootstrap.

Axes: g specimens, k layers (padded), b bootstrap repeats.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from stripwise.evidence.profiles.chloride_profiles import MM2_D_PER_M2_S, Bootstrap, Fits
from stripwise.evidence.profiles.least_squares import Layers, Solution, parameter_covariance, solve

__all__ = ["bootstrap", "robust_fit"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

HUBER = 1.345
"""Huber's constant: 95 % efficiency on normal errors (Huber 1981, recalled)."""

MAD = 1.4826
ROBUST_STEPS = 12
ROBUST_CLOSE = 1e-4
"""Step in ln D at which the robust fit has settled."""

FLAG = 4.0
"""Residuals beyond this many robust standard deviations are flagged."""

WEBB = np.sqrt([1.5, 1.0, 0.5])


def robust_fit(layers: Layers, solution: Solution, *, freedom: Array) -> tuple[Array, Flags]:
    """Fit again by Huber's loss, reweighted step by step, and flag what it finds far off.

    The scale is the larger of the specimen's own and the median over the file: a few layers alone
    tell too little about scatter.

    Parameters
    ----------
    layers
        The profiles.
    solution
        Their fit by least squares, from which this one starts.
    freedom
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
    share = np.sqrt(np.maximum(freedom, 1) / used.sum(axis=1))
    largest = layers.content.max(axis=1)
    rows = np.arange(len(used))
    scale = np.empty((len(used), 1))
    for _ in range(ROBUST_STEPS):
        residual = np.abs(layers.content - fitted)
        own = MAD * np.nanmedian(np.where(used, residual, np.nan), axis=1) / share
        least = np.maximum(np.median(own / largest), 1e-9)
        scale = np.maximum(own, least * largest)[:, None]
        weight = used * np.minimum(1.0, HUBER * scale / np.maximum(residual, 1e-300))
        rows = rows[(weight[rows] < used[rows]).any(axis=1)]
        if rows.size == 0:
            break
        part = replace(layers, weight=weight).take(rows)
        again = solve(part, start=values[rows])
        good = rows[again.settled]
        moved = np.abs(again.values[again.settled, 0] - values[good, 0])
        values[good], fitted[good] = again.values[again.settled], again.fitted[again.settled]
        rows = good[moved > ROBUST_CLOSE]
    residual = np.abs(layers.content - fitted)
    return np.exp(values[:, 0]), used & (residual > FLAG * scale)


def bootstrap(fits: Fits, *, repeats: int, rng: np.random.Generator) -> Bootstrap:
    """Repeat the fits on contents whose residuals got random factors.

    Every repeat keeps every layer: the residual of a layer, divided by 1 - leverage (a jackknife's
    residual), is multiplied by one of Webb's six factors and added to the fit again. Layers that
    were left out stay out.

    Parameters
    ----------
    fits
        The fits.
    repeats
        Number of repeats b.
    rng
        Source of the factors.

    Returns
    -------
    The `Bootstrap`.

    References
    ----------
    Wild bootstrap: Wu, Ann. Stat. 14, 1986; six factors for few points: Webb, Queen's Economics
    Department Working Paper 1315, 2014 (both recalled).
    """
    layers, weight = fits.layers, fits.layers.weight
    leverage = _leverage(fits.solution, weight)
    residual = weight * (layers.content - fits.fitted) / np.maximum(1.0 - leverage, 1e-6)
    factors = np.concatenate((-WEBB, WEBB))
    shape = (repeats, len(weight))
    drawn = factors[rng.integers(0, 6, (repeats, *residual.shape))]
    every = layers.take(np.tile(np.arange(len(weight)), repeats))
    content = (fits.fitted + residual * drawn).reshape(every.content.shape)
    again = solve(
        replace(every, content=content), start=np.tile(fits.solution.values, (repeats, 1))
    )
    log_d = np.where(again.settled, again.values[:, 0], np.nan).reshape(shape)
    surface = np.where(again.settled, again.values[:, 1], np.nan).reshape(shape)
    ends = (0.025, 0.975)
    low_d, high_d = np.nanquantile(np.exp(log_d) / MM2_D_PER_M2_S, ends, axis=0)
    low_s, high_s = np.nanquantile(surface, ends, axis=0)
    return Bootstrap(low_d, high_d, low_s, high_s)


def _leverage(solution: Solution, weight: Array) -> Array:
    inverse = parameter_covariance(solution, weight)
    return np.asarray(
        np.einsum("gkp,gpq,gkq->gk", solution.jacobian, inverse, solution.jacobian) * weight
    )
