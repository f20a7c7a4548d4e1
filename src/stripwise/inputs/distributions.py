"""Distribution families by mean and standard deviation, with fast inverses in the normal variate.

A random input is drawn as x = F^-1(Phi(z)) from a standard normal variate z, so that the same
draw serves every family and a Gaussian copula needs no second transform.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special, stats

from stripwise.errors import InputError
from stripwise.inputs.normal import TruncatedNormal
from stripwise.inputs.table import InverseTable, exact_inverse

__all__ = ["FAMILIES", "Distribution", "distribution", "fixed"]

Array = NDArray[np.float64]

FAMILIES = ("normal", "lognormal", "beta", "uniform", "triangular", "weibull", "gamma", "fixed")


@dataclass(frozen=True, slots=True)
class Distribution:
    """One input's distribution, described by moments and bounds of the variable itself.

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
    _table: InverseTable | None = field(repr=False, compare=False)

    @property
    def is_fixed(self) -> bool:
        """Whether the input is a constant."""
        return self.family == "fixed"

    @property
    def is_truncated(self) -> bool:
        """Whether this is a normal that lost a tail to a bound."""
        return self.family == "normal" and bool(np.isfinite(self.low) or np.isfinite(self.high))

    def cdf(self, x: ArrayLike) -> Array:
        """Probability of a value at or below x.

        Parameters
        ----------
        x
            Values, any shape, in the variable's unit.

        Returns
        -------
        Array of the shape of `x`, in [0, 1].
        """
        x = np.asarray(x, dtype=float)
        if self.is_fixed:
            return np.where(x >= self.mean, 1.0, 0.0)
        if self.family == "lognormal":
            return np.asarray(special.ndtr(self.score(x)))
        return np.asarray(self._law.cdf(x))

    def sf(self, x: ArrayLike) -> Array:
        """Probability of a value above x, exact where ``1 - cdf`` would round to zero.

        Parameters
        ----------
        x
            Values, any shape, in the variable's unit.

        Returns
        -------
        Array of the shape of `x`, in [0, 1].
        """
        x = np.asarray(x, dtype=float)
        if self.is_fixed:
            return np.where(x >= self.mean, 0.0, 1.0)
        if self.family == "lognormal":
            return np.asarray(special.ndtr(-self.score(x)))
        return np.asarray(self._law.sf(x))

    def pdf(self, x: ArrayLike) -> Array:
        """Density at x.

        Parameters
        ----------
        x
            Values, any shape, in the variable's unit.

        Returns
        -------
        Array of the shape of `x`, in 1 / unit.

        Raises
        ------
        InputError
            For a fixed input, which has no density.
        """
        if self.is_fixed:
            raise InputError("", "a fixed input has no density")
        return np.asarray(self._law.pdf(x))

    def quantile(self, p: ArrayLike) -> Array:
        """Value that is not exceeded with probability p, by scipy's exact inverse.

        Parameters
        ----------
        p
            Probabilities, any shape.

        Returns
        -------
        Array of the shape of `p`, in the variable's unit.
        """
        p = np.asarray(p, dtype=float)
        if self.is_fixed:
            return np.full(p.shape, self.mean)
        return np.asarray(self._law.ppf(p))

    def draw(self, z: ArrayLike) -> Array:
        """Value whose probability equals that of the standard normal variate z: F^-1(Phi(z)).

        Parameters
        ----------
        z
            Standard normal variates, any shape.

        Returns
        -------
        Array of the shape of `z`, in the variable's unit.

        Notes
        -----
        Beta, gamma and truncated normal use a cubic Hermite table in z whose relative error in
        probability is below 1e-7 (checked when it is built); other families have a closed form.
        """
        z = np.asarray(z, dtype=float)
        if self._table is not None:
            return self._table(z)
        match self.family:
            case "fixed":
                return np.full(z.shape, self.mean)
            case "normal" if not self.is_truncated:
                return self.mean + self.sd * z
            case "lognormal":
                sigma = _log_sd(self.mean, self.sd)
                return np.asarray(np.exp(np.log(self.mean) - 0.5 * sigma**2 + sigma * z))
            case "uniform":
                return np.asarray(self.low + (self.high - self.low) * special.ndtr(z))
            case _:
                return exact_inverse(self._law, z)

    def score(self, x: ArrayLike) -> Array:
        """Return the standard normal variate that has the probability of x: Phi^-1(F(x)).

        Parameters
        ----------
        x
            Values, any shape, in the variable's unit.

        Returns
        -------
        Array of the shape of `x`; -inf and inf outside the support.
        """
        x = np.asarray(x, dtype=float)
        if self.family == "lognormal":
            sigma = _log_sd(self.mean, self.sd)
            with np.errstate(divide="ignore", invalid="ignore"):
                log_x = np.log(np.maximum(x, 0.0))
            return np.asarray((log_x - np.log(self.mean)) / sigma + 0.5 * sigma)
        if self.family == "normal" and not self.is_truncated:
            return np.asarray((x - self.mean) / self.sd)
        below = self.cdf(x)
        return np.asarray(np.where(below < 0.5, special.ndtri(below), -special.ndtri(self.sf(x))))

    def shifted(self, distance: float) -> Distribution:
        """Return the distribution after a change of the nominal value.

        Parameters
        ----------
        distance
            Change of the mean, in the variable's unit.

        Returns
        -------
        A distribution of the same sd; a beta, uniform or triangular moves with both bounds, while
        the physical bound of a truncated normal stays where it is.

        Raises
        ------
        InputError
            If the moved distribution is impossible (a mean outside the bounds that stay).
        """
        if self.is_fixed:
            return fixed(self.mean + distance)
        if self.family in ("beta", "uniform", "triangular"):
            low, high = self.low + distance, self.high + distance
        else:
            low, high = self.low, self.high
        return distribution(
            self.family, mean=self.parent_mean + distance, sd=self.parent_sd, low=low, high=high
        )


