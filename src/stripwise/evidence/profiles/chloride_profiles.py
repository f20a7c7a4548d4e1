"""What a set of chloride profiles contains, and what is known once they are fitted.

Axes: g specimens, k layers (padded).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripwise.evidence.profiles.error_model import ErrorModel
from stripwise.evidence.profiles.least_squares import Layers, Solution
from stripwise.evidence.profiles.profile_intervals import FitIntervals, SpecimenScale

__all__ = ["MM2_D_PER_M2_S", "ProfileFits", "Profiles"]

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
    dropped
        (g, k) whether a reading was left out by hand; None if none was.
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
    dropped: BoolArray | None = None

    @property
    def kept(self) -> BoolArray:
        """(g, k) whether there is such a layer that was not left out by hand."""
        return self.present if self.dropped is None else self.present & ~self.dropped


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
        Least squares, weighted by the error of the readings.
    error
        The error of the readings, of one kind and scale for the file.
    scales
        Scale of the error behind the errors of each specimen.
    intervals
        95 % intervals of ln D_a and Cs by the profile of the likelihood.
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
        (g,) root of the residual variance, unweighted, degrees of freedom taken off.
    layers_used
        (g,) number of layers in the fit.
    robust
        Whether the fit is that by Huber's loss.
    flagged
        (g, k) used layers that a robust fit finds far off; they stay in the fit.
    robust_diffusivity
        (g,) D_a by the robust fit [m2/s].
    smallest_rise
        Rise of a maximum inside that such data show in 95 of 100 specimens, as a share; inf where
        none up to 1 is, NaN where maxima were not judged.
    fitted
        (g, k) content by the fit.
    notes
        g texts; what the reader of the fit must know.
    """

    profiles: Profiles
    layers: Layers
    solution: Solution
    error: ErrorModel
    scales: SpecimenScale
    intervals: FitIntervals
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
    robust: bool
    flagged: BoolArray
    robust_diffusivity: Array
    smallest_rise: float
    fitted: Array
    notes: tuple[str, ...]
