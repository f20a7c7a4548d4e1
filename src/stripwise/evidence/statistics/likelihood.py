"""Maximum likelihood parameters, density and moments of each family that is fitted.

Axes: b samples, n values.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import special

__all__ = ["cdf_and_sf", "draw_sample", "fit_parameters", "log_density", "moments"]

Array = NDArray[np.float64]

MAX_ITERATIONS = 60
TOLERANCE = 1e-12


def fit_parameters(family: str, x: Array) -> tuple[Array, Array]:
    """Estimate the two parameters of a family by maximum likelihood.

    Parameters
    ----------
    x
        (b, n) samples along the last axis; of a beta on the scale of its bounds, 0 to 1.

    Returns
    -------
    (b,) mean and sd (normal), those of the logarithm (lognormal), shape and scale (gamma,
    weibull), the two shapes (beta).
    """
    if family == "normal":
        return x.mean(axis=-1), x.std(axis=-1)
    logs = np.log(x)
    if family == "lognormal":
        return logs.mean(axis=-1), logs.std(axis=-1)
    if family == "beta":
        return _fit_beta(x, logs)
    return _fit_gamma(x, logs) if family == "gamma" else _fit_weibull(x, logs)


def _fit_gamma(x: Array, logs: Array) -> tuple[Array, Array]:
    """Solve ln k - digamma(k) = ln(mean) - mean(ln) by Newton in ln k."""
    mean = x.mean(axis=-1)
    excess = np.maximum(np.log(mean) - logs.mean(axis=-1), 1e-15)
    shape = (3.0 - excess + np.sqrt((excess - 3.0) ** 2 + 24.0 * excess)) / (12.0 * excess)
    for _ in range(MAX_ITERATIONS):
        residual = np.log(shape) - special.digamma(shape) - excess
        slope = 1.0 - shape * special.polygamma(1, shape)
        step = np.clip(residual / slope, -1.0, 1.0)
        shape = shape * np.exp(-step)
        if np.max(np.abs(step)) < TOLERANCE:
            break
    return shape, mean / shape


def _fit_weibull(x: Array, logs: Array) -> tuple[Array, Array]:
    """Solve sum(x^k ln x) / sum(x^k) - 1/k = mean(ln x) by Newton in ln k."""
    largest = logs.max(axis=-1, keepdims=True)
    scaled = logs - largest  # so that no power overflows
    shape = np.pi / np.sqrt(6.0) / np.maximum(logs.std(axis=-1), 1e-12)
    for _ in range(MAX_ITERATIONS):
        weight = np.exp(shape[:, np.newaxis] * scaled)
        total = weight.sum(axis=-1)
        first = (weight * scaled).sum(axis=-1) / total
        second = (weight * scaled**2).sum(axis=-1) / total
        residual = first - 1.0 / shape - scaled.mean(axis=-1)
        slope = shape * (second - first**2) + 1.0 / shape
        step = np.clip(residual / slope, -1.0, 1.0)
        shape = shape * np.exp(-step)
        if np.max(np.abs(step)) < TOLERANCE:
            break
    power = np.mean(np.exp(shape[:, np.newaxis] * scaled), axis=-1)
    return shape, np.exp(largest[..., 0] + np.log(power) / shape)


def _fit_beta(x: Array, logs: Array) -> tuple[Array, Array]:
    """Solve digamma(p) - digamma(p + q) = mean(ln x), and for 1 - x, by Newton in ln p, ln q."""
    target = np.stack((logs.mean(axis=-1), np.log1p(-x).mean(axis=-1)), axis=-1)
    mean, variance = x.mean(axis=-1), x.var(axis=-1)
    total = np.maximum(mean * (1.0 - mean) / np.maximum(variance, 1e-15) - 1.0, 0.1)
    shapes = np.stack((mean * total, (1.0 - mean) * total), axis=-1)
    for _ in range(MAX_ITERATIONS):
        both = shapes.sum(axis=-1, keepdims=True)
        residual = special.digamma(shapes) - special.digamma(both) - target
        slope = special.polygamma(1, shapes)
        cross = special.polygamma(1, both[..., 0])
        first, second = slope[..., 0] - cross, slope[..., 1] - cross
        determinant = first * second - cross**2
        newton_step = (
            np.stack(
                (
                    second * residual[..., 0] + cross * residual[..., 1],
                    cross * residual[..., 0] + first * residual[..., 1],
                ),
                axis=-1,
            )
            / determinant[..., None]
        )
        step = np.clip(newton_step / shapes, -1.0, 1.0)
        shapes = shapes * np.exp(-step)
        if np.max(np.abs(step)) < TOLERANCE:
            break
    return shapes[..., 0], shapes[..., 1]


def log_density(family: str, x: Array, first: float, second: float) -> Array:
    """Return the log density at x (any shape) for parameters as `fit_parameters` returns them."""
    if family == "normal":
        return _log_normal(x, first, second)
    logs = np.log(x)
    if family == "lognormal":
        return _log_normal(logs, first, second) - logs
    if family == "gamma":
        return np.asarray(
            (first - 1.0) * logs - x / second - first * math.log(second) - special.gammaln(first)
        )
    if family == "beta":
        rest = (second - 1.0) * np.log1p(-x) - float(special.betaln(first, second))
        return np.asarray((first - 1.0) * logs + rest)
    ratio = logs - math.log(second)
    return np.asarray(math.log(first / second) + (first - 1.0) * ratio - np.exp(first * ratio))


def _log_normal(x: Array, mean: float, sd: float) -> Array:
    return np.asarray(-0.5 * ((x - mean) / sd) ** 2 - math.log(sd) - 0.5 * math.log(2.0 * math.pi))


def moments(family: str, first: float, second: float) -> tuple[float, float]:
    """Return mean and sd for parameters as `fit_parameters` returns them."""
    if family == "normal":
        return first, second
    if family == "lognormal":
        mean = math.exp(first + 0.5 * second**2)
        return mean, mean * math.sqrt(math.expm1(second**2))
    if family == "gamma":
        return first * second, math.sqrt(first) * second
    if family == "beta":
        both = first + second
        return first / both, math.sqrt(first * second / (both + 1.0)) / both
    log_first, log_second = math.lgamma(1.0 + 1.0 / first), math.lgamma(1.0 + 2.0 / first)
    mean = second * math.exp(log_first)
    return mean, mean * math.sqrt(math.expm1(log_second - 2.0 * log_first))


def cdf_and_sf(family: str, x: Array, first: Array, second: Array) -> tuple[Array, Array]:
    """Return F and 1 - F at x, parameters broadcast with it."""
    if family in ("normal", "lognormal"):
        score = ((x if family == "normal" else np.log(x)) - first) / second
        return np.asarray(special.ndtr(score)), np.asarray(special.ndtr(-score))
    if family == "gamma":
        return (
            np.asarray(special.gammainc(first, x / second)),
            np.asarray(special.gammaincc(first, x / second)),
        )
    if family == "beta":
        inside = np.clip(x, 0.0, 1.0)
        return (
            np.asarray(special.betainc(first, second, inside)),
            np.asarray(special.betaincc(first, second, inside)),
        )
    with np.errstate(over="ignore"):  # far above the readings F is 1
        power = (x / second) ** first
    return -np.expm1(-power), np.exp(-power)


def draw_sample(
    family: str, first: float, second: float, shape: tuple[int, int], rng: np.random.Generator
) -> Array:
    """Draw a sample of some shape."""
    if family == "normal":
        return rng.normal(first, second, shape)
    if family == "lognormal":
        return rng.lognormal(first, second, shape)
    if family == "gamma":
        return rng.gamma(first, second, shape)
    if family == "beta":
        return rng.beta(first, second, shape)
    return second * rng.weibull(first, shape)
