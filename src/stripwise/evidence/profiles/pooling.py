"""What the mean of each strategy over its specimens is, and how the strategies compare.

Random effects. Axes: g specimens, s strategies.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, stats

from stripwise.errors import InputError
from stripwise.published import constant

__all__ = [
    "ESTIMATOR",
    "LogRatios",
    "PooledMeans",
    "add_shared_error",
    "compare_with_reference",
    "equal_means_p_value",
    "pool",
]

Array = NDArray[np.float64]

ESTIMATOR = (
    "random effects with one between-specimen variance for all strategies by the generalised "
    "moment estimator of Paule and Mandel (1982), intervals by t with the factor of Knapp and "
    "Hartung (2003), never below 1"
)

VARIANCE_FLOOR = 1e-14
"""Relative floor of a variance: a specimen without residual has weight, not all of it."""


@dataclass(frozen=True, slots=True)
class PooledMeans:
    """Mean of each strategy.

    Attributes
    ----------
    mean, variance
        (s,) mean and its variance, in the unit of the values and its square.
    between_variance
        Variance between specimens of one strategy.
    degrees_of_freedom
        Degrees of freedom; inf where the variance between specimens is assumed.
    cochran_q
        Cochran's Q within the strategies.
    counts
        (s,) specimens.
    between_assumed
        Whether the variance between specimens is assumed because no strategy has two.
    """

    mean: Array
    variance: Array
    between_variance: float
    degrees_of_freedom: float
    cochran_q: float
    counts: NDArray[np.intp]
    between_assumed: bool

    @property
    def t_quantile(self) -> float:
        """Quantile 0.975 of t, for 95 % intervals."""
        if np.isinf(self.degrees_of_freedom):
            return float(stats.norm.ppf(0.975))
        return float(stats.t.ppf(0.975, self.degrees_of_freedom))


@dataclass(frozen=True, slots=True)
class LogRatios:
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
) -> PooledMeans:
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
    The `PooledMeans`.

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
    >>> p.mean.round(3), round(p.between_variance, 3)
    (array([0.1, 1.1]), 0.02)
    """
    effects, within = np.asarray(values, dtype=float), np.asarray(variances, dtype=float)
    index = np.asarray(group, dtype=np.intp)
    if not (np.isfinite(effects).all() and np.isfinite(within).all() and (within >= 0).all()):
        raise InputError("pooling", "needs finite values and variances of at least 0")
    counts = np.bincount(index)
    degrees_of_freedom = len(effects) - len(counts)
    within = np.maximum(within, VARIANCE_FLOOR * max(float(np.abs(effects).max()), 1.0) ** 2)
    if degrees_of_freedom == 0:
        tau2 = constant("evidence.between_specimens_sd") ** 2 if between is None else between
        mean, variance, _ = _weighted(effects, within + tau2, index)
        return PooledMeans(mean, variance, tau2, np.inf, 0.0, counts, True)
    tau2 = _between_variance(effects, within, index, degrees_of_freedom=degrees_of_freedom)
    mean, variance, cochran_q = _weighted(effects, within + tau2, index)
    variance = variance * max(1.0, cochran_q / degrees_of_freedom)
    return PooledMeans(
        mean,
        variance,
        tau2,
        float(degrees_of_freedom),
        _weighted(effects, within, index)[2],
        counts,
        False,
    )


def compare_with_reference(pooled: PooledMeans, reference: int) -> LogRatios:
    """Compare the means of ln D_a with that of the reference, an index.

    The reference's error is in every ratio, so that the ratios are correlated.

    Examples
    --------
    >>> p = pool([0.0, 0.2, 1.0, 1.2], [0.0] * 4, group=[0, 0, 1, 1])
    >>> r = compare_with_reference(p, 0)
    >>> r.log_mean.round(3), r.covariance.round(3)[1, 1]
    (array([0., 1.]), np.float64(0.02))
    """
    log_mean = pooled.mean - pooled.mean[reference]
    covariance = np.diag(pooled.variance) + pooled.variance[reference]
    covariance[reference, :] = 0.0
    covariance[:, reference] = 0.0
    half = pooled.t_quantile * np.sqrt(np.diag(covariance))
    return LogRatios(log_mean, covariance, log_mean - half, log_mean + half)


def add_shared_error(log_ratios: LogRatios, change: Array, *, t_quantile: float) -> LogRatios:
    """Add an error that changes all ratios together.

    Parameters
    ----------
    change
        (s,) change of each logarithm by one standard deviation of the shared error; 0 for the
        reference.
    t_quantile
        Quantile of the intervals.

    Examples
    --------
    >>> r = LogRatios(np.array([0.0, 1.0]), np.diag([0.0, 0.09]), np.zeros(2), np.zeros(2))
    >>> add_shared_error(r, np.array([0.0, 0.4]), t_quantile=2.0).high95
    array([0., 2.])
    """
    covariance = log_ratios.covariance + np.outer(change, change)
    half = t_quantile * np.sqrt(np.diag(covariance))
    log_mean = log_ratios.log_mean
    return LogRatios(log_mean, covariance, log_mean - half, log_mean + half)


def equal_means_p_value(pooled: PooledMeans) -> float:
    """Return p of the F test of equal means; NaN for one strategy.

    With s - 1 and the pooled degrees of freedom.
    """
    s = len(pooled.mean)
    if s < 2:
        return float("nan")
    weight = 1.0 / pooled.variance
    centre = float((weight * pooled.mean).sum() / weight.sum())
    statistic = float((weight * (pooled.mean - centre) ** 2).sum()) / (s - 1)
    if np.isinf(pooled.degrees_of_freedom):
        return float(stats.chi2.sf(statistic * (s - 1), s - 1))
    return float(stats.f.sf(statistic, s - 1, pooled.degrees_of_freedom))


def _weighted(y: Array, v: Array, index: NDArray[np.intp]) -> tuple[Array, Array, float]:
    """Weighted mean of each group, its variance, and the weighted squares within the groups."""
    weight = 1.0 / v
    total = np.bincount(index, weight)
    mean = np.bincount(index, weight * y) / total
    return mean, 1.0 / total, float((weight * (y - mean[index]) ** 2).sum())


def _between_variance(
    y: Array, v: Array, index: NDArray[np.intp], *, degrees_of_freedom: int
) -> float:
    """Solve Q(tau2) = freedom; Q falls with tau2, the pooled variance is above the root."""

    def excess(tau2: float) -> float:
        return _weighted(y, v + tau2, index)[2] - degrees_of_freedom

    if excess(0.0) <= 0.0:
        return 0.0
    mean = np.bincount(index, y) / np.bincount(index)
    upper = float(((y - mean[index]) ** 2).sum()) / degrees_of_freedom
    return float(optimize.brentq(excess, 0.0, upper * (1.0 + 1e-9), xtol=1e-16, rtol=1e-12))
