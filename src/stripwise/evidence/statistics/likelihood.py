"""Maximum likelihood of the families that a fit knows, many samples at once.

Axes: b samples, n values.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import special

__all__ = ["estimate", "log_density", "moments", "probability", "sample"]

Array = NDArray[np.float64]

ROUNDS = 60
TOLERANCE = 1e-12


def estimate(family: str, x: Array) -> tuple[Array, Array]:
    """Estimate the two parameters of a family by maximum likelihood.

    Parameters
    ----------
    family
        Its name.
    x
        (b, n) samples along the last axis; of a beta in units of its bounds, 0 to 1.

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
        return _beta(x, logs)
    return _gamma(x, logs) if family == "gamma" else _weibull(x, logs)


def _gamma(x: Array, logs: Array) -> tuple[Array, Array]:
    """Solve ln k - digamma(k) = ln(mean) - mean(ln) by Newton in ln k."""
    mean = x.mean(axis=-1)
    excess = np.maximum(np.log(mean) - logs.mean(axis=-1), 1e-15)
    shape = (3.0 - excess + np.sqrt((excess - 3.0) ** 2 + 24.0 * excess)) / (12.0 * excess)
    for _ in range(ROUNDS):
        miss = np.log(shape) - special.digamma(shape) - excess
        slope = 1.0 - shape * special.polygamma(1, shape)
        move = np.clip(miss / slope, -1.0, 1.0)
        shape = shape * np.exp(-move)
        if np.max(np.abs(move)) < TOLERANCE:
            break
    return shape, mean / shape


def _weibull(x: Array, logs: Array) -> tuple[Array, Array]:
    """Solve sum(x^k ln x) / sum(x^k) - 1/k = mean(ln x) by Newton in ln k."""
    top = logs.max(axis=-1, keepdims=True)
    u = logs - top  # so that no power overflows
    shape = np.pi / np.sqrt(6.0) / np.maximum(logs.std(axis=-1), 1e-12)
    for _ in range(ROUNDS):
        weight = np.exp(shape[:, np.newaxis] * u)
        total = weight.sum(axis=-1)
        first = (weight * u).sum(axis=-1) / total
        second = (weight * u**2).sum(axis=-1) / total
        miss = first - 1.0 / shape - u.mean(axis=-1)
        slope = shape * (second - first**2) + 1.0 / shape
        move = np.clip(miss / slope, -1.0, 1.0)
        shape = shape * np.exp(-move)
        if np.max(np.abs(move)) < TOLERANCE:
            break
    power = np.mean(np.exp(shape[:, np.newaxis] * u), axis=-1)
    return shape, np.exp(top[..., 0] + np.log(power) / shape)


def _beta(x: Array, logs: Array) -> tuple[Array, Array]:
    """Solve digamma(p) - digamma(p + q) = mean(ln x), and for 1 - x, by Newton in ln p, ln q."""
    goal = np.stack((logs.mean(axis=-1), np.log1p(-x).mean(axis=-1)), axis=-1)
    mean, variance = x.mean(axis=-1), x.var(axis=-1)
    total = np.maximum(mean * (1.0 - mean) / np.maximum(variance, 1e-15) - 1.0, 0.1)
    shapes = np.stack((mean * total, (1.0 - mean) * total), axis=-1)
    for _ in range(ROUNDS):
        both = shapes.sum(axis=-1, keepdims=True)
        miss = special.digamma(shapes) - special.digamma(both) - goal
        slope = special.polygamma(1, shapes)
        cross = special.polygamma(1, both[..., 0])
        first, second = slope[..., 0] - cross, slope[..., 1] - cross
        determinant = first * second - cross**2
        step = (
            np.stack(
                (
                    second * miss[..., 0] + cross * miss[..., 1],
                    cross * miss[..., 0] + first * miss[..., 1],
                ),
                axis=-1,
            )
            / determinant[..., None]
        )
        move = np.clip(step / shapes, -1.0, 1.0)
        shapes = shapes * np.exp(-move)
        if np.max(np.abs(move)) < TOLERANCE:
            break
    return shapes[..., 0], shapes[..., 1]


def log_density(family: str, x: Array, one: float, two: float) -> Array:
    """Return the log density at x (any shape) for parameters as `estimate` returns them."""
    if family == "normal":
        return _log_normal(x, one, two)
    logs = np.log(x)
    if family == "lognormal":
        return _log_normal(logs, one, two) - logs
    if family == "gamma":
        return np.asarray((one - 1.0) * logs - x / two - one * math.log(two) - special.gammaln(one))
    if family == "beta":
        rest = (two - 1.0) * np.log1p(-x) - float(special.betaln(one, two))
        return np.asarray((one - 1.0) * logs + rest)
    ratio = logs - math.log(two)
    return np.asarray(math.log(one / two) + (one - 1.0) * ratio - np.exp(one * ratio))


def _log_normal(x: Array, mean: float, sd: float) -> Array:
    return np.asarray(-0.5 * ((x - mean) / sd) ** 2 - math.log(sd) - 0.5 * math.log(2.0 * math.pi))


def moments(family: str, one: float, two: float) -> tuple[float, float]:
    """Return mean and sd for parameters as `estimate` returns them."""
    if family == "normal":
        return one, two
    if family == "lognormal":
        mean = math.exp(one + 0.5 * two**2)
        return mean, mean * math.sqrt(math.expm1(two**2))
    if family == "gamma":
        return one * two, math.sqrt(one) * two
    if family == "beta":
        both = one + two
        return one / both, math.sqrt(one * two / (both + 1.0)) / both
    first, second = math.lgamma(1.0 + 1.0 / one), math.lgamma(1.0 + 2.0 / one)
    mean = two * math.exp(first)
    return mean, mean * math.sqrt(math.expm1(second - 2.0 * first))


def probability(family: str, x: Array, one: Array, two: Array) -> tuple[Array, Array]:
    """Return F and 1 - F at x, parameters broadcast with it."""
    if family in ("normal", "lognormal"):
        score = ((x if family == "normal" else np.log(x)) - one) / two
        return np.asarray(special.ndtr(score)), np.asarray(special.ndtr(-score))
    if family == "gamma":
        return (
            np.asarray(special.gammainc(one, x / two)),
            np.asarray(special.gammaincc(one, x / two)),
        )
    if family == "beta":
        inside = np.clip(x, 0.0, 1.0)
        return (
            np.asarray(special.betainc(one, two, inside)),
            np.asarray(special.betaincc(one, two, inside)),
        )
    with np.errstate(over="ignore"):  # far above the readings F is 1
        power = (x / two) ** one
    return -np.expm1(-power), np.exp(-power)


def sample(
    family: str, one: float, two: float, shape: tuple[int, int], rng: np.random.Generator
) -> Array:
    """Draw a sample of some shape."""
    if family == "normal":
        return rng.normal(one, two, shape)
    if family == "lognormal":
        return rng.lognormal(one, two, shape)
    if family == "gamma":
        return rng.gamma(one, two, shape)
    if family == "beta":
        return rng.beta(one, two, shape)
    return two * rng.weibull(one, shape)
