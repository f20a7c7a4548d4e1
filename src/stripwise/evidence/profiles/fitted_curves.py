"""Which curves the fits of one specimen give, and how wide their band is."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stripwise.evidence.profiles.chloride_profiles import ProfileFits
from stripwise.evidence.profiles.layer_averages import mean_layer_content
from stripwise.evidence.profiles.layered_fit import LayeredFits
from stripwise.evidence.profiles.least_squares import parameter_covariance
from stripwise.evidence.profiles.two_layer_averages import mean_two_layer_content

__all__ = ["curve_band", "skin_curve"]

Array = NDArray[np.float64]


def curve_band(fits: ProfileFits, row: int, *, depth: ArrayLike) -> tuple[Array, Array]:
    """Return the fitted content over depth and half the width of its 95 % band.

    The band is that of the curve, not of single readings: linear propagation of the covariance
    of the parameters, with t of the degrees of freedom behind the scale.

    Parameters
    ----------
    row
        Number of the specimen.
    depth
        Any shape, below the exposed surface [mm].

    Returns
    -------
    Content and half width, in the unit of the profile, at the depths; NaN before the depth that
    the fit counts from.
    """
    x = np.asarray(depth, dtype=float) - fits.origin_depth[row]
    log_d, surface, initial = fits.solution.values[row]
    length = 2.0 * np.sqrt(np.exp(log_d) * fits.profiles.exposure[row])
    relative_content, slope = mean_layer_content(
        np.maximum(x, 0.0), np.maximum(x, 0.0), length=length
    )
    content = np.where(x >= 0.0, initial + (surface - initial) * relative_content, np.nan)
    gradient = np.stack(
        (0.5 * (surface - initial) * slope, relative_content, 1.0 - relative_content), axis=-1
    )
    rows = slice(row, row + 1)
    solution = type(fits.solution)(
        fits.solution.values[rows],
        fits.solution.fitted[rows],
        fits.solution.jacobian[rows],
        fits.solution.converged[rows],
    )
    inverse = parameter_covariance(solution, fits.layers.weight[rows])[0]
    variance = fits.scales.scale[row] ** 2 * np.einsum(
        "...p,pq,...q->...", gradient, inverse, gradient
    )
    return content, fits.scales.t_quantile[row] * np.sqrt(np.maximum(variance, 0.0))


def skin_curve(fits: ProfileFits, layered: LayeredFits, row: int, *, depth: ArrayLike) -> Array:
    """Return the content at depths [mm, any shape] by the two-layer fit of one specimen.

    `row` is the number of the specimen; NaN before the depth that the fit counts from.
    """
    x = np.asarray(depth, dtype=float) - fits.origin_depth[row]
    log_skin, log_core, surface, initial = layered.values[row]
    below = np.maximum(x, 0.0)
    relative_content = mean_two_layer_content(
        below,
        below,
        core=np.exp(log_core) * fits.profiles.exposure[row],
        ratio=np.exp(log_skin - log_core),
        skin=max(layered.depth.value - fits.origin_depth[row], 0.0),
    )
    return np.where(x >= 0.0, initial + (surface - initial) * relative_content, np.nan)
