"""Fit the families that a scenario knows by maximum likelihood, and tell how well they fit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from stripwise.errors import InputError
from stripwise.inputs.distributions import Distribution, distribution, fixed

__all__ = [
    "FITTED",
    "FittedFamily",
    "anderson_darling",
    "fit_families",
    "fitted_distribution",
    "kolmogorov_smirnov",
    "refitted_shares",
    "with_goodness",
]

Array = NDArray[np.float64]

FITTED = ("normal", "lognormal", "gamma", "weibull")
"""Families with two parameters, no bounds to be chosen, known to a scenario."""

ROUNDS = 60
TOLERANCE = 1e-12

BOOTSTRAP_MOST = 2_000
"""Most values that a bootstrap of the goodness of fit uses; more are thinned at random."""


@dataclass(frozen=True, slots=True)
class FittedFamily:
    """A family fitted by maximum likelihood.

    Attributes
    ----------
    family
        One of `FITTED`.
    mean, sd
        Moments of the fitted distribution, in the unit of the values.
    log_likelihood
        Sum of the log density over the values.
    aic
        Akaike's criterion, 2 * 2 - 2 * log likelihood; lower is better.
    parameters
        Mean and sd, those of the logarithm (lognormal), or shape and scale (gamma, weibull).
    anderson, kolmogorov
        Anderson-Darling and Kolmogorov-Smirnov statistics; NaN until `with_goodness`.
    anderson_p, kolmogorov_p
        Their p-values by parametric bootstrap, parameters fitted anew each time.
    """

    family: str
    mean: float
    sd: float
    log_likelihood: float
    aic: float
    parameters: tuple[float, float]
    anderson: float = math.nan
    anderson_p: float = math.nan
    kolmogorov: float = math.nan
    kolmogorov_p: float = math.nan


def fit_families(
    values: ArrayLike, *, families: Sequence[str] = FITTED
) -> tuple[FittedFamily, ...]:
    """Fit families by maximum likelihood.

    Parameters
    ----------
    values
        (n,) values, finite.
    families
        Some of `FITTED`; those that need values above 0 are left out where one is not.

    Returns
    -------
    The fits, lowest criterion first; empty where all values are equal.

    Raises
    ------
    InputError
        If a family is unknown or a value is not finite.

    References
    ----------
    Akaike (1974), A new look at the statistical model identification.

    Examples
    --------
    >>> best = fit_families([41.0, 44.0, 47.0, 52.0, 60.0])[0]
    >>> best.family, round(best.mean, 1)
    ('lognormal', 48.8)
    """
    x = np.asarray(values, dtype=float)
    if not np.all(np.isfinite(x)):
        raise InputError("values", "must be finite")
    fits = []
    for family in families:
        if family not in FITTED:
            raise InputError("family", f"is {family!r}; must be one of {', '.join(FITTED)}")
        if x.size < 2 or np.ptp(x) == 0 or (family != "normal" and np.min(x) <= 0):
            continue
        one, two = (float(p[0]) for p in _estimate(family, x[np.newaxis]))
        likelihood = float(np.sum(_log_density(family, x, one, two)))
        mean, sd = _moments(family, one, two)
        fits.append(FittedFamily(family, mean, sd, likelihood, 4.0 - 2.0 * likelihood, (one, two)))
    return tuple(sorted(fits, key=lambda fit: fit.aic))


def fitted_distribution(fit: FittedFamily | None, values: ArrayLike) -> Distribution:
    """Return a fitted family as a distribution.

    Parameters
    ----------
    fit
        A fit; None where all values are equal.
    values
        The values.

    Returns
    -------
    The distribution; a constant where all values are equal.
    """
    if fit is None:
        return fixed(float(np.asarray(values, dtype=float).mean()))
    return distribution(fit.family, mean=fit.mean, sd=fit.sd)


def with_goodness(
    fits: Sequence[FittedFamily],
    values: ArrayLike,
    *,
    rng: np.random.Generator,
    step: float = 0.0,
    repeats: int = 500,
) -> tuple[FittedFamily, ...]:
    """Add goodness of fit by parametric bootstrap.

    Parameters
    ----------
    fits
        Fits of these values.
    values
        (n,) values.
    rng
        Source of random numbers.
    step
        Step to which values were rounded; the bootstrap rounds as well. 0 for none.
    repeats
        Samples of the bootstrap.

    Returns
    -------
    The fits with statistics and p-values (1 + samples at least as far) / (1 + repeats).

    References
    ----------
    Stute, Gonzalez Manteiga & Presedo Quindimil (1993), Bootstrap based goodness-of-fit tests.
    Davison & Hinkley (1997), Bootstrap Methods and their Application, 4.2.
    """
    x = np.asarray(values, dtype=float)
    if x.size > BOOTSTRAP_MOST:
        x = rng.choice(x, BOOTSTRAP_MOST, replace=False)
    result = []
    for fit in fits:
        one, two = _estimate(fit.family, x[np.newaxis])
        found = _statistics(fit.family, x[np.newaxis], one, two)
        drawn = _sample(fit.family, float(one[0]), float(two[0]), (repeats, x.size), rng)
        if step > 0:
            drawn = np.round(drawn / step) * step
            if fit.family != "normal":
                drawn = np.maximum(drawn, 0.5 * step)
        again = _statistics(fit.family, drawn, *_estimate(fit.family, drawn))
        p = [(1.0 + np.sum(b >= f[0] * (1.0 - 1e-9))) / (1.0 + repeats)
             for f, b in zip(found, again, strict=True)]  # fmt: skip
        result.append(
            replace(
                fit,
                anderson=float(found[0][0]),
                anderson_p=float(p[0]),
                kolmogorov=float(found[1][0]),
                kolmogorov_p=float(p[1]),
            )
        )
    return tuple(result)


def refitted_shares(
    fit: FittedFamily,
    limit: float,
    *,
    size: int,
    rng: np.random.Generator,
    repeats: int = 1000,
) -> Array:
    """Return the share below a limit in samples drawn from a fit and fitted anew.

    Parameters
    ----------
    fit
        The fit.
    limit
        The limit, in the unit of the values.
    size
        Values per sample.
    rng
        Source of random numbers.
    repeats
        Samples.

    Returns
    -------
    (repeats,) shares; their quantiles are the ends of an interval by parametric bootstrap.
    """
    if fit.family != "normal" and limit <= 0:
        return np.zeros(repeats)
    drawn = _sample(fit.family, *fit.parameters, (repeats, size), rng)
    first, second = _estimate(fit.family, drawn)
    at = np.full((repeats, 1), float(limit))
    low, _ = _probability(fit.family, at, first[:, np.newaxis], second[:, np.newaxis])
    return np.asarray(low[:, 0])


def anderson_darling(probability: ArrayLike, upper: ArrayLike) -> Array:
    """Return the Anderson-Darling statistic.

    Parameters
    ----------
    probability
        (..., n) F at the values, sorted along the last axis.
    upper
        (..., n) 1 - F at the same values.

    Returns
    -------
    (...) statistics.

    References
    ----------
    Anderson & Darling (1954), A test of goodness of fit.
    """
    low = np.maximum(np.asarray(probability, dtype=float), 1e-300)
    high = np.maximum(np.asarray(upper, dtype=float), 1e-300)
    n = low.shape[-1]
    weight = 2.0 * np.arange(1, n + 1) - 1.0
    return np.asarray(-n - np.sum(weight * (np.log(low) + np.log(high[..., ::-1])), axis=-1) / n)


def kolmogorov_smirnov(probability: ArrayLike) -> Array:
    """Return the two-sided Kolmogorov-Smirnov statistic.

    Parameters
    ----------
    probability
        (..., n) F at the values, sorted along the last axis.

    Returns
    -------
    (...) largest distances of the two distribution functions.
    """
    f = np.asarray(probability, dtype=float)
    n = f.shape[-1]
    rank = np.arange(n)
    return np.asarray(
        np.maximum(np.max((rank + 1) / n - f, axis=-1), np.max(f - rank / n, axis=-1))
    )


def _statistics(family: str, x: Array, one: Array, two: Array) -> tuple[Array, Array]:
    ordered = np.sort(x, axis=-1)
    low, high = _probability(family, ordered, one[:, np.newaxis], two[:, np.newaxis])
    return anderson_darling(low, high), kolmogorov_smirnov(low)


def _estimate(family: str, x: Array) -> tuple[Array, Array]:
    """Maximum likelihood along the last axis: mean and sd; of the log; shape and scale."""
    if family == "normal":
        return x.mean(axis=-1), x.std(axis=-1)
    logs = np.log(x)
    if family == "lognormal":
        return logs.mean(axis=-1), logs.std(axis=-1)
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


def _log_density(family: str, x: Array, one: float, two: float) -> Array:
    if family == "normal":
        return _log_normal(x, one, two)
    logs = np.log(x)
    if family == "lognormal":
        return _log_normal(logs, one, two) - logs
    if family == "gamma":
        return np.asarray((one - 1.0) * logs - x / two - one * math.log(two) - special.gammaln(one))
    ratio = logs - math.log(two)
    return np.asarray(math.log(one / two) + (one - 1.0) * ratio - np.exp(one * ratio))


def _log_normal(x: Array, mean: float, sd: float) -> Array:
    return np.asarray(-0.5 * ((x - mean) / sd) ** 2 - math.log(sd) - 0.5 * math.log(2.0 * math.pi))


def _moments(family: str, one: float, two: float) -> tuple[float, float]:
    if family == "normal":
        return one, two
    if family == "lognormal":
        mean = math.exp(one + 0.5 * two**2)
        return mean, mean * math.sqrt(math.expm1(two**2))
    if family == "gamma":
        return one * two, math.sqrt(one) * two
    first, second = math.lgamma(1.0 + 1.0 / one), math.lgamma(1.0 + 2.0 / one)
    mean = two * math.exp(first)
    return mean, mean * math.sqrt(math.expm1(second - 2.0 * first))


def _probability(family: str, x: Array, one: Array, two: Array) -> tuple[Array, Array]:
    """Return F and 1 - F."""
    if family in ("normal", "lognormal"):
        score = ((x if family == "normal" else np.log(x)) - one) / two
        return np.asarray(special.ndtr(score)), np.asarray(special.ndtr(-score))
    if family == "gamma":
        return (
            np.asarray(special.gammainc(one, x / two)),
            np.asarray(special.gammaincc(one, x / two)),
        )
    with np.errstate(over="ignore"):  # far above the readings F is 1
        power = (x / two) ** one
    return -np.expm1(-power), np.exp(-power)


def _sample(
    family: str, one: float, two: float, shape: tuple[int, int], rng: np.random.Generator
) -> Array:
    if family == "normal":
        return rng.normal(one, two, shape)
    if family == "lognormal":
        return rng.lognormal(one, two, shape)
    if family == "gamma":
        return rng.gamma(one, two, shape)
    return two * rng.weibull(one, shape)
