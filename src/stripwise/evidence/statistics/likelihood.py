"""Maximum likelihood parameters, density and moments of each family that is fitted.

Axes: b samples, n values.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

__all__ = [
    "LIKELIHOODS",
    "Likelihood",
    "cdf_and_sf",
    "draw_sample",
    "fit_parameters",
    "fitted_families",
    "log_density",
    "moments",
]

Array = NDArray[np.float64]

MAX_ITERATIONS = 60
TOLERANCE = 1e-12


def _fit_normal(x: Array) -> tuple[Array, Array]:
    return x.mean(axis=-1), x.std(axis=-1)


def _fit_lognormal(x: Array) -> tuple[Array, Array]:
    return _fit_normal(np.log(x))


def _fit_gamma(x: Array) -> tuple[Array, Array]:
    """Solve ln k - digamma(k) = ln(mean) - mean(ln) by Newton in ln k."""
    logs = np.log(x)
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


def _fit_weibull(x: Array) -> tuple[Array, Array]:
    """Solve sum(x^k ln x) / sum(x^k) - 1/k = mean(ln x) by Newton in ln k."""
    logs = np.log(x)
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


def _fit_beta(x: Array) -> tuple[Array, Array]:
    """Solve digamma(p) - digamma(p + q) = mean(ln x), and for 1 - x, by Newton in ln p, ln q."""
    logs = np.log(x)
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


def _normal_density(x: Array, mean: float, sd: float) -> Array:
    return np.asarray(-0.5 * ((x - mean) / sd) ** 2 - math.log(sd) - 0.5 * math.log(2.0 * math.pi))


def _lognormal_density(x: Array, mean: float, sd: float) -> Array:
    logs = np.log(x)
    return _normal_density(logs, mean, sd) - logs


def _gamma_density(x: Array, shape: float, scale: float) -> Array:
    return np.asarray(
        (shape - 1.0) * np.log(x) - x / scale - shape * math.log(scale) - special.gammaln(shape)
    )


def _weibull_density(x: Array, shape: float, scale: float) -> Array:
    ratio = np.log(x) - math.log(scale)
    return np.asarray(math.log(shape / scale) + (shape - 1.0) * ratio - np.exp(shape * ratio))


def _beta_density(x: Array, first: float, second: float) -> Array:
    rest = (second - 1.0) * np.log1p(-x) - float(special.betaln(first, second))
    return np.asarray((first - 1.0) * np.log(x) + rest)


def _normal_moments(mean: float, sd: float) -> tuple[float, float]:
    return mean, sd


def _lognormal_moments(log_mean: float, log_sd: float) -> tuple[float, float]:
    mean = math.exp(log_mean + 0.5 * log_sd**2)
    return mean, mean * math.sqrt(math.expm1(log_sd**2))


def _gamma_moments(shape: float, scale: float) -> tuple[float, float]:
    return shape * scale, math.sqrt(shape) * scale


def _weibull_moments(shape: float, scale: float) -> tuple[float, float]:
    log_first, log_second = math.lgamma(1.0 + 1.0 / shape), math.lgamma(1.0 + 2.0 / shape)
    mean = scale * math.exp(log_first)
    return mean, mean * math.sqrt(math.expm1(log_second - 2.0 * log_first))


def _beta_moments(first: float, second: float) -> tuple[float, float]:
    both = first + second
    return first / both, math.sqrt(first * second / (both + 1.0)) / both


def _normal_tails(x: Array, mean: Array, sd: Array) -> tuple[Array, Array]:
    score = (x - mean) / sd
    return np.asarray(special.ndtr(score)), np.asarray(special.ndtr(-score))


def _lognormal_tails(x: Array, mean: Array, sd: Array) -> tuple[Array, Array]:
    return _normal_tails(np.log(x), mean, sd)


def _gamma_tails(x: Array, shape: Array, scale: Array) -> tuple[Array, Array]:
    return (
        np.asarray(special.gammainc(shape, x / scale)),
        np.asarray(special.gammaincc(shape, x / scale)),
    )


def _weibull_tails(x: Array, shape: Array, scale: Array) -> tuple[Array, Array]:
    with np.errstate(over="ignore"):  # far above the readings F is 1
        power = (x / scale) ** shape
    return -np.expm1(-power), np.exp(-power)


def _beta_tails(x: Array, first: Array, second: Array) -> tuple[Array, Array]:
    inside = np.clip(x, 0.0, 1.0)
    return (
        np.asarray(special.betainc(first, second, inside)),
        np.asarray(special.betaincc(first, second, inside)),
    )


Draw = Callable[[np.random.Generator, float, float, tuple[int, int]], Array]


@dataclass(frozen=True, slots=True)
class Likelihood:
    """How one family is fitted; its two parameters are those that `fit` returns.

    Attributes
    ----------
    fit
        (b, n) samples to the (b,) parameters of greatest likelihood.
    log_density
        Values of any shape and parameters to the log density.
    moments
        Parameters to mean and sd.
    tails
        Values and parameters, broadcast, to F and 1 - F.
    draw
        Generator, parameters and shape to a sample.
    positive
        Whether the values must be above 0.
    bounded
        Whether bounds must be stated; values and parameters are then on their scale, 0 to 1.
    """

    fit: Callable[[Array], tuple[Array, Array]]
    log_density: Callable[[Array, float, float], Array]
    moments: Callable[[float, float], tuple[float, float]]
    tails: Callable[[Array, Array, Array], tuple[Array, Array]]
    draw: Draw
    positive: bool = True
    bounded: bool = False


LIKELIHOODS = {
    "normal": Likelihood(
        _fit_normal,
        _normal_density,
        _normal_moments,
        _normal_tails,
        np.random.Generator.normal,
        positive=False,
    ),
    "lognormal": Likelihood(
        _fit_lognormal,
        _lognormal_density,
        _lognormal_moments,
        _lognormal_tails,
        np.random.Generator.lognormal,
    ),
    "gamma": Likelihood(
        _fit_gamma, _gamma_density, _gamma_moments, _gamma_tails, np.random.Generator.gamma
    ),
    "weibull": Likelihood(
        _fit_weibull,
        _weibull_density,
        _weibull_moments,
        _weibull_tails,
        lambda rng, shape, scale, size: scale * rng.weibull(shape, size),
    ),
    "beta": Likelihood(
        _fit_beta,
        _beta_density,
        _beta_moments,
        _beta_tails,
        np.random.Generator.beta,
        bounded=True,
    ),
}
"""Every family of a scenario that a fit may choose, in the order of every list."""


def fitted_families() -> tuple[str, ...]:
    """Return the families with two parameters and no bounds to be stated."""
    return tuple(name for name, row in LIKELIHOODS.items() if not row.bounded)


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
    return LIKELIHOODS[family].fit(x)


def log_density(family: str, x: Array, first: float, second: float) -> Array:
    """Return the log density at x (any shape) for parameters as `fit_parameters` returns them."""
    return LIKELIHOODS[family].log_density(x, first, second)


def moments(family: str, first: float, second: float) -> tuple[float, float]:
    """Return mean and sd for parameters as `fit_parameters` returns them."""
    return LIKELIHOODS[family].moments(first, second)


def cdf_and_sf(family: str, x: Array, first: Array, second: Array) -> tuple[Array, Array]:
    """Return F and 1 - F at x, parameters broadcast with it."""
    return LIKELIHOODS[family].tails(x, first, second)


def draw_sample(
    family: str, first: float, second: float, shape: tuple[int, int], rng: np.random.Generator
) -> Array:
    """Draw a sample of some shape."""
    return LIKELIHOODS[family].draw(rng, first, second, shape)