def fixed(value: float) -> Distribution:
    """Return a constant as a distribution.

    Parameters
    ----------
    value
        The constant, in the variable's unit.

    Returns
    -------
    A `Distribution` of family ``fixed``.
    """
    value = float(value)
    return Distribution("fixed", value, 0.0, value, value, value, 0.0, None, None)


def distribution(
    family: str,
    *,
    mean: float | None = None,
    sd: float | None = None,
    cov: float | None = None,
    low: float | None = None,
    high: float | None = None,
) -> Distribution:
    """Build a distribution from moments and bounds of the variable itself.

    Uniform and triangular may be given by bounds alone. A truncated normal takes the moments of
    its parent, as its users think of it.

    Parameters
    ----------
    family
        One of `FAMILIES`.
    mean, sd
        Moments, in the variable's unit.
    cov
        Coefficient of variation sd / mean, instead of `sd`.
    low, high
        Bounds, in the variable's unit.

    Returns
    -------
    The `Distribution`.

    Raises
    ------
    InputError
        If moments are missing, contradict each other or do not fit the family.

    Examples
    --------
    >>> critical = distribution("beta", mean=0.6, sd=0.15, low=0.2, high=2.0)
    >>> round(float(critical.quantile(0.05)), 3)
    0.379
    """
    given = {"mean": mean, "sd": sd, "cov": cov, "low": low, "high": high}
    for name, value in given.items():
        unbounded = name in ("low", "high") and value is not None and not np.isnan(value)
        if value is not None and not np.isfinite(value) and not unbounded:
            raise InputError(name, f"is {value}; must be a finite number")
    if family not in FAMILIES:
        raise InputError("family", f"is {family!r}; must be one of {', '.join(FAMILIES)}")
    if family == "fixed":
        if mean is None:
            raise InputError("mean", "is missing; a fixed input needs a value")
        for name, spread in (("sd", sd), ("cov", cov)):
            if spread:
                raise InputError(name, f"= {spread:g} is not used by a fixed input; leave it out")
        return fixed(mean)
    sd = _spread(mean, sd, cov)
    low_ = -np.inf if low is None else float(low)
    high_ = np.inf if high is None else float(high)
    if low_ >= high_:
        raise InputError("low", f"= {low_:g} is not below high = {high_:g}")
    builder = {
        "normal": _normal,
        "lognormal": _lognormal,
        "beta": _beta,
        "uniform": _uniform,
        "triangular": _triangular,
        "weibull": _weibull,
        "gamma": _gamma,
    }[family]
    return builder(mean, sd, low_, high_)


def _spread(mean: float | None, sd: float | None, cov: float | None) -> float | None:
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


def _normal(mean: float | None, sd: float | None, low: float, high: float) -> Distribution:
    mu, sigma = _moments("normal", mean, sd)
    law = TruncatedNormal(mu, sigma, low, high)
    if np.isinf(low) and np.isinf(high):
        return Distribution("normal", mu, sigma, low, high, mu, sigma, law, None)
    if law.kept < 0.01:
        raise InputError(
            "low", f"and high keep {law.kept:.2g} of the normal; less than 1 % is no truncation"
        )
    true_mean, true_sd = law.moments()
    table = InverseTable.build(law)
    return Distribution("normal", true_mean, true_sd, low, high, mu, sigma, law, table)


def _positive(family: str, mean: float | None, sd: float | None, low: float, high: float) -> Any:
    mu, sigma = _moments(family, mean, sd)
    if mu <= 0:
        raise InputError("mean", f"= {mu:g}: must be above 0 for a {family}")
    if low > 0 or np.isfinite(high):
        raise InputError(
            "low" if low > 0 else "high",
            f"is not used by a {family}, which runs from 0 without an upper bound; "
            "use beta or a normal with low and high",
        )
    return mu, sigma


