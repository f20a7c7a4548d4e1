"""Which family of distributions fits the values, with which parameters, and how well."""

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
    LIKELIHOODS,
    cdf_and_sf,
    draw_sample,
    fit_parameters,
    fitted_families,
    log_density,
    moments,
)

__all__ = [
    "BETA",
    "FittedFamily",
    "anderson_darling",
    "bootstrap_shares",
    "fit_families",
    "fitted_distribution",
    "kolmogorov_smirnov",
    "with_goodness_of_fit",
]

Array = NDArray[np.float64]

BETA = "beta"
"""A fifth family where its bounds are stated."""

BETA_EDGE = 1e-12
"""Smallest distance of a simulated beta from its bounds, on the scale 0 to 1."""

BOOTSTRAP_SAMPLES = 500
"""Samples of the bootstrap of the goodness of fit."""

MAX_BOOTSTRAP_SIZE = 2_000
"""Most values of a bootstrap sample: more are thinned at random for the goodness of fit; the spread
of a share is scaled."""


@dataclass(frozen=True, slots=True)
class FittedFamily:
    """A family fitted by maximum likelihood.

    Attributes
    ----------
    family
        One of `fitted_families`, or "beta".
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
        Anderson-Darling and Kolmogorov-Smirnov statistics; NaN until `with_goodness_of_fit`.
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

    def to_parameter_scale(self, x: Array) -> Array:
        """Return values on the scale of the parameters: of a beta from 0 to 1."""
        return (x - self.low) / (self.high - self.low) if self.family == BETA else x

    def from_parameter_scale(self, x: Array) -> Array:
        """Undo `to_parameter_scale`."""
        return self.low + (self.high - self.low) * x if self.family == BETA else x


def fit_families(
    values: ArrayLike,
    *,
    families: Sequence[str] | None = None,
    bounds: tuple[float, float] | None = None,
) -> tuple[FittedFamily, ...]:
    """Fit families by maximum likelihood.

    Parameters
    ----------
    values
        (n,) values, finite.
    families
        Names out of `fitted_families`, all unless given; those that need values above 0 are left out where one
        is not.
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
    known = fitted_families()
    for family in known if families is None else families:
        if family not in known:
            raise InputError("family", f"is {family!r}; must be one of {', '.join(known)}")
        if x.size < 2 or np.ptp(x) == 0 or (LIKELIHOODS[family].positive and np.min(x) <= 0):
            continue
        first, second = (float(p[0]) for p in fit_parameters(family, x[np.newaxis]))
        likelihood = float(np.sum(log_density(family, x, first, second)))
        mean, sd = moments(family, first, second)
        fits.append(
            FittedFamily(family, mean, sd, likelihood, 4.0 - 2.0 * likelihood, (first, second))
        )
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
    first, second = (float(p[0]) for p in fit_parameters(BETA, y[np.newaxis]))
    likelihood = float(np.sum(log_density(BETA, y, first, second))) - x.size * math.log(width)
    mean, sd = moments(BETA, first, second)
    return FittedFamily(
        BETA,
        low + width * mean,
        width * sd,
        likelihood,
        4.0 - 2.0 * likelihood,
        (first, second),
        low=low,
        high=high,
    )


def fitted_distribution(fit: FittedFamily | None, values: ArrayLike) -> Distribution:
    """Return a fitted family as a distribution.

    `fit` is None where all values are equal; the distribution is then a constant.
    """
    if fit is None:
        return fixed(float(np.asarray(values, dtype=float).mean()))
    if fit.family == BETA:
        return distribution(BETA, mean=fit.mean, sd=fit.sd, low=fit.low, high=fit.high)
    return distribution(fit.family, mean=fit.mean, sd=fit.sd)


