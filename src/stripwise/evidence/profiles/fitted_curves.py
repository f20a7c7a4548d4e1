"""The fitted curves of one specimen, that of the uniform fit with its band."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from stripwise.evidence.profiles.chloride_profiles import Fits
from stripwise.evidence.profiles.layer_averages import layer_share
from stripwise.evidence.profiles.layered_fit import Layered
from stripwise.evidence.profiles.least_squares import parameter_covariance
from stripwise.evidence.profiles.skin_contents import skin_layer_share

__all__ = ["curve_band", "skin_curve"]

Array = NDArray[np.float64]


def curve_band(fits: Fits, row: int, *, depth: ArrayLike) -> tuple[Array, Array]:
    """Return the fitted content over depth and half the width of its 95 % band.

    The band is that of the curve, not of single readings: linear propagation of the covariance
    of the parameters, with t of the degrees of freedom left.

    Parameters
    ----------
    fits
        All fits.
    row
        Number of the specimen.
    depth
        Any shape, below the exposed surface [mm].

    Returns
    -------
    Content and half width, in the unit of the profile, at the depths; NaN before the depth that
    the fit counts from.
    """
    x = np.asarray(depth, dtype=float) - fits.start[row]
    log_d, surface, initial = fits.solution.values[row]
    length = 2.0 * np.sqrt(np.exp(log_d) * fits.profiles.exposure[row])
    share, slope = layer_share(np.maximum(x, 0.0), np.maximum(x, 0.0), length=length)
    content = np.where(x >= 0.0, initial + (surface - initial) * share, np.nan)
    gradient = np.stack((0.5 * (surface - initial) * slope, share, 1.0 - share), axis=-1)
    one = slice(row, row + 1)
    part = type(fits.solution)(
        fits.solution.values[one],
        fits.solution.fitted[one],
        fits.solution.jacobian[one],
        fits.solution.settled[one],
    )
    inverse = parameter_covariance(part, fits.layers.weight[one])[0]
    variance = fits.rmse[row] ** 2 * np.einsum("...p,pq,...q->...", gradient, inverse, gradient)
    freedom = int(fits.used[row]) - 2 - int(np.isnan(fits.layers.initial[row]))
    return content, stats.t.ppf(0.975, freedom) * np.sqrt(np.maximum(variance, 0.0))


def skin_curve(fits: Fits, layered: Layered, row: int, *, depth: ArrayLike) -> Array:
    """Return the content over depth by the two-layer fit of one specimen.

    Parameters
    ----------
    fits, layered
        The uniform and the two-layer fits.
    row
        Number of the specimen.
    depth
        Any shape, below the exposed surface [mm].

    Returns
    -------
    Content at the depths; NaN before the depth that the fit counts from.
    """
    x = np.asarray(depth, dtype=float) - fits.start[row]
    log_skin, log_core, surface, initial = layered.values[row]
    below = np.maximum(x, 0.0)
    share = skin_layer_share(
        below,
        below,
        core=np.exp(log_core) * fits.profiles.exposure[row],
        ratio=np.exp(log_skin - log_core),
        skin=max(layered.depth.value - fits.start[row], 0.0),
    )
    return np.where(x >= 0.0, initial + (surface - initial) * share, np.nan)