def _lognormal(mean: float | None, sd: float | None, low: float, high: float) -> Distribution:
    mu, sigma = _positive("lognormal", mean, sd, low, high)
    log_sd = _log_sd(mu, sigma)
    law = stats.lognorm(log_sd, scale=mu * np.exp(-0.5 * log_sd**2))
    return Distribution("lognormal", mu, sigma, 0.0, np.inf, mu, sigma, law, None)


def _gamma(mean: float | None, sd: float | None, low: float, high: float) -> Distribution:
    mu, sigma = _positive("gamma", mean, sd, low, high)
    law = stats.gamma((mu / sigma) ** 2, scale=sigma**2 / mu)
    table = InverseTable.build(law)
    return Distribution("gamma", mu, sigma, 0.0, np.inf, mu, sigma, law, table)


def _weibull(mean: float | None, sd: float | None, low: float, high: float) -> Distribution:
    mu, sigma = _positive("weibull", mean, sd, low, high)

    def log_cov_excess(log_shape: float) -> float:
        k = np.exp(log_shape)
        ratio = special.gammaln(1 + 2 / k) - 2 * special.gammaln(1 + 1 / k)
        return float(0.5 * np.log(np.expm1(ratio)) - np.log(sigma / mu))

    lowest, highest = np.log(0.1), np.log(1e4)
    if log_cov_excess(lowest) < 0 or log_cov_excess(highest) > 0:
        raise InputError("sd", f"= {sigma:g} is out of a weibull's reach for mean = {mu:g}")
    shape = float(np.exp(optimize.brentq(log_cov_excess, lowest, highest, xtol=1e-14)))
    law = stats.weibull_min(shape, scale=mu / special.gamma(1 + 1 / shape))
    table = InverseTable.build(law)
    return Distribution("weibull", mu, sigma, 0.0, np.inf, mu, sigma, law, table)


def _beta(mean: float | None, sd: float | None, low: float, high: float) -> Distribution:
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
    share = (mu - low) / (high - low)
    total = share * (1 - share) * ((high - low) / sigma) ** 2 - 1
    law = stats.beta(share * total, (1 - share) * total, loc=low, scale=high - low)
    table = InverseTable.build(law)
    return Distribution("beta", mu, sigma, low, high, mu, sigma, law, table)


def _uniform(mean: float | None, sd: float | None, low: float, high: float) -> Distribution:
    if np.isfinite(low) and np.isfinite(high):
        middle, spread = 0.5 * (low + high), (high - low) / np.sqrt(12.0)
        _agree("uniform", mean, sd, middle, spread)
    else:
        _both_or_none("uniform", low, high)
        middle, spread = _moments("uniform", mean, sd)
        low, high = middle - np.sqrt(3.0) * spread, middle + np.sqrt(3.0) * spread
    law = stats.uniform(low, high - low)
    spread = float(spread)
    return Distribution("uniform", middle, spread, low, high, middle, spread, law, None)


def _triangular(mean: float | None, sd: float | None, low: float, high: float) -> Distribution:
    if np.isfinite(low) and np.isfinite(high):
        middle = 0.5 * (low + high) if mean is None else float(mean)
        peak = 3.0 * middle - low - high
        slack = 1e-9 * (high - low)  # rounding moves a peak that stands on a bound
        if not low - slack <= peak <= high + slack:
            raise InputError(
                "mean", f"= {middle:g} puts the peak at {peak:g}, outside {low:g} to {high:g}"
            )
        peak = min(max(peak, low), high)
        spread = np.sqrt(
            (low**2 + high**2 + peak**2 - low * high - low * peak - high * peak) / 18.0
        )
        _agree("triangular", None, sd, middle, spread)
    else:
        _both_or_none("triangular", low, high)
        middle, spread = _moments("triangular", mean, sd)
        peak, low, high = middle, middle - np.sqrt(6.0) * spread, middle + np.sqrt(6.0) * spread
    law = stats.triang((peak - low) / (high - low), loc=low, scale=high - low)
    spread = float(spread)
    return Distribution("triangular", middle, spread, low, high, middle, spread, law, None)


def _both_or_none(family: str, low: float, high: float) -> None:
    """Refuse one bound alone, which mean and sd would silently overrule."""
    if np.isfinite(low) or np.isfinite(high):
        missing = "high" if np.isfinite(low) else "low"
        raise InputError(missing, f"is missing; {family} needs both low and high or neither")


def _agree(family: str, mean: float | None, sd: float | None, middle: float, spread: float) -> None:
    """Refuse moments that contradict the bounds that already fix them."""
    for name, value, implied in (("mean", mean, middle), ("sd", sd, spread)):
        # A mean near 0 differs from its bounds' middle by rounding, which has the bounds' size.
        if value is not None and not np.isclose(value, implied, rtol=1e-6, atol=1e-9 * spread):
            raise InputError(
                name, f"= {value:g} contradicts the bounds of the {family}, which give {implied:g}"
            )


def _log_sd(mean: float, sd: float) -> float:
    return float(np.sqrt(np.log1p((sd / mean) ** 2)))
