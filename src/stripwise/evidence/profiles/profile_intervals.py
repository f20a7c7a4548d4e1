"""How far diffusivity and surface content may lie from the fit, by the profile of the likelihood.

Axes: g specimens, k layers (padded).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from stripwise.evidence.profiles.error_model import WeightedFit, degrees_of_freedom
from stripwise.evidence.profiles.layer_averages import mean_layer_content
from stripwise.evidence.profiles.least_squares import Layers, fit_linear_contents

__all__ = ["FitIntervals", "SpecimenScale", "profile_intervals", "specimen_scales"]

Array = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

OWN_SCALE_LEVEL = 0.01
"""Level of the F test by which a specimen scatters more than the others."""

MAX_LOG_STEP = 6.0
"""Largest distance from ln D that is searched; beyond it an end is 0 or inf."""

BISECTIONS = 40
GRID = 61


@dataclass(frozen=True, slots=True)
class SpecimenScale:
    """Scale of the error of g specimens: that of the file, or its own where it scatters more.

    `scale` and `degrees_of_freedom` (g,); `own` (g,) whether it is its own.
    """

    scale: Array
    degrees_of_freedom: Array
    own: BoolArray

    @property
    def t_quantile(self) -> Array:
        """Quantile 0.975 of t, (g,)."""
        return np.asarray(stats.t.ppf(0.975, self.degrees_of_freedom))


@dataclass(frozen=True, slots=True)
class FitIntervals:
    """95 % intervals, (g,) each: ln D [ln(mm2/d)] and Cs."""

    log_d_low: Array
    log_d_high: Array
    surface_low: Array
    surface_high: Array


def specimen_scales(fit: WeightedFit) -> SpecimenScale:
    """Take the scale of the file, or a specimen's own where an F test at 1 % finds it larger."""
    own_degrees = np.maximum(degrees_of_freedom(fit.layers), 0)
    squares = (fit.layers.weight * (fit.layers.content - fit.solution.fitted) ** 2).sum(axis=1)
    rest = fit.error.degrees_of_freedom - own_degrees
    rest_squares = np.maximum(fit.error.scale**2 * fit.error.degrees_of_freedom - squares, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        own_variance = squares / own_degrees
        ratio = own_variance / (rest_squares / rest)
        p = stats.f.sf(ratio, own_degrees, rest)
    own = (own_degrees > 0) & (rest > 0) & (p < OWN_SCALE_LEVEL)
    return SpecimenScale(
        np.where(own, np.sqrt(own_variance), fit.error.scale),
        np.where(own, own_degrees, fit.error.degrees_of_freedom).astype(float),
        own,
    )


def profile_intervals(fit: WeightedFit, scales: SpecimenScale) -> FitIntervals:
    """Return 95 % intervals of ln D and Cs of every specimen.

    An end is where the least weighted squares for a given value rise by t^2 scale^2, with t of the
    degrees of freedom behind the scale; the weights stay those of the fit.

    References
    ----------
    Bates and Watts, Nonlinear Regression Analysis and Its Applications, 1988, chapter 6
    (recalled); Venzon and Moolgavkar, Appl. Stat. 37, 1988 (recalled).
    """
    level = (scales.t_quantile * scales.scale) ** 2
    centre = fit.solution.values[:, 0]
    least = _at(fit.layers, centre)[0]
    count = len(centre)
    both = fit.layers.take(np.tile(np.arange(count), 2))
    middles, sign = np.tile(centre, 2), np.repeat([-1.0, 1.0], count)
    floor, allowed = np.tile(least, 2), np.tile(level, 2)
    inner, outer = np.zeros(2 * count), np.full(2 * count, MAX_LOG_STEP)
    inside = _at(both, middles + sign * outer)[0] - floor < allowed
    for _ in range(BISECTIONS):
        half = 0.5 * (inner + outer)
        below = _at(both, middles + sign * half)[0] - floor < allowed
        inner, outer = np.where(below, half, inner), np.where(below, outer, half)
    edge = middles + sign * np.where(inside, MAX_LOG_STEP, 0.5 * (inner + outer))
    lowest, highest = edge[:count], edge[count:]
    low, high = np.full(count, np.inf), np.full(count, -np.inf)
    # for a given D the squares are a parabola in Cs, so that its ends lie on the edge of a region
    place = np.linspace(-1.0, 1.0, GRID)
    for x in place:
        log_d = centre + x * np.where(x < 0.0, centre - lowest, highest - centre)
        squares, surface, curvature = _at(fit.layers, log_d)
        room = np.sqrt(np.maximum(level - (squares - least), 0.0) / curvature)
        within = squares - least <= level * (1.0 + 1e-6)
        low = np.where(within, np.minimum(low, surface - room), low)
        high = np.where(within, np.maximum(high, surface + room), high)
    unbounded = np.where(inside, sign * np.inf, edge)
    return FitIntervals(unbounded[:count], unbounded[count:], low, high)


def _at(layers: Layers, log_d: Array) -> tuple[Array, Array, Array]:
    """Return, for given ln D (g,): least weighted squares, Cs there, and the curvature by Cs."""
    length = 2.0 * np.sqrt(np.exp(log_d) * layers.time)
    share, _ = mean_layer_content(layers.upper, layers.lower, length=length[:, None])
    free = np.isnan(layers.initial)
    rise, initial = fit_linear_contents(layers, share, free)
    rise = np.where(np.isfinite(rise), rise, 0.0)
    weight = layers.weight
    residual = layers.content - initial[:, None] - rise[:, None] * share
    curvature = (weight * share**2).sum(axis=1)
    rest = (weight * (1.0 - share) ** 2).sum(axis=1)
    cross = (weight * share * (1.0 - share)).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        curvature = np.where(free, curvature - cross**2 / rest, curvature)
    return (weight * residual**2).sum(axis=1), initial + rise, np.maximum(curvature, 1e-300)
