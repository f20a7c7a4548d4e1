"""What a set of chloride profiles contains, and what is known once they are fitted.

Axes: g specimens, k layers (padded).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripwise.evidence.profiles.least_squares import Layers, Solution

__all__ = ["MM2_D_PER_M2_S", "BootstrapIntervals", "ProfileFits", "Profiles"]

Array = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

MM2_D_PER_M2_S = 8.64e10
"""Factor from m2/s to mm2/d."""


@dataclass(frozen=True, slots=True)
class Profiles:
    """Ground profiles of g specimens, layers by depth, padded to k.

    Attributes
    ----------
    specimens, strategies
        g names; the strategy is the curing that the specimen got.
    upper, lower
        (g, k) faces of the layers [mm]; equal for readings at points.
    content
        (g, k) chloride, in the unit of `basis`.
    present
        (g, k) whether there is such a layer.
    exposure
        (g,) exposure to chloride [d].
    initial
        (g,) initial content, measured deep; NaN where it was not.
    basis
        "pct", "pct_binder", "pct_paste" or "kg_m3": % by mass of concrete, of binder or of paste, or
        kg per m3.
    file
        Name of the file for messages.
    """

    specimens: tuple[str, ...]
    strategies: tuple[str, ...]
    upper: Array
    lower: Array
    content: Array
    present: BoolArray
    exposure: Array
    initial: Array
    basis: str = "pct"
    file: str = ""


@dataclass(frozen=True, slots=True)
class ProfileFits:
    """Fits of g profiles.

    Attributes
    ----------
    profiles
        What was fitted.
    layers
        The layers as they entered the fit: weight 0 left out, depths from `origin_depth`.
    solution
        Least squares, all used layers with weight 1.
    origin_depth
        (g,) depth that the fit counts from [mm]: 0, or where the maximum lies.
    diffusivity, diffusivity_se
        (g,) D_a [m2/s] and its standard error, NaN where no degree of freedom is left.
    log_variance
        (g,) variance of ln D_a.
    surface, surface_se, initial, initial_se
        (g,) Cs at `origin_depth` and C0, in the unit of the profile; the error of a fixed C0 is 0.
    correlation
        (g,) correlation of the estimates of Cs and D_a.
    rmse
        (g,) root of the residual variance, degrees of freedom taken off.
    layers_used
        (g,) number of layers in the fit.
    flagged
        (g, k) used layers that a robust fit finds far off; they stay in the fit.
    robust_diffusivity
        (g,) D_a by the robust fit [m2/s].
    fitted
        (g, k) content by the fit.
    notes
        g texts; what the reader of the fit must know.
    """

    profiles: Profiles
    layers: Layers
    solution: Solution
    origin_depth: Array
    diffusivity: Array
    diffusivity_se: Array
    log_variance: Array
    surface: Array
    surface_se: Array
    initial: Array
    initial_se: Array
    correlation: Array
    rmse: Array
    layers_used: NDArray[np.intp]
    flagged: BoolArray
    robust_diffusivity: Array
    fitted: Array
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class BootstrapIntervals:
    """2.5 % and 97.5 % quantiles over the repeats, (g,) each; D in m2/s."""

    diffusivity_low: Array
    diffusivity_high: Array
    surface_low: Array
    surface_high: Array
