"""The distribution that has given moments and bounds, or why there is none."""

# ruff: noqa: PLC0415 - scipy.stats is slow to import, and few families need it

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy import special

from stripwise.distributions.closed_forms import Beta, Constant, LogNormal, Normal, Uniform
from stripwise.distributions.inverse_table import DeferredInverse, LinearInverse
from stripwise.distributions.sample_law import SampleLaw
from stripwise.distributions.triangular import Triangular
from stripwise.distributions.truncated_normal import TruncatedNormal
from stripwise.errors import InputError

__all__ = [
    "FAMILIES",
    "FIXED",
    "SAMPLE",
    "Family",
    "FamilyMember",
    "build_member",
    "constant_member",
    "family_names",
    "sample_member",
]

FIXED = "fixed"
"""Family of a constant."""

SAMPLE = "empirical"
"""Family of values that were drawn or tabulated, which have no moments to build it from."""

Builder = Callable[[float | None, float | None, float, float], "FamilyMember"]

MIN_SIZE, MAX_SIZE = 1e-100, 1e100
"""Smallest moment but 0, largest moment or bound; products of others may not be finite."""

MIN_COV, MAX_COV = 1e-12, 1e4
"""Smallest and largest sd over mean of a variable above 0."""

MAX_BETA_WIDTH = 1e6
"""Largest distance of a beta's bounds, in sd: beyond it rounding decides the shape."""


@dataclass(frozen=True, slots=True)
class FamilyMember:
    """One member of a family: resolved moments and support with its scipy distribution.

    Attributes
    ----------
    family
        One of `FAMILIES`.
    mean, sd
        Moments of the variable after any truncation, in the variable's unit.
    low, high
        Ends of the support, in the variable's unit; infinite where there is none.
    parent_mean, parent_sd
        Moments before truncation; they differ from `mean` and `sd` for a truncated normal only.
    """

    family: str
    mean: float
    sd: float
    low: float
    high: float
    parent_mean: float
    parent_sd: float
    _law: Any = field(repr=False, compare=False)
    _table: DeferredInverse | LinearInverse | None = field(repr=False, compare=False)


def constant_member(value: float) -> FamilyMember:
    """Return a constant as the member of the family ``fixed``."""
    value = float(value)
    return FamilyMember(FIXED, value, 0.0, value, value, value, 0.0, Constant(value), None)


def sample_member(law: SampleLaw) -> FamilyMember:
    """Return a sample's law as a member of the empirical family."""
    mean, sd, low, high = law.mean, law.sd, float(law.values[0]), float(law.values[-1])
    if low == high:
        return constant_member(low)
    return FamilyMember(SAMPLE, mean, sd, low, high, mean, sd, law, None)


def build_member(
    family: str,
    *,
    mean: float | None,
    sd: float | None,
    cov: float | None,
    low: float | None,
    high: float | None,
) -> FamilyMember:
    """Resolve the moments and bounds of a family, as `distribution` takes them.

    InputError if moments are missing, contradict each other or do not fit the family.
    """
    given = {"mean": mean, "sd": sd, "cov": cov, "low": low, "high": high}
    for name, value in given.items():
        unbounded = name in ("low", "high") and value is not None and not np.isnan(value)
        if value is not None and not np.isfinite(value) and not unbounded:
            raise InputError(name, f"is {value}; must be a finite number")
        least = 0.0 if unbounded else MIN_SIZE
        if value and np.isfinite(value) and not least <= abs(value) <= MAX_SIZE:
            raise InputError(
                name, f"= {value:g}: must be 0 or {MIN_SIZE:g} to {MAX_SIZE:g} in size"
            )
    if family not in FAMILIES:
        raise InputError("family", f"is {family!r}; must be one of {', '.join(FAMILIES)}")
    if family == FIXED:
        if mean is None:
            raise InputError("mean", "is missing; a fixed input needs a value")
        for name, spread in (("sd", sd), ("cov", cov)):
            if spread:
                raise InputError(name, f"= {spread:g} is not used by a fixed input; leave it out")
        return constant_member(mean)
    sd = _sd_from(mean, sd, cov)
    low_ = -np.inf if low is None else float(low)
    high_ = np.inf if high is None else float(high)
    if low_ >= high_:
        raise InputError("low", f"= {low_:g} is not below high = {high_:g}")
    return FAMILIES[family].build(mean, sd, low_, high_)


def _sd_from(mean: float | None, sd: float | None, cov: float | None) -> float | None:
    if sd is not None and cov is not None:
        raise InputError("sd", "and cov are both given; give one of them")
    if cov is not None:
        if mean is None:
            raise InputError("mean", "is missing; cov needs it")
        if mean == 0:
            raise InputError("cov", "cannot describe a mean of 0; give sd")
        if cov <= 0:
            raise InputError("cov", f"= {cov:g}: must be above 0")
        sd = cov * abs(mean)
    if sd is not None and sd <= 0:
        raise InputError("sd", f"= {sd:g}: must be above 0")
    return None if sd is None else float(sd)


