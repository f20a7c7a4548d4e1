"""How much faster chloride enters a face that lost its forms early.

The penalty factor k_c is the diffusivity of the face as cured over the diffusivity of the same
concrete after 7 d of curing. The law interpolates the published distributions at 1, 3, 7 and
28 d in log-log; one shared variable u sets its place in all of them. Below one day it is
extrapolated, beyond 28 d constant.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stripwise.distributions.distribution import Distribution, distribution
from stripwise.errors import InputError
from stripwise.published.library import constant, published_value

__all__ = [
    "CHARACTERISTIC_PENALTY",
    "EARLY_EXPONENT",
    "EARLY_SLOPE_SD",
    "PUBLISHED_FROM_H",
    "UNCURED_H",
    "CuringLawSamples",
    "characteristic_penalty",
    "effective_duration",
    "log_penalty",
    "penalty_distributions",
    "relative_log_penalty",
    "sample_curing_law",
]

Array = NDArray[np.float64]
Weights = tuple[Array | float, ...]

HOURS_PER_DAY = 24.0

PUBLISHED_FROM_H = constant("curing.shortest_duration")
"""Effective curing [h] below which the law goes on, far beyond anything published."""

LEAST_H = 1e-6
"""Keeps the logarithm of a sample finite that counts as not cured anyway [h]."""

UNCURED_H = constant("curing.uncured")
"""Equivalent age at stripping [h] below which a face counts as not cured at all."""

EARLY_SLOPE_SD = constant("curing.early_slope_sd")
"""Sd of the exponent of the law below one day."""

EARLY_EXPONENT = float(
    np.log(
        constant("duracrete.curing_factor.1d.mean") / constant("duracrete.curing_factor.3d.mean")
    )
    / np.log(3.0)
)
"""Mean exponent below one day: that of the mean penalties between 1 and 3 d."""

CHARACTERISTIC_PENALTY: Mapping[float, float] = MappingProxyType(
    {
        float(label.removesuffix(" d")): number
        for label, number in published_value(
            "duracrete.curing_factor.characteristic"
        ).numbers.items()
    }
)
"""Characteristic penalty by curing duration [d], for the semi-probabilistic mode only."""


@dataclass(frozen=True, slots=True)
class CuringLawSamples:
    """Samples of the curing law, shared by every strategy.

    Attributes
    ----------
    log_1d, log_3d, log_28d
        (n,) or scalar ln k_c at 1, 3 and 28 d; at 7 d it is 0.
    early_exponent
        (n,) or scalar exponent of 1 d / t_c below one day, at least 0.
    """

    log_1d: Array
    log_3d: Array
    log_28d: Array
    early_exponent: Array


@functools.cache
def penalty_distributions() -> Mapping[float, Distribution]:
    """Return the distributions of k_c that the law passes through, by duration [d]."""
    distributions = {}
    for days in (1.0, 3.0, 28.0):
        entry = published_value(f"duracrete.curing_factor.{days:g}d")
        distributions[days] = distribution(entry.family, **entry.numbers)
    return MappingProxyType(distributions)


def sample_curing_law(
    curing_z: ArrayLike, early_slope_z: ArrayLike, *, max_duration_d: float = np.inf
) -> CuringLawSamples:
    """Sample the curing law from its two standard normal variates.

    Parameters
    ----------
    curing_z
        (n,) or scalar standard normal variate of the place u in the published distributions;
        a high one means that early stripping harms more and long curing helps more.
    early_slope_z
        (n,) or scalar standard normal variate eta of the exponent below one day.
    max_duration_d
        Longest curing to be evaluated [d]: up to 7 d the distribution at 28 d is not needed.

    Returns
    -------
    The `CuringLawSamples`.

    Raises
    ------
    InputError
        If a variate is NaN.

    Notes
    -----
    Quantile u at 1 and 3 d, quantile 1-u at 28 d; exponent max(0, b + s eta), b = ln(2.4/1.5)/ln 3
    and s = 0.15, an assumption. For u below 1.6e-5 the two published distributions cross, by at
    most 2.1e-4: there the penalty at 1 d is raised to that at 3 d, so that the law never falls
    with less curing.

    References
    ----------
    DuraCrete R9, Statistical Quantification of the Variables in the Limit State Functions,
    BE95-1347, 2000 (recalled).

    Examples
    --------
    >>> draws = sample_curing_law(0.0, 0.0)
    >>> round(float(np.exp(draws.log_1d)), 3)
    2.379
    """
    z = _checked_variate("curing law", curing_z)
    eta = _checked_variate("early slope", early_slope_z)
    distributions = penalty_distributions()
    log_3d = np.log(distributions[3.0].from_normal(z))
    log_1d = np.maximum(np.log(distributions[1.0].from_normal(z)), log_3d)
    log_28d = np.log(distributions[28.0].from_normal(-z)) if max_duration_d > 7.0 else np.zeros(())
    return CuringLawSamples(
        log_1d, log_3d, log_28d, np.maximum(EARLY_EXPONENT + EARLY_SLOPE_SD * eta, 0.0)
    )


def log_penalty(duration_d: ArrayLike, draws: CuringLawSamples) -> Array:
    """Return ln k_c after an effective curing duration.

    Parameters
    ----------
    duration_d
        Effective curing duration, scalar or (n,), above 0 [d].
    draws
        The law, n samples or one.

    Returns
    -------
    (n,) or scalar ln k_c; 0 at 7 d, where the reference curing of the published law ends.

    Raises
    ------
    InputError
        If a duration is not above 0 or is NaN.

    Notes
    -----
    Linear in ln t_c between 1, 3, 7 and 28 d; constant beyond; below 1 d
    ln k_c = ln k_1 + exponent * ln(1 d / t_c), an extrapolation.

    Examples
    --------
    >>> draws = sample_curing_law(0.0, 0.0)
    >>> float(log_penalty(7.0, draws))
    0.0
    >>> round(float(np.exp(log_penalty(0.5, draws))), 2)
    3.2
    """
    return _weighted_sum(_weights(duration_d), draws)


def relative_log_penalty(
    duration_d: ArrayLike, reference_d: ArrayLike, *, draws: CuringLawSamples
) -> Array:
    """Return ln of the penalty against another reference curing than 7 d, sample by sample.

    Parameters
    ----------
    duration_d
        Effective curing duration, scalar or (n,) [d].
    reference_d
        Curing of the concrete that the diffusivity belongs to [d].
    draws
        The law, n samples or one.

    Returns
    -------
    (n,) or scalar ln of the ratio; 0 where both durations agree.

    Raises
    ------
    InputError
        If a duration is not above 0 or is NaN.

    Examples
    --------
    >>> float(relative_log_penalty(3.0, 3.0, draws=sample_curing_law(1.2, 0.0)))
    0.0
    """
    return _weighted_sum(_relative_weights(duration_d, reference_d), draws)


def characteristic_penalty(duration_d: ArrayLike, *, reference_d: float = 7.0) -> Array:
    """Return the characteristic penalty factor after an effective curing duration.

    Parameters
    ----------
    duration_d
        Effective curing duration, any shape, above 0 [d].
    reference_d
        Curing of the concrete that the diffusivity belongs to [d].

    Returns
    -------
    k_c of the shape of `duration_d`.

    Raises
    ------
    InputError
        If a duration is not above 0 or is NaN.

    Notes
    -----
    Log-log between 1, 3, 7 and 28 d and constant beyond, as the law is. Below 1 d nothing is
    published: the line through 1 and 3 d is continued, an extrapolation.

    References
    ----------
    DuraCrete R17, General Guidelines for Durability Design and Redesign, BE95-1347, 2000
    (recalled).

    Examples
    --------
    >>> [round(float(k), 3) for k in characteristic_penalty([0.5, 1.0, 3.0, 28.0])]
    [2.556, 2.08, 1.5, 0.79]
    """
    one, three, late = (
        np.asarray(np.log(CHARACTERISTIC_PENALTY[days])) for days in (1.0, 3.0, 28.0)
    )
    draws = CuringLawSamples(one, three, late, np.asarray((one - three) / np.log(3.0)))
    return np.asarray(np.exp(relative_log_penalty(duration_d, reference_d, draws=draws)))


def effective_duration(
    strip_age_h: ArrayLike,
    *,
    strip_factor: ArrayLike,
    retention: ArrayLike,
    follow_up_h: ArrayLike,
    follow_up_factor: ArrayLike,
) -> Array:
    """Return the effective curing duration of a face at the reference temperature.

    The forms cure fully; a follow-up counts by the fraction of moisture it retains.

    Parameters
    ----------
    strip_age_h
        Age at stripping [h].
    strip_factor
        Equivalent time per unit of time until stripping.
    retention
        Moisture retention e of the follow-up, in [0, 1].
    follow_up_h
        Duration of the follow-up [h]; 0 for none.
    follow_up_factor
        Equivalent time per unit of time during the follow-up.

    Returns
    -------
    Array of the broadcast shape of all five [d].

    Raises
    ------
    InputError
        If a value is not finite, a factor or the follow-up is negative, or a retention lies
        outside [0, 1].

    Examples
    --------
    >>> days = effective_duration(
    ...     16.0, strip_factor=1.0, retention=0.5, follow_up_h=72.0, follow_up_factor=0.5
    ... )
    >>> round(float(days), 4)
    1.4167
    """
    age = _checked("strip age", strip_age_h, unit=" h")
    strip_rate = _checked("maturity factor until stripping", strip_factor, low=0.0)
    retained = _checked("moisture retention", retention, low=0.0, high=1.0)
    after = _checked("duration of curing after stripping", follow_up_h, low=0.0, unit=" h")
    follow_up_rate = _checked(
        "maturity factor of curing after stripping", follow_up_factor, low=0.0
    )
    hours = age * strip_rate + retained * (after * follow_up_rate)
    return np.asarray(np.maximum(hours, LEAST_H) / HOURS_PER_DAY)


def _weights(duration_d: ArrayLike) -> Weights:
    """Weight of the early exponent and of ln k_c at 1, 3 and 28 d after some curing [d]."""
    if np.ndim(duration_d) == 0:
        return _scalar_weights(float(duration_d))  # type: ignore[arg-type]
    return _array_weights(np.asarray(duration_d, dtype=float))


def _relative_weights(duration_d: ArrayLike, reference_d: ArrayLike) -> Weights:
    """Weights after some curing less those after the reference curing [d]."""
    if np.ndim(duration_d) == 0 and np.ndim(reference_d) == 0:
        return _relative_scalar_weights(float(duration_d), float(reference_d))  # type: ignore[arg-type]
    pairs = zip(_weights(duration_d), _weights(reference_d), strict=True)
    return tuple(weight - reference_weight for weight, reference_weight in pairs)


@functools.lru_cache(maxsize=4096)
def _scalar_weights(duration: float) -> Weights:
    """Cache the weights of one duration, which every block of samples needs again."""
    return tuple(float(weight) for weight in _array_weights(np.asarray(duration)))


@functools.lru_cache(maxsize=4096)
def _relative_scalar_weights(duration: float, reference: float) -> Weights:
    pairs = zip(_scalar_weights(duration), _scalar_weights(reference), strict=True)
    return tuple(weight - reference_weight for weight, reference_weight in pairs)


def _array_weights(duration: Array) -> Weights:
    if not np.all(duration > 0):
        bad = duration[~(duration > 0)].flat[0]
        raise InputError("effective curing duration", f"= {bad:g} d: must be above 0 d")
    x = np.log(duration)
    fraction_1d_3d, fraction_3d_7d = _segment_fraction(x, 1.0, 3.0), _segment_fraction(x, 3.0, 7.0)
    return (
        np.maximum(-x, 0.0),
        1.0 - fraction_1d_3d,
        fraction_1d_3d - fraction_3d_7d,
        _segment_fraction(x, 7.0, 28.0),
    )


def _weighted_sum(weights: Weights, draws: CuringLawSamples) -> Array:
    """Weighted sum of the samples; most weights are 0 and are skipped."""
    parts = (draws.early_exponent, draws.log_1d, draws.log_3d, draws.log_28d)
    terms = [
        weight * part
        for weight, part in zip(weights, parts, strict=True)
        if (weight.any() if isinstance(weight, np.ndarray) else weight)
    ]
    total = functools.reduce(np.add, terms) if terms else 0.0
    if np.size(total) > 1:
        return np.asarray(total)
    return np.full(np.broadcast_shapes(np.shape(weights[0]), *(p.shape for p in parts)), total)


def _segment_fraction(x: Array, start: float, end: float) -> Array:
    """Fraction of the segment from ln(start) to ln(end) that lies below x."""
    low, high = np.log(start), np.log(end)
    return np.asarray(np.minimum(np.maximum((x - low) / (high - low), 0.0), 1.0))


def _checked_variate(where: str, z: ArrayLike) -> Array:
    array = np.asarray(z, dtype=float)
    if np.any(np.isnan(array)):
        raise InputError(where, f"has {int(np.sum(np.isnan(array)))} values that are not a number")
    return array


def _checked(
    where: str, values: ArrayLike, *, low: float = -np.inf, high: float = np.inf, unit: str = ""
) -> Array:
    if isinstance(values, float) and np.isfinite(values) and low <= values <= high:
        return np.asarray(values)
    array = np.asarray(values, dtype=float)
    good = np.isfinite(array) & (array >= low) & (array <= high)
    if not np.all(good):
        bad = array[~good].flat[0]
        allowed = "finite" if low == -np.inf else f"finite and at least {low:g}{unit}"
        if high != np.inf:
            allowed = f"between {low:g} and {high:g}"
        raise InputError(where, f"= {bad:g}{unit}: must be {allowed}")
    return array
