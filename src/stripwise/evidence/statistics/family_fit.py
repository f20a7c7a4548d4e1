"""Fit the families that a scenario knows by maximum likelihood, and tell how well they fit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from stripwise.distributions.distribution import Distribution, distribution, fixed
from stripwise.errors import InputError
from stripwise.evidence.statistics.likelihood import (
    estimate,
    log_density,
    moments,
    probability,
    sample,
)

__all__ = [
    "BETA",
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

BETA = "beta"
"""A fifth family where its bounds are stated."""

EDGE = 1e-12
"""Distance from its bounds, over their distance, that a drawn beta keeps."""

BOOTSTRAP_MOST = 2_000
"""Most values of a bootstrap sample: more are thinned at random for the goodness of fit; the spread
of a share is scaled."""


@dataclass(frozen=True, slots=True)
class FittedFamily:
    """A family fitted by maximum likelihood.

    Attributes
    ----------
    family
        One of `FITTED`, or "beta".
    mean, sd
        Moments of the fitted distribution, in the unit of the values.
    log_likelihood
        Sum of the log density over the values.
    aic
        Akaike's criterion, 2 * 2 - 2 * log likelihood; lower is better.
    parameters
        Mean and sd, those of the logarithm (lognormal), shape and scale (gamma, weibull), or the
        two shapes (beta).
    anderson, kolmogorov
        Anderson-Darling and Kolmogorov-Smirnov statistics; NaN until `with_goodness`.
    anderson_p, kolmogorov_p
        Their p-values by parametric bootstrap, parameters fitted anew each time.
    low, high
        Stated bounds of a beta; NaN for the others.
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
    low: float = math.nan
    high: float = math.nan

    def inward(self, x: Array) -> Array:
        """Return values in the units of the parameters: of a beta from 0 to 1 over its bounds."""
        return (x - self.low) / (self.high - self.low) if self.family == BETA else x

    def outward(self, x: Array) -> Array:
        """Undo `inward`."""
        return self.low + (self.high - self.low) * x if self.family == BETA else x


def fit_families(
    values: ArrayLike,
    *,
    families: Sequence[str] = FITTED,
    bounds: tuple[float, float] | None = None,
) -> tuple[FittedFamily, ...]:
    """Fit families by maximum likelihood.

    Parameters
    ----------
    values
        (n,) values, finite.
    families
        Some of `FITTED`; those that need values above 0 are left out where one is not.
    bounds
        Bounds of a beta, which is then fitted too; no beta without them.

    Returns
    -------
    The fits, lowest criterion first; empty where all values are equal.

    Raises
    ------
    InputError
        If a family is unknown, a value is not finite, or one lies outside the bounds.

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
        one, two = (float(p[0]) for p in estimate(family, x[np.newaxis]))
        likelihood = float(np.sum(log_density(family, x, one, two)))
        mean, sd = moments(family, one, two)
        fits.append(FittedFamily(family, mean, sd, likelihood, 4.0 - 2.0 * likelihood, (one, two)))
    if bounds is not None and x.size > 1 and np.ptp(x) > 0:
        fits.append(_fit_beta(x, *bounds))
    return tuple(sorted(fits, key=lambda fit: fit.aic))


def _fit_beta(x: Array, low: float, high: float) -> FittedFamily:
    if not low < float(x.min()) <= float(x.max()) < high:
        raise InputError(
            "bounds", f"{low:g} to {high:g} must hold every value, {x.min():g} to {x.max():g}"
        )
    width = high - low
    y = (x - low) / width
    one, two = (float(p[0]) for p in estimate(BETA, y[np.newaxis]))
    likelihood = float(np.sum(log_density(BETA, y, one, two))) - x.size * math.log(width)
    mean, sd = moments(BETA, one, two)
    return FittedFamily(
        BETA,
        low + width * mean,
        width * sd,
        likelihood,
        4.0 - 2.0 * likelihood,
        (one, two),
        low=low,
        high=high,
    )


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
    if fit.family == BETA:
        return distribution(BETA, mean=fit.mean, sd=fit.sd, low=fit.low, high=fit.high)
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
        inward = fit.inward(x)[np.newaxis]
        one, two = estimate(fit.family, inward)
        found = _statistics(fit.family, inward, one, two)
        drawn = sample(fit.family, float(one[0]), float(two[0]), (repeats, x.size), rng)
        if fit.family == BETA:
            drawn = np.clip(drawn, EDGE, 1.0 - EDGE)
        if step > 0:
            drawn = np.round(fit.outward(drawn) / step) * step
            if fit.family == BETA:
                # to the bounds a reading comes no closer than half a step
                drawn = np.clip(drawn, fit.low + 0.5 * step, fit.high - 0.5 * step)
            elif fit.family != "normal":
                drawn = np.maximum(drawn, 0.5 * step)
            drawn = fit.inward(drawn)
        again = _statistics(fit.family, drawn, *estimate(fit.family, drawn))
        p = [
            (1.0 + np.sum(b >= f[0] * (1.0 - 1e-9))) / (1.0 + repeats)
            for f, b in zip(found, again, strict=True)
        ]
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
    drawn = sample(fit.family, *fit.parameters, (repeats, min(size, BOOTSTRAP_MOST)), rng)
    if fit.family == BETA:
        drawn = np.clip(drawn, EDGE, 1.0 - EDGE)
    first, second = estimate(fit.family, drawn)
    at = fit.inward(np.full((repeats, 1), float(limit)))
    low, _ = probability(fit.family, at, first[:, np.newaxis], second[:, np.newaxis])
    if size <= BOOTSTRAP_MOST:
        return np.asarray(low[:, 0])
    # the spread of smaller samples, scaled to the size where it shrinks with its root
    one, two = (np.full((1, 1), p) for p in fit.parameters)
    centre = special.ndtri(probability(fit.family, at[:1], one, two)[0][0, 0])
    away = (special.ndtri(low[:, 0]) - centre) * np.sqrt(BOOTSTRAP_MOST / size)
    return np.asarray(special.ndtr(centre + np.where(np.isfinite(away), away, 0.0)))


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
    low, high = probability(family, ordered, one[:, np.newaxis], two[:, np.newaxis])
    return anderson_darling(low, high), kolmogorov_smirnov(low)