def _moments(family: str, mean: float | None, sd: float | None) -> tuple[float, float]:
    if mean is None:
        raise InputError("mean", f"is missing; {family} needs mean and sd (or cov)")
    if sd is None:
        raise InputError("sd", f"is missing; {family} needs mean and sd (or cov)")
    return float(mean), sd


def _normal(mean: float | None, sd: float | None, low: float, high: float) -> FamilyMember:
    mu, sigma = _moments("normal", mean, sd)
    if np.isinf(low) and np.isinf(high):
        unbounded = Normal(mu, sigma, low, high)
        return FamilyMember("normal", mu, sigma, low, high, mu, sigma, unbounded, None)
    law = TruncatedNormal(mu, sigma, low, high)
    if law.mass_inside < 0.01:
        raise InputError(
            "low",
            f"and high keep {law.mass_inside:.2g} of the normal; less than 1 % is no truncation",
        )
    true_mean, true_sd = law.moments()
    table = LinearInverse.build(law) or DeferredInverse(law)
    return FamilyMember("normal", true_mean, true_sd, low, high, mu, sigma, law, table)


def _positive(family: str, mean: float | None, sd: float | None, low: float, high: float) -> Any:
    mu, sigma = _moments(family, mean, sd)
    if mu <= 0:
        raise InputError("mean", f"= {mu:g}: must be above 0 for a {family}")
    if not MIN_COV <= sigma / mu <= MAX_COV:
        raise InputError(
            "sd",
            f"is {sigma / mu:g} times the mean; must be {MIN_COV:g} to {MAX_COV:g} times for a "
            f"{family}",
        )
    if low > 0 or np.isfinite(high):
        raise InputError(
            "low" if low > 0 else "high",
            f"is not used by a {family}, which runs from 0 without an upper bound; "
            "use beta or a normal with low and high",
        )
    return mu, sigma


def _lognormal(mean: float | None, sd: float | None, low: float, high: float) -> FamilyMember:
    mu, sigma = _positive("lognormal", mean, sd, low, high)
    law = LogNormal(mu, sigma)
    return FamilyMember("lognormal", mu, sigma, 0.0, np.inf, mu, sigma, law, None)


def _gamma(mean: float | None, sd: float | None, low: float, high: float) -> FamilyMember:
    mu, sigma = _positive("gamma", mean, sd, low, high)
    from scipy import stats

    law = stats.gamma((mu / sigma) ** 2, scale=sigma**2 / mu)
    table = DeferredInverse(law)
    return FamilyMember("gamma", mu, sigma, 0.0, np.inf, mu, sigma, law, table)


def _weibull(mean: float | None, sd: float | None, low: float, high: float) -> FamilyMember:
    from scipy import optimize, stats

    mu, sigma = _positive("weibull", mean, sd, low, high)

    def log_cov_excess(log_inverse_cov: float) -> float:
        k = np.exp(log_inverse_cov)
        ratio = special.gammaln(1 + 2 / k) - 2 * special.gammaln(1 + 1 / k)
        return float(0.5 * np.log(np.expm1(ratio)) - np.log(sigma / mu))

    lowest, highest = np.log(0.1), np.log(1e4)
    if log_cov_excess(lowest) < 0 or log_cov_excess(highest) > 0:
        raise InputError("sd", f"= {sigma:g} is out of a weibull's reach for mean = {mu:g}")
    shape = float(np.exp(optimize.brentq(log_cov_excess, lowest, highest, xtol=1e-14)))
    law = stats.weibull_min(shape, scale=mu / special.gamma(1 + 1 / shape))
    table = DeferredInverse(law)
    return FamilyMember("weibull", mu, sigma, 0.0, np.inf, mu, sigma, law, table)


def _beta(mean: float | None, sd: float | None, low: float, high: float) -> FamilyMember:
    mu, sigma = _moments("beta", mean, sd)
    if np.isinf(low) or np.isinf(high):
        missing = "low" if np.isinf(low) else "high"
        raise InputError(missing, "is missing; beta needs low and high")
    if not low < mu < high:
        raise InputError("mean", f"= {mu:g} must lie between low = {low:g} and high = {high:g}")
    limit = np.sqrt((mu - low) * (high - mu))
    if sigma >= limit:
        raise InputError(
            "sd", f"= {sigma:g}: must be below {limit:.4g} for this mean between these bounds"
        )
    if high - low > MAX_BETA_WIDTH * sigma:
        raise InputError(
            "high",
            f"= {high:g} lies more than {MAX_BETA_WIDTH:g} sd from low, too far for a beta to be computed"
            f", and a lognormal or gamma needs no upper bound",
        )
    share = (mu - low) / (high - low)
    total = share * (1 - share) * ((high - low) / sigma) ** 2 - 1
    law = Beta(share * total, (1 - share) * total, low, high)
    table = DeferredInverse(law)
    return FamilyMember("beta", mu, sigma, low, high, mu, sigma, law, table)


