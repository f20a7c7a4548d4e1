"""Probability, quantile and value of a random input for a normal variate z.

A random input is sampled as x = F^-1(Phi(z)) from a standard normal variate z, so that the same
sample of z serves every family and a Gaussian copula needs no second transform.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from stripwise.distributions.families import (
    FAMILIES,
    FIXED,
    SAMPLE,
    FamilyMember,
    build_member,
    constant_member,
    sample_member,
)
from stripwise.distributions.inverse_table import exact_inverse
from stripwise.distributions.sample_law import SampleLaw
from stripwise.errors import InputError

__all__ = [
    "FAMILIES",
    "Distribution",
    "distribution",
    "fixed",
    "from_sample",
    "with_shifted_moments",
]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Distribution(FamilyMember):
    """One input's distribution: a family's member with its probabilities and quantiles.

    It has the attributes of `FamilyMember`: family, mean, sd, low, high, parent_mean and parent_sd.
    """

    @classmethod
    def from_member(cls, member: FamilyMember) -> Distribution:
        """Return the distribution of a family's member."""
        return cls(**{item.name: getattr(member, item.name) for item in fields(member)})

    @property
    def is_fixed(self) -> bool:
        """Whether the input is a constant."""
        return self.family == FIXED

    @property
    def is_truncated(self) -> bool:
        """Whether this is a member that lost a tail to a bound."""
        bounded = bool(np.isfinite(self.low) or np.isfinite(self.high))
        return bounded and self.family != SAMPLE and FAMILIES[self.family].cut_at_bounds

    def cdf(self, x: ArrayLike) -> Array:
        """Probability of a value at or below x, of any shape, in the variable's unit."""
        x = np.asarray(x, dtype=float)
        return np.asarray(self._law.cdf(x))

    def sf(self, x: ArrayLike) -> Array:
        """Probability of a value above x, exact where ``1 - cdf`` would round to zero."""
        x = np.asarray(x, dtype=float)
        return np.asarray(self._law.sf(x))

    def pdf(self, x: ArrayLike) -> Array:
        """Density at x, of any shape [1 / unit]; InputError for a fixed input, which has none."""
        return np.asarray(self._law.pdf(x))

    def quantile(self, p: ArrayLike) -> Array:
        """Value that is not exceeded with probability p, of any shape, by scipy's exact inverse."""
        p = np.asarray(p, dtype=float)
        return np.asarray(self._law.ppf(p))

    def from_normal(self, z: ArrayLike) -> Array:
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
        own = getattr(self._law, "from_normal", None)
        return np.asarray(own(z)) if own is not None else exact_inverse(self._law, z)

    def to_normal(self, x: ArrayLike) -> Array:
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
        own = getattr(self._law, "to_normal", None)
        if own is not None:
            return np.asarray(own(x))
        below = self.cdf(x)
        return np.asarray(np.where(below < 0.5, special.ndtri(below), -special.ndtri(self.sf(x))))

    def shifted(self, distance: float) -> Distribution:
        """Return the distribution of the same sd after its nominal value moves by a distance.

        A beta, uniform or triangular moves with both bounds, while the physical bound of a
        truncated normal stays. InputError if the mean would leave the bounds that stay.
        """
        if self.is_fixed:
            return fixed(self.mean + distance)
        if self.family == SAMPLE:
            return Distribution.from_member(sample_member(self._law.moved(distance)))
        if FAMILIES[self.family].bounds_move:
            low, high = self.low + distance, self.high + distance
        else:
            low, high = self.low, self.high
        return distribution(
            self.family, mean=self.parent_mean + distance, sd=self.parent_sd, low=low, high=high
        )


def fixed(value: float) -> Distribution:
    """Return a constant as a distribution of the family ``fixed``."""
    return Distribution.from_member(constant_member(value))


def from_sample(sample: ArrayLike) -> Distribution:
    """Return the distribution of a sample: straight lines between its sorted values."""
    return Distribution.from_member(sample_member(SampleLaw.from_sample(sample)))


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
    return Distribution.from_member(
        build_member(family, mean=mean, sd=sd, cov=cov, low=low, high=high)
    )


def with_shifted_moments(law: Distribution, *, mean: float = 0.0, sd: float = 0.0) -> Distribution:
    """Add to the mean and sd that a random distribution has before truncation.

    Uniform and triangular move with their bounds, other bounds stay. InputError if no such
    distribution exists, as for a beta that its bounds do not let widen.
    """
    if law.family == SAMPLE:
        raise InputError("", "an empirical distribution has no moments that could be changed")
    centre, spread = law.parent_mean + mean, law.parent_sd + sd
    low, high = law.low, law.high
    if FAMILIES[law.family].bounds_widen:
        low, high = (centre + (end - law.mean) * spread / law.sd for end in (low, high))
        return distribution(law.family, mean=centre, low=low, high=high)
    return distribution(law.family, mean=centre, sd=spread, low=low, high=high)
