"""How many tests would show which curing a face had, given the scatter of the tests."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special, stats

from stripwise.errors import InputError

__all__ = [
    "CoreScatter",
    "approximate_size_for_ratio",
    "approximate_size_for_share",
    "estimate_core_scatter",
    "log_sd",
    "mean_power",
    "ratio_power",
    "sample_size_for_mean",
    "sample_size_for_ratio",
    "sample_size_for_share",
]

MAX_SAMPLE_SIZE = 100_000
"""Largest sample size that is searched."""


@dataclass(frozen=True, slots=True)
class CoreScatter:
    """Scatter of ln D between cores of one face, from fitted profiles.

    Attributes
    ----------
    total_sd
        sd of ln D from core to core as fitted.
    between_sd
        Part of the concrete: sd of ln D between specimens.
    within_sd
        Part of the fit: typical standard error of ln D.
    degrees_of_freedom
        Degrees of freedom of `total_sd`.
    core_counts
        Cores by strategy.
    """

    total_sd: float
    between_sd: float
    within_sd: float
    degrees_of_freedom: int
    core_counts: dict[str, int]


def estimate_core_scatter(specimens: pd.DataFrame) -> CoreScatter:
    """Split the scatter of fitted diffusivities into concrete and fit, pooled over strategies.

    Parameters
    ----------
    specimens
        Columns strategy, diffusivity [any unit], diffusivity_se [same unit; may be NaN].

    Raises
    ------
    InputError
        If no strategy has two specimens, or none of them differ.

    Notes
    -----
    Variance between = pooled variance of ln D - mean (se/D)^2, at least 0: the moment estimator
    of a random-effects model with equal weights.
    """
    logs = pd.Series(np.log(specimens["diffusivity"].astype(float)))
    groups = logs.groupby(specimens["strategy"], sort=False)
    degrees_of_freedom = int((groups.size() - 1).sum())
    if degrees_of_freedom < 1:
        raise InputError("specimens", "has one specimen per strategy; scatter needs replicates")
    total = float(((logs - groups.transform("mean")) ** 2).sum()) / degrees_of_freedom
    if total == 0:
        raise InputError("specimens", "has replicates that are all equal; there is no scatter")
    within = 0.0
    if "diffusivity_se" in specimens:
        ratio = specimens["diffusivity_se"] / specimens["diffusivity"]
        within = float((ratio.dropna() ** 2).mean()) if ratio.notna().any() else 0.0
    between = max(total - within, 0.0)
    counts = {str(name): int(count) for name, count in groups.size().items()}
    return CoreScatter(
        math.sqrt(total), math.sqrt(between), math.sqrt(within), degrees_of_freedom, counts
    )


def log_sd(cov: float) -> float:
    """Return the sd of ln X of a lognormal X from its coefficient of variation.

    Examples
    --------
    >>> round(log_sd(0.2), 4)
    0.198
    """
    return math.sqrt(math.log1p(cov**2))


def ratio_power(
    ratio: float, sd: float, *, tests: int, reference_tests: int, significance: float = 0.05
) -> float:
    """Return the probability that tests on two faces distinguish their diffusivities.

    Parameters
    ----------
    ratio
        Ratio of the two diffusivities, not 1.
    sd
        sd of ln D from test to test on one face.
    tests, reference_tests
        Tests on each face, at least 3 in all and 1 on each.
    significance
        Probability of a false alarm, one-sided.

    Returns
    -------
    Power of the two-sample t-test in ln D, equal scatter.

    References
    ----------
    Johnson & Welch (1940), Applications of the non-central t-distribution.

    Examples
    --------
    >>> round(ratio_power(1.5, 0.25, tests=5, reference_tests=5), 3)
    0.756
    """
    _check_probabilities(significance, 0.5)
    degrees_of_freedom = tests + reference_tests - 2
    if degrees_of_freedom < 1 or min(tests, reference_tests) < 1:
        return 0.0
    noncentrality = abs(math.log(ratio)) / sd / math.sqrt(1.0 / tests + 1.0 / reference_tests)
    critical = stats.t.isf(significance, degrees_of_freedom)
    # scipy's non-central t loses all digits in the far tail, where the power is 1
    return (
        1.0
        if noncentrality > critical + 30.0
        else float(stats.nct.sf(critical, degrees_of_freedom, noncentrality))
    )


def sample_size_for_ratio(
    ratio: float,
    sd: float,
    *,
    power: float = 0.8,
    significance: float = 0.05,
    reference_tests: int | None = None,
) -> int | None:
    """Return the number of tests per face that distinguishes two diffusivities.

    Parameters
    ----------
    ratio, sd, significance
        As for `ratio_power`.
    power
        Probability of distinguishing them.
    reference_tests
        Tests on the reference face where these are done already; as many as on the other face
        unless given.

    Returns
    -------
    Tests on the face, at least 2; None where no number up to 100,000 does it.
    """
    _check_probabilities(significance, power)
    if sd <= 0:
        raise InputError("scatter", f"= {sd:g}: must be above 0")
    if ratio <= 0:
        raise InputError("ratio", f"= {ratio:g}: must be above 0")
    if ratio == 1.0:
        return None

    def enough(n: int) -> bool:
        other = n if reference_tests is None else reference_tests
        return (
            ratio_power(ratio, sd, tests=n, reference_tests=other, significance=significance)
            >= power
        )

    return _smallest_sufficient(enough, low=2)


def approximate_size_for_ratio(
    ratio: float, sd: float, *, power: float = 0.8, significance: float = 0.05
) -> float:
    """Return the approximate number of tests per face by the normal formula.

    2 (z_a + z_b)^2 sd^2 / ln(ratio)^2 + z_a^2 / 4, arguments as for `sample_size_for_ratio`.

    References
    ----------
    Guenther (1981), Sample size formulas for normal theory t tests, The American Statistician 35
    (recalled).

    Examples
    --------
    >>> round(approximate_size_for_ratio(1.5, 0.25), 2)
    5.38
    """
    _check_probabilities(significance, power)
    alpha, beta = -special.ndtri(significance), special.ndtri(power)
    return float(2.0 * ((alpha + beta) * sd / math.log(ratio)) ** 2 + alpha**2 / 4.0)


def mean_power(shift: float, sd: float, *, number: int, significance: float = 0.05) -> float:
    """Return the power of the one-sample t-test for a shift of the mean.

    Parameters
    ----------
    shift, sd
        Shift of the mean and sd of a reading, in one unit.
    number
        Independent readings.
    significance
        Probability of a false alarm, one-sided.
    """
    if number < 2:
        return 0.0
    critical = stats.t.isf(significance, number - 1)
    noncentrality = abs(shift) / sd * math.sqrt(number)
    return (
        1.0
        if noncentrality > critical + 30.0
        else float(stats.nct.sf(critical, number - 1, noncentrality))
    )


def sample_size_for_mean(
    shift: float, sd: float, *, power: float = 0.8, significance: float = 0.05
) -> int | None:
    """Return how many independent readings show a shift of the mean, arguments as `mean_power`.

    At least 2; None where no number up to 100,000 does it.
    """
    _check_probabilities(significance, power)
    return _smallest_sufficient(
        lambda n: mean_power(shift, sd, number=n, significance=significance) >= power, low=2
    )


def sample_size_for_share(
    allowed: float, expected: float, *, power: float = 0.8, significance: float = 0.05
) -> tuple[int, int] | None:
    """Return how many readings show that the share below a limit is less than allowed.

    Parameters
    ----------
    allowed
        Share that must not be reached.
    expected
        Share that is there, below `allowed`.
    power
        Probability that the readings show it.
    significance
        Probability that they do although the share is `allowed`.

    Returns
    -------
    Readings, and how many of them may lie below the limit; None where no number up to 100,000
    does it.

    Raises
    ------
    InputError
        If the shares are not 0 <= expected < allowed < 1.

    References
    ----------
    Sampling by attributes with two points of the operating characteristic: Guenther (1969), Use
    of the binomial, hypergeometric and Poisson tables to obtain sampling plans (recalled).

    Examples
    --------
    >>> sample_size_for_share(0.05, 0.0)
    (59, 0)
    """
    _check_probabilities(significance, power)
    if not 0.0 <= expected < allowed < 1.0:
        raise InputError(
            "share", f"expected {expected:g} must lie below the allowed {allowed:g}, within 0 to 1"
        )
    for acceptance_number in range(2_000):
        size = _smallest_size(acceptance_number, allowed, significance)
        if size > MAX_SAMPLE_SIZE:
            return None
        if stats.binom.cdf(acceptance_number, size, expected) >= power:
            return size, acceptance_number
    return None


def approximate_size_for_share(
    allowed: float, expected: float, *, power: float = 0.8, significance: float = 0.05
) -> float:
    """Return the approximate number of readings by the normal formula.

    ((z_a sqrt(p0 q0) + z_b sqrt(p1 q1)) / (p0 - p1))^2, p0 allowed, p1 expected.

    References
    ----------
    Fleiss, Levin & Paik (2003), Statistical Methods for Rates and Proportions, 3rd ed., 2.5
    (recalled).
    """
    _check_probabilities(significance, power)
    alpha, beta = -special.ndtri(significance), special.ndtri(power)
    spread = alpha * math.sqrt(allowed * (1 - allowed)) + beta * math.sqrt(
        expected * (1 - expected)
    )
    return float((spread / (allowed - expected)) ** 2)


def _smallest_size(acceptance_number: int, share: float, significance: float) -> int:
    """Return the smallest n with P(at most `acceptance_number` of n) <= significance."""
    low, high = acceptance_number + 1, acceptance_number + 2
    while (
        high <= 2 * MAX_SAMPLE_SIZE
        and stats.binom.cdf(acceptance_number, high, share) > significance
    ):
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        if stats.binom.cdf(acceptance_number, middle, share) <= significance:
            high = middle
        else:
            low = middle
    return high


def _smallest_sufficient(is_enough: Callable[[int], bool], *, low: int) -> int | None:
    """Return the smallest number that is enough, where more is never less."""
    if is_enough(low):
        return low
    high = 2 * low
    while not is_enough(high):
        low, high = high, 2 * high
        if high > MAX_SAMPLE_SIZE:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if is_enough(middle) else (middle, high)
    return high


def _check_probabilities(significance: float, power: float) -> None:
    if not 0.0 < significance < 0.5:
        raise InputError("significance", f"= {significance:g}: must be above 0 and below 0.5")
    if not 0.0 < power < 1.0:
        raise InputError("power", f"= {power:g}: must be between 0 and 1")