def with_goodness_of_fit(
    fits: Sequence[FittedFamily],
    values: ArrayLike,
    *,
    rng: np.random.Generator,
    step: float = 0.0,
    repeats: int | None = None,
) -> tuple[FittedFamily, ...]:
    """Add goodness of fit by parametric bootstrap.

    Parameters
    ----------
    values
        (n,) values that were fitted.
    step
        Step to which values were rounded; the bootstrap rounds as well. 0 for none.
    repeats
        Samples of the bootstrap, `BOOTSTRAP_SAMPLES` unless given.

    Returns
    -------
    The fits with statistics and p-values (1 + samples at least as far) / (1 + repeats).

    References
    ----------
    Stute, Gonzalez Manteiga & Presedo Quindimil (1993), Bootstrap based goodness-of-fit tests.
    Davison & Hinkley (1997), Bootstrap Methods and their Application, 4.2.
    """
    repeats = BOOTSTRAP_SAMPLES if repeats is None else repeats
    x = np.asarray(values, dtype=float)
    if x.size > MAX_BOOTSTRAP_SIZE:
        x = rng.choice(x, MAX_BOOTSTRAP_SIZE, replace=False)
    result = []
    for fit in fits:
        scaled = fit.to_parameter_scale(x)[np.newaxis]
        first, second = fit_parameters(fit.family, scaled)
        observed = _statistics(fit.family, scaled, first, second)
        simulated = draw_sample(
            fit.family, float(first[0]), float(second[0]), (repeats, x.size), rng
        )
        if fit.family == BETA:
            simulated = np.clip(simulated, BETA_EDGE, 1.0 - BETA_EDGE)
        if step > 0:
            simulated = np.round(fit.from_parameter_scale(simulated) / step) * step
            if fit.family == BETA:
                # a rounded reading comes no closer to the bounds than half a step
                simulated = np.clip(simulated, fit.low + 0.5 * step, fit.high - 0.5 * step)
            elif LIKELIHOODS[fit.family].positive:
                simulated = np.maximum(simulated, 0.5 * step)
            simulated = fit.to_parameter_scale(simulated)
        refitted = _statistics(fit.family, simulated, *fit_parameters(fit.family, simulated))
        p = [
            (1.0 + np.sum(b >= f[0] * (1.0 - 1e-9))) / (1.0 + repeats)
            for f, b in zip(observed, refitted, strict=True)
        ]
        result.append(
            replace(
                fit,
                anderson=float(observed[0][0]),
                anderson_p=float(p[0]),
                kolmogorov=float(observed[1][0]),
                kolmogorov_p=float(p[1]),
            )
        )
    return tuple(result)


def bootstrap_shares(
    fit: FittedFamily,
    limit: float,
    *,
    size: int,
    rng: np.random.Generator,
    repeats: int = 1000,
) -> Array:
    """Return (repeats,) shares below a limit by parametric bootstrap, each sample fitted anew.

    `size` is the number of values per sample; quantiles of the shares are ends of an interval.
    """
    if LIKELIHOODS[fit.family].positive and limit <= 0:
        return np.zeros(repeats)
    simulated = draw_sample(
        fit.family, *fit.parameters, (repeats, min(size, MAX_BOOTSTRAP_SIZE)), rng
    )
    if fit.family == BETA:
        simulated = np.clip(simulated, BETA_EDGE, 1.0 - BETA_EDGE)
    first, second = fit_parameters(fit.family, simulated)
    scaled_limit = fit.to_parameter_scale(np.full((repeats, 1), float(limit)))
    low, _ = cdf_and_sf(fit.family, scaled_limit, first[:, np.newaxis], second[:, np.newaxis])
    if size <= MAX_BOOTSTRAP_SIZE:
        return np.asarray(low[:, 0])
    # the spread of smaller samples, scaled to the size where it shrinks with its root
    one, two = (np.full((1, 1), p) for p in fit.parameters)
    centre = special.ndtri(cdf_and_sf(fit.family, scaled_limit[:1], one, two)[0][0, 0])
    deviation = (special.ndtri(low[:, 0]) - centre) * np.sqrt(MAX_BOOTSTRAP_SIZE / size)
    return np.asarray(special.ndtr(centre + np.where(np.isfinite(deviation), deviation, 0.0)))


def anderson_darling(probability: ArrayLike, upper: ArrayLike) -> Array:
    """Return the Anderson-Darling statistic (...).

    Parameters
    ----------
    probability
        (..., n) F at the values, sorted along the last axis.
    upper
        (..., n) 1 - F at the same values.

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
    """Return the two-sided Kolmogorov-Smirnov statistic (...).

    `probability` (..., n) is F at the values, sorted along the last axis.
    """
    f = np.asarray(probability, dtype=float)
    n = f.shape[-1]
    rank = np.arange(n)
    return np.asarray(
        np.maximum(np.max((rank + 1) / n - f, axis=-1), np.max(f - rank / n, axis=-1))
    )


def _statistics(family: str, x: Array, first: Array, second: Array) -> tuple[Array, Array]:
    ordered = np.sort(x, axis=-1)
    low, high = cdf_and_sf(family, ordered, first[:, np.newaxis], second[:, np.newaxis])
    return anderson_darling(low, high), kolmogorov_smirnov(low)
