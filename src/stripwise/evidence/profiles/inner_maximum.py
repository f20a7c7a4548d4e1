"""Whether a profile has its maximum behind the first layers, and how small a rise would be found.

Axes: g specimens, k layers (padded), m used layers moved to the front, j pairs of layers.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from stripwise.evidence.profiles.error_model import (
    CONTENT_FLOOR,
    ERROR_CHOICES,
    ErrorChoice,
    ErrorModel,
    WeightedFit,
    fit_error_model,
    fit_with_error,
    huber_scale,
)
from stripwise.evidence.profiles.layer_averages import mean_layer_content
from stripwise.evidence.profiles.least_squares import Layers, Solution, solve

__all__ = [
    "POWER",
    "MaximumChoice",
    "counted_from",
    "find_inner_maxima",
    "layers_from",
    "search_inner_maxima",
    "smallest_rise_found",
]

Array = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.intp]

MaximumChoice = Literal["auto", "off"] | float
"""Whether maxima inside are judged, or the depth [mm] that all profiles count from."""

FALSE_RATE = 0.01
"""Chance that a profile without a maximum inside is taken for one with it."""

MIN_CONTRAST = 1.5
"""Least contrast in standard errors, however steeply the fitted profile falls."""

MIN_SINGLE = 2.0
"""Standard errors by which each layer of the pair must lie above what a falling profile expects."""

REWEIGHTINGS = 3
ROUNDS = 3

POWER = 0.95
PLAUSIBLE = 6.0
"""Criterion above the lowest up to which a kind of error may be the true one."""

RISES = np.geomspace(0.02, 1.0, 32)
SIMULATED = 200
POWER_SEED = 1


@dataclass(frozen=True, slots=True)
class _Pairs:
    """Contrast of every pair of adjoining layers with the layers before it, (g, j) each."""

    contrast: Array
    standard_error: Array
    expected: Array
    both_above: BoolArray
    mean: Array
    valid: BoolArray


def find_inner_maxima(layers: Layers, error: ErrorModel) -> IntArray:
    """Return the layer of each specimen's maximum inside, (g,); its first used layer without one.

    Two adjoining layers count as a maximum inside if their mean lies above that of the first two
    layers (of the first alone for the pair next to it) by at least 1.5 standard errors, each of
    the two above that mean, and if a profile that falls from the surface as the fitted one does
    would show such a contrast in at most 1 % of specimens, all pairs taken together.

    Parameters
    ----------
    layers
        Layers of weight 0 stay out.
    error
        The error of a reading.
    """
    used = layers.weight > 0
    first = used.argmax(axis=1)
    if not np.isfinite(error.scale) or used.sum(axis=1).max() < 3:
        return np.asarray(first)
    order = np.argsort(~used, axis=1, kind="stable")
    present = np.take_along_axis(used, order, 1)
    content = np.where(present, np.take_along_axis(layers.content, order, 1), 0.0)
    falling = _falling_fit(layers, error)
    fitted = np.where(present, np.take_along_axis(falling.fitted, order, 1), 0.0)
    fitted[~falling.converged] = 0.0  # nothing is expected of a profile that does not fall
    pairs = _pairs(content, fitted, present, error)
    tests = np.maximum(pairs.valid.sum(axis=1, keepdims=True), 1)
    quantile = stats.t.isf(FALSE_RATE / tests, max(error.degrees_of_freedom, 1))
    needed = np.maximum(MIN_CONTRAST, quantile - pairs.expected / pairs.standard_error)
    found = pairs.valid & pairs.both_above & (pairs.contrast >= needed * pairs.standard_error)
    best = np.where(found, pairs.mean, -np.inf).argmax(axis=1)
    rows = np.arange(len(used))
    higher = best + 1 + (content[rows, best + 2] > content[rows, best + 1])
    return np.asarray(np.where(found.any(axis=1), order[rows, higher], first))


def layers_from(layers: Layers, peak: IntArray, *, first: IntArray) -> tuple[Layers, Array]:
    """Leave out the layers before each peak and count depths from its upper face.

    Specimens whose peak is their `first` used layer stay as they are.

    Returns
    -------
    The layers, and (g,) depths [mm] that they now count from.
    """
    used = layers.weight > 0
    origin = np.where(peak > first, np.take_along_axis(layers.upper, peak[:, None], 1)[:, 0], 0.0)
    return counted_from(
        replace(layers, weight=(used & (np.arange(used.shape[1]) >= peak[:, None])).astype(float)),
        origin,
    ), origin


def counted_from(layers: Layers, origin: Array) -> Layers:
    """Count the depths of each specimen from `origin`, (g,) [mm]; none falls below 0."""
    return replace(
        layers,
        upper=np.maximum(layers.upper - origin[:, None], 0.0),
        lower=np.maximum(layers.lower - origin[:, None], 0.0),
    )


def search_inner_maxima(
    layers: Layers, *, choice: ErrorChoice, least: IntArray
) -> tuple[IntArray, ErrorModel]:
    """Find maxima inside together with the error of a reading that they are judged by.

    The error is first that of the layers behind the largest readings, then that of the profiles
    counted from the maxima found.

    Parameters
    ----------
    layers
        Layers of weight 0 stay out.
    choice
        Error model, as of `fit_error_model`.
    least
        (g,) fewest layers of a fit.

    Returns
    -------
    (g,) the layer of each maximum, the first used one without one; and the error.
    """
    first = (layers.weight > 0).argmax(axis=1)
    falling = _last_layers_from_peak(layers, least=least + 1)
    fit = fit_error_model(falling, choice=choice)
    peak = find_inner_maxima(layers, _robust_scale(fit))
    for number in range(ROUNDS):
        behind, _ = layers_from(
            replace(
                falling, weight=np.where((peak > first)[:, None], layers.weight, falling.weight)
            ),
            peak,
            first=first,
        )
        enough = (behind.weight > 0).sum(axis=1) >= least
        counted = behind.take(enough)
        fit = (  # the kind is chosen anew once the profiles count from where they fall
            fit_with_error(counted, fit.error)
            if number
            else fit_error_model(counted, choice=choice)
        )
        before, peak = peak, find_inner_maxima(layers, _robust_scale(fit))
        if (peak == before).all():
            break
    return peak, _robust_scale(fit)


def _robust_scale(fit: WeightedFit) -> ErrorModel:
    """Return the error with a scale that single far readings hardly move."""
    good = fit.solution.converged
    residual = fit.layers.content - fit.solution.fitted
    degrees = fit.error.degrees_of_freedom
    if degrees == 0:
        return fit.error
    weight = fit.layers.weight[good]
    scale = huber_scale(weight * residual[good] ** 2, degrees, number=int((weight > 0).sum()))
    return replace(fit.error, scale=scale)


def _last_layers_from_peak(layers: Layers, *, least: IntArray) -> Layers:
    """Leave out the layers before the largest content, where at least `least` (g,) remain.

    What remains falls with depth whether there is a maximum inside or not, so that its scatter
    about a fit is that of the readings.
    """
    used = layers.weight > 0
    peak = np.where(used, layers.content, -np.inf).argmax(axis=1)
    behind = used & (np.arange(used.shape[1]) >= peak[:, None])
    enough = behind.sum(axis=1) >= least
    return replace(layers, weight=np.where(enough[:, None], behind, used).astype(float))


def smallest_rise_found(layers: Layers, falling: Layers, error: ErrorModel) -> float:
    """Return the rise that is found in 95 of 100 specimens; inf if none up to 100 % is.

    A rise is the mean of the two highest adjoining layers behind the first two over that of the
    first two, less 1. Simulated on the specimen of the middle D and on its layers: readings at the
    first two layers of one content, a profile by the fit behind them. A small file knows neither
    kind nor scale of its error, so the scatter is the upper 95 % limit of what was estimated, and
    the largest rise of all kinds counts whose criterion lies within 6 of the lowest.

    Parameters
    ----------
    layers
        As for `find_inner_maxima`.
    falling
        The layers behind the maxima found.
    error
        The error of a reading.
    """
    if not np.isfinite(error.scale):
        return np.inf
    solution = solve(falling)
    count = (layers.weight > 0).sum(axis=1)
    able = np.flatnonzero(solution.converged & (count >= 5 + np.isnan(layers.initial)))
    if able.size == 0:
        return np.inf
    middle = int(able[np.argsort(solution.values[able, 0], kind="stable")[able.size // 2]])
    rises = [
        _rise_found(layers, solution, middle, _with_upper_scale(model))
        for model in _plausible_errors(falling, error)
    ]
    return max(rises)


def _plausible_errors(falling: Layers, error: ErrorModel) -> list[ErrorModel]:
    """Return the error and those of the other simple kinds that the data cannot tell from it."""
    lowest = min((value for _, value in error.criterion), default=np.inf)
    others: list[ErrorChoice] = [
        kind
        for kind in ERROR_CHOICES
        if kind != error.kind and dict(error.criterion).get(kind, np.inf) - lowest <= PLAUSIBLE
    ]
    fits = (fit_error_model(falling, choice=kind) for kind in others)
    return [error, *(_robust_scale(fit) for fit in fits)]


def _with_upper_scale(error: ErrorModel) -> ErrorModel:
    """Return the error with the upper 95 % limit of its scale, by the chi-square distribution."""
    degrees = error.degrees_of_freedom
    factor = float(np.sqrt(degrees / stats.chi2.ppf(1.0 - POWER, degrees)))
    return replace(error, scale=error.scale * factor)


def _rise_found(layers: Layers, solution: Solution, row: int, error: ErrorModel) -> float:
    """Return the smallest rise tried that is found in 95 of 100 simulated specimens like `row`."""
    used = np.flatnonzero(layers.weight[row] > 0)
    upper, lower = layers.upper[row, used], layers.lower[row, used]
    log_d, surface, initial = solution.values[row]
    length = 2.0 * np.sqrt(np.exp(log_d) * layers.time[row])
    behind, _ = mean_layer_content(upper[2:] - upper[2], lower[2:] - upper[2], length=length)
    inner = initial + (surface - initial) * behind
    noise = np.random.default_rng(POWER_SEED).standard_normal((SIMULATED, used.size))

    def chance(rise: float) -> float:
        level = inner[:2].mean() / (1.0 + rise)
        truth = np.concatenate(([level, level], inner))
        content = np.maximum(truth + error.sd(truth) * noise, 0.0)
        repeated = Layers(
            np.tile(upper, (SIMULATED, 1)),
            np.tile(lower, (SIMULATED, 1)),
            content,
            np.ones_like(content),
            np.full(SIMULATED, layers.time[row]),
            np.full(SIMULATED, initial),
        )
        return float((find_inner_maxima(repeated, error) > 0).mean())

    low, high = -1, RISES.size  # the chance grows with the rise, and the noise stays the same
    while high - low > 1:
        at = (low + high) // 2
        low, high = (low, at) if chance(float(RISES[at])) >= POWER else (at, high)
    return float(RISES[high]) if high < RISES.size else np.inf


def _falling_fit(layers: Layers, error: ErrorModel) -> Solution:
    """Fit a profile that falls from the surface to all used layers."""
    used = layers.weight > 0
    largest = (layers.content * used).max(axis=1, keepdims=True)
    solution = solve(replace(layers, weight=used.astype(float)), tolerance=1e-4)
    for _ in range(REWEIGHTINGS if error.proportional else 0):
        weight = used / error.relative_variance(solution.fitted, floor=CONTENT_FLOOR * largest)
        solution = solve(replace(layers, weight=weight), start=solution.values, tolerance=1e-4)
    return solution


def _pairs(content: Array, fitted: Array, present: BoolArray, error: ErrorModel) -> _Pairs:
    """Compare layers j + 1 and j + 2 with the first min(j + 1, 2), for j from 0 on."""
    one, two = content[:, 1:-1], content[:, 2:]
    base = np.repeat(content[:, :2].mean(axis=1)[:, None], one.shape[1], axis=1)
    expected_base = np.repeat(fitted[:, :2].mean(axis=1)[:, None], one.shape[1], axis=1)
    base[:, 0], expected_base[:, 0] = content[:, 0], fitted[:, 0]
    base_count = np.minimum(np.arange(one.shape[1]) + 1.0, 2.0)
    mean = 0.5 * (one + two)
    expected_mean = 0.5 * (fitted[:, 1:-1] + fitted[:, 2:])
    base_variance = error.sd(base) ** 2 / base_count
    variance = error.sd(mean) ** 2 / 2.0 + base_variance
    above = [
        (layer - base) - (fit - expected_base)
        > MIN_SINGLE * np.sqrt(error.sd(layer) ** 2 + base_variance)
        for layer, fit in ((one, fitted[:, 1:-1]), (two, fitted[:, 2:]))
    ]
    highest_base = np.maximum.accumulate(content[:, :2], axis=1)[
        :, np.minimum(np.arange(one.shape[1]), 1)
    ]
    return _Pairs(
        contrast=mean - base,
        standard_error=np.sqrt(np.maximum(variance, 1e-300)),
        expected=expected_base - expected_mean,
        both_above=above[0] & above[1] & (mean > highest_base),
        mean=mean,
        valid=present[:, 2:],
    )