def _uniform(mean: float | None, sd: float | None, low: float, high: float) -> FamilyMember:
    if np.isfinite(low) and np.isfinite(high):
        middle, spread = 0.5 * (low + high), (high - low) / np.sqrt(12.0)
        _check_against_bounds("uniform", mean, sd, middle, spread)
    else:
        _both_or_none("uniform", low, high)
        middle, spread = _moments("uniform", mean, sd)
        low, high = middle - np.sqrt(3.0) * spread, middle + np.sqrt(3.0) * spread
        if not low < high:
            raise InputError("sd", f"= {spread:g} is lost in rounding beside mean = {middle:g}")
    law = Uniform(low, high)
    spread = float(spread)
    return FamilyMember("uniform", middle, spread, low, high, middle, spread, law, None)


def _triangular(mean: float | None, sd: float | None, low: float, high: float) -> FamilyMember:
    if np.isfinite(low) and np.isfinite(high):
        middle = 0.5 * (low + high) if mean is None else float(mean)
        peak = 3.0 * middle - low - high
        tolerance = 1e-9 * (high - low)  # rounding moves a peak that stands on a bound
        if not low - tolerance <= peak <= high + tolerance:
            raise InputError(
                "mean", f"= {middle:g} puts the peak at {peak:g}, outside {low:g} to {high:g}"
            )
        peak = min(max(peak, low), high)
        spread = np.sqrt(
            (low**2 + high**2 + peak**2 - low * high - low * peak - high * peak) / 18.0
        )
        _check_against_bounds("triangular", None, sd, middle, spread)
    else:
        _both_or_none("triangular", low, high)
        middle, spread = _moments("triangular", mean, sd)
        peak, low, high = middle, middle - np.sqrt(6.0) * spread, middle + np.sqrt(6.0) * spread
    law = Triangular(low, peak, high)
    spread = float(spread)
    return FamilyMember("triangular", middle, spread, low, high, middle, spread, law, None)


def _both_or_none(family: str, low: float, high: float) -> None:
    """Refuse one bound alone, which mean and sd would silently overrule."""
    if np.isfinite(low) or np.isfinite(high):
        missing = "high" if np.isfinite(low) else "low"
        raise InputError(missing, f"is missing; {family} needs both low and high or neither")


def _check_against_bounds(
    family: str, mean: float | None, sd: float | None, middle: float, spread: float
) -> None:
    """Refuse moments that contradict the bounds that already fix them."""
    for name, value, implied in (("mean", mean, middle), ("sd", sd, spread)):
        # A mean near 0 differs from its bounds' middle by rounding, which has the bounds' size.
        if value is not None and not np.isclose(value, implied, rtol=1e-6, atol=1e-9 * spread):
            raise InputError(
                name, f"= {value:g} contradicts the bounds of the {family}, which give {implied:g}"
            )


def _fixed(mean: float | None, _sd: float | None, _low: float, _high: float) -> FamilyMember:
    assert mean is not None
    return constant_member(mean)


@dataclass(frozen=True, slots=True)
class Family:
    """One family: how its members are built, and what their bounds mean.

    Attributes
    ----------
    build
        Mean, sd (None where not given), low and high (infinite where not given) to the member.
    cut_at_bounds
        Whether bounds cut a parent that runs on, so that a physical bound may be added.
    bounds_move
        Whether a shift of the mean takes the bounds along.
    bounds_widen
        Whether mean and sd alone fix the bounds.
    """

    build: Builder
    cut_at_bounds: bool = False
    bounds_move: bool = False
    bounds_widen: bool = False


FAMILIES = {
    "normal": Family(_normal, cut_at_bounds=True),
    "lognormal": Family(_lognormal),
    "beta": Family(_beta, bounds_move=True),
    "uniform": Family(_uniform, bounds_move=True, bounds_widen=True),
    "triangular": Family(_triangular, bounds_move=True, bounds_widen=True),
    "weibull": Family(_weibull),
    "gamma": Family(_gamma),
    FIXED: Family(_fixed),
}
"""Every family by name, in the order of every list."""


def family_names() -> tuple[str, ...]:
    """Return the names of all families."""
    return (*FAMILIES, SAMPLE)
