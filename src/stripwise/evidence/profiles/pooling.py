"""Pool specimens by strategy with random effects, and compare the strategies.

Axes: g specimens, s strategies.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, stats

from stripwise.errors import InputError
from stripwise.published import constant

__all__ = ["ESTIMATOR", "Pooled", "Ratios", "common_value", "pool", "ratios", "widened"]

Array = NDArray[np.float64]

ESTIMATOR = (
    "random effects with one between-specimen variance for all strategies by the generalised "
    "moment estimator of Paule and Mandel (1982), intervals by t with the factor of Knapp and "
    "Hartung (2003), never below 1"
)

LEAST = 1e-14
"""Relative floor of a variance: a specimen without residual has weight, not all of it."""


@dataclass(frozen=True, slots=True)
class Pooled:
    """Mean of each strategy.

    Attributes
    ----------
    mean, variance
        (s,) mean and its variance, in the unit of the values and its square.
    between
        Variance between specimens of one strategy.
    freedom
        Degrees of freedom; inf where the variance between specimens is assumed.
    heterogeneity
        Cochran's Q within the strategies.
    counts
        (s,) specimens.
    assumed
        Whether the variance between specimens is assumed because no strategy has two.
    """

    mean: Array
    variance: Array
    between: float
    freedom: float
    heterogeneity: float
    counts: NDArray[np.intp]
    assumed: bool

    @property
    def t(self) -> float:
        """Quantile 0.975 of t, for 95 % intervals."""
        if np.isinf(self.freedom):
            return float(stats.norm.ppf(0.975))
        return float(stats.t.ppf(0.975, self.freedom))


@dataclass(frozen=True, slots=True)
class Ratios:
    """ln of each strategy's value over the reference's; 0 without variance for the reference.

    `log_mean` (s,), `covariance` (s, s), `low95` and `high95` (s,), all of the logarithm.
    """

    log_mean: Array
    covariance: Array
    low95: Array
    high95: Array


def pool(
    values: ArrayLike,
    variances: ArrayLike,
    *,
    group: ArrayLike,
    between: float | None = None,
) -> Pooled:
    """Pool the specimens of each strategy.

    Parameters
    ----------
    values
        (g,) such as ln D_a.
    variances
        (g,) their variances by the fit; 0 is allowed.
    group
        (g,) number of the strategy, 0 to s - 1, each present.
    between
        Variance between specimens that stands in where no strategy has two; by the published
        spread of ln D unless given.

    Returns
    -------
    The `Pooled`.

    Raises
    ------
    InputError
        If a value is not finite or a variance is negative.

    Notes
    -----
    With weights 1/(v_i + tau2) and the weighted mean of each strategy, tau2 solves
    Q(tau2) = g - s, and is 0 where Q(0) is below that.

    References
    ----------
    Paule and Mandel, J. Res. NBS 87, 1982; with covariates DerSimonian and Kacker, Contemp. Clin.
    Trials 28, 2007; Knapp and Hartung, Stat. Med. 22, 2003 (all recalled).

    Examples
    --------
    >>> p = pool([0.0, 0.2, 1.0, 1.2], [0.0] * 4, group=[0, 0, 1, 1])
    >>> p.mean.round(3), round(p.between, 3)
    (array([0.1, 1.1]), 0.02)
    """
    y, v = np.asarray(values, dtype=float), np.asarray(variances, dtype=float)
    code = np.asarray(group, dtype=np.intp)
    if not (np.isfinite(y).all() and np.isfinite(v).all() and (v >= 0).all()):
        raise InputError("pooling", "needs finite values and variances of at least 0")
    counts = np.bincount(code)
    freedom = len(y) - len(counts)
    v = np.maximum(v, LEAST * max(float(np.abs(y).max()), 1.0) ** 2)
    if freedom == 0:
        tau2 = constant("evidence.between_specimens_sd") ** 2 if between is None else between
        mean, variance, _ = _weighted(y, v + tau2, code)
        return Pooled(mean, variance, tau2, np.inf, 0.0, counts, True)
    tau2 = _between(y, v, code, freedom=freedom)
    mean, variance, q = _weighted(y, v + tau2, code)
    variance = variance * max(1.0, q / freedom)
    return Pooled(mean, variance, tau2, float(freedom), _weighted(y, v, code)[2], counts, False)


def ratios(pooled: Pooled, reference: int) -> Ratios:
    """Compare each strategy with the reference.

    The reference's error is in every ratio, so that the ratios are correlated.

    Parameters
    ----------
    pooled
        Means of ln D_a by strategy.
    reference
        Number of the reference strategy.

    Returns
    -------
    The `Ratios`.

    Examples
    --------
    >>> p = pool([0.0, 0.2, 1.0, 1.2], [0.0] * 4, group=[0, 0, 1, 1])
    >>> r = ratios(p, 0)
    >>> r.log_mean.round(3), r.covariance.round(3)[1, 1]
    (array([0., 1.]), np.float64(0.02))
    """
    log_mean = pooled.mean - pooled.mean[reference]
    covariance = np.diag(pooled.variance) + pooled.variance[reference]
    covariance[reference, :] = 0.0
    covariance[:, reference] = 0.0
    half = pooled.t * np.sqrt(np.diag(covariance))
    return Ratios(log_mean, covariance, log_mean - half, log_mean + half)


def widened(compared: Ratios, move: Array, *, t: float) -> Ratios:
    """Add an error that moves all ratios together.

    Parameters
    ----------
    compared
        The ratios.
    move
        (s,) change of each logarithm by one standard deviation of the shared error; 0 for the
        reference.
    t
        Quantile of the intervals.

    Returns
    -------
    The `Ratios`, wider.

    Examples
    --------
    >>> r = Ratios(np.array([0.0, 1.0]), np.diag([0.0, 0.09]), np.zeros(2), np.zeros(2))
    >>> widened(r, np.array([0.0, 0.4]), t=2.0).high95
    array([0., 2.])
    """
    covariance = compared.covariance + np.outer(move, move)
    half = t * np.sqrt(np.diag(covariance))
    log_mean = compared.log_mean
    return Ratios(log_mean, covariance, log_mean - half, log_mean + half)


def common_value(pooled: Pooled) -> float:
    """Test whether all strategies have the same mean.

    Parameters
    ----------
    pooled
        Means by strategy.

    Returns
    -------
    p of the F test of equal means, with s - 1 and the pooled degrees of freedom; NaN for one
    strategy.
    """
    s = len(pooled.mean)
    if s < 2:
        return float("nan")
    weight = 1.0 / pooled.variance
    centre = float((weight * pooled.mean).sum() / weight.sum())
    statistic = float((weight * (pooled.mean - centre) ** 2).sum()) / (s - 1)
    if np.isinf(pooled.freedom):
        return float(stats.chi2.sf(statistic * (s - 1), s - 1))
    return float(stats.f.sf(statistic, s - 1, pooled.freedom))


def _weighted(y: Array, v: Array, code: NDArray[np.intp]) -> tuple[Array, Array, float]:
    """Weighted mean of each group, its variance, and the weighted squares within the groups."""
    weight = 1.0 / v
    total = np.bincount(code, weight)
    mean = np.bincount(code, weight * y) / total
    return mean, 1.0 / total, float((weight * (y - mean[code]) ** 2).sum())


def _between(y: Array, v: Array, code: NDArray[np.intp], *, freedom: int) -> float:
    """Solve Q(tau2) = freedom; Q falls with tau2, and the plain variance is above the root."""

    def excess(tau2: float) -> float:
        return _weighted(y, v + tau2, code)[2] - freedom

    if excess(0.0) <= 0.0:
        return 0.0
    mean = np.bincount(code, y) / np.bincount(code)
    upper = float(((y - mean[code]) ** 2).sum()) / freedom
    return float(optimize.brentq(excess, 0.0, upper * (1.0 + 1e-9), xtol=1e-16, rtol=1e-12))
