"""Which penalty factors follow from the diffusivities of the strategies, and with which error."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from stripwise.errors import EvidenceError
from stripwise.evidence.profiles.chloride_profiles import MM2_D_PER_M2_S, ProfileFits
from stripwise.evidence.profiles.pooling import (
    LogRatios,
    PooledMeans,
    add_shared_error,
    compare_with_reference,
    equal_means_p_value,
    pool,
)
from stripwise.units.names import nearest_spelling, printable

__all__ = [
    "INDICATIVE",
    "MIN_SPECIMENS",
    "NORMAL_975",
    "PenaltyFactors",
    "ProfilePenaltyFactors",
    "covariance_table",
    "diffusivity_table",
    "penalty_factors",
    "penalty_table",
    "profile_penalty_factors",
    "specimen_table",
]

Array = NDArray[np.float64]

MIN_SPECIMENS = 5
"""Specimens of a file from which the coverage of their intervals was measured."""

INDICATIVE = "indicative"

NORMAL_975 = float(stats.norm.ppf(0.975))


@dataclass(frozen=True, slots=True)
class PenaltyFactors:
    """Penalty factors of s strategies.

    Attributes
    ----------
    strategies
        s names, in the order of the data.
    reference
        The strategy whose penalty is 1.
    log_diffusivity
        Means of ln D [ln(m2/s)] by strategy.
    log_ratios
        ln of the penalty factors with their covariance.
    mean, sd, low95, high95
        (s,) of the lognormal penalty factor whose 2.5 % and 97.5 % quantiles are the interval.
    log_sd
        (s,) sd of its logarithm.
    correlation
        (s, s) correlation of the logarithms; 0 where a factor is certain.
    """

    strategies: tuple[str, ...]
    reference: str
    log_diffusivity: PooledMeans
    log_ratios: LogRatios
    mean: Array
    sd: Array
    low95: Array
    high95: Array
    log_sd: Array
    correlation: Array

    @property
    def covariance(self) -> Array:
        """(s, s) covariance of the penalty factors themselves."""
        cross = self.correlation * np.outer(self.log_sd, self.log_sd)
        return np.asarray(np.outer(self.mean, self.mean) * np.expm1(cross))


@dataclass(frozen=True, slots=True)
class ProfilePenaltyFactors(PenaltyFactors):
    """Penalty factors out of profiles, with what the profiles say about the surface content.

    Attributes
    ----------
    surface
        Means of Cs by strategy.
    equal_surface_p
        p of the test that all strategies have the same Cs; NaN for one strategy.
    """

    surface: PooledMeans
    equal_surface_p: float


def penalty_factors(
    log_diffusivity: Array,
    log_variance: Array,
    *,
    strategies: Sequence[str],
    reference: str,
    file: str = "",
    shared_error: Array | None = None,
) -> PenaltyFactors:
    """Pool diffusivities by strategy and divide by the reference strategy.

    Parameters
    ----------
    log_diffusivity, log_variance
        (g,) ln D [ln(m2/s)] of the specimens, and the variance of each by its own test.
    strategies
        g names.
    shared_error
        (g,) change of ln D by one standard deviation of an error common to all specimens, such
        as that of a fitted depth; none unless given.

    Raises
    ------
    EvidenceError
        If no specimen has the reference strategy.

    Notes
    -----
    The sd of ln k_c is half the 95 % interval over 1.96, so that what few specimens leave open
    (t instead of the normal) enters the scenario too.
    """
    names = tuple(dict.fromkeys(strategies))
    if reference not in names:
        nearest = nearest_spelling(reference, names)
        raise EvidenceError(
            [
                f"{file}: no specimen has the reference strategy "
                f"{printable(reference)}; the strategies are "
                f"{', '.join(printable(name) for name in names)}{nearest}"
            ]
        )
    reference_index = names.index(reference)
    group = _group(strategies)
    pooled = pool(log_diffusivity, log_variance, group=group)
    log_ratios = compare_with_reference(pooled, reference_index)
    if shared_error is not None:
        change = np.bincount(group, shared_error) / np.bincount(group)
        log_ratios = add_shared_error(
            log_ratios, change - change[reference_index], t_quantile=pooled.t_quantile
        )
    variance = np.diag(log_ratios.covariance)
    log_sd = np.sqrt(variance) * pooled.t_quantile / NORMAL_975
    scale = np.sqrt(np.outer(variance, variance))
    correlation = np.divide(
        log_ratios.covariance, scale, out=np.zeros_like(scale), where=scale > 0.0
    )
    mean = np.exp(log_ratios.log_mean + 0.5 * log_sd**2)
    return PenaltyFactors(
        strategies=names,
        reference=reference,
        log_diffusivity=pooled,
        log_ratios=log_ratios,
        mean=mean,
        sd=mean * np.sqrt(np.expm1(log_sd**2)),
        low95=np.exp(log_ratios.low95),
        high95=np.exp(log_ratios.high95),
        log_sd=log_sd,
        correlation=correlation,
    )


def profile_penalty_factors(
    fits: ProfileFits, reference: str, *, shared_error: Array | None = None
) -> ProfilePenaltyFactors:
    """Pool the fits by strategy and divide by the reference, arguments as `penalty_factors`."""
    strategies = fits.profiles.strategies
    base = penalty_factors(
        np.log(fits.diffusivity),
        fits.log_variance,
        strategies=strategies,
        reference=reference,
        file=fits.profiles.file,
        shared_error=shared_error,
    )
    pooled = base.log_diffusivity
    largest = float(np.abs(fits.surface).max())
    surface = pool(
        fits.surface,
        fits.surface_se**2,
        group=_group(strategies),
        between=(largest * np.sqrt(pooled.between_variance)) ** 2
        if pooled.between_assumed
        else None,
    )
    equal_surface_p = equal_means_p_value(surface)
    fields_of_base = {item.name: getattr(base, item.name) for item in fields(base)}
    return ProfilePenaltyFactors(**fields_of_base, surface=surface, equal_surface_p=equal_surface_p)


def _group(strategies: Sequence[str]) -> NDArray[np.intp]:
    place = {name: k for k, name in enumerate(dict.fromkeys(strategies))}
    return np.array([place[name] for name in strategies], dtype=np.intp)


def specimen_table(fits: ProfileFits) -> pd.DataFrame:
    """Tabulate the fits, one row a specimen: diffusivity, surface content, errors, notes."""
    intervals = fits.intervals
    status = INDICATIVE if len(fits.layers_used) < MIN_SPECIMENS else ""
    return pd.DataFrame(
        {
            "specimen": fits.profiles.specimens,
            "strategy": fits.profiles.strategies,
            "diffusivity_m2_s": fits.diffusivity,
            "diffusivity_se": fits.diffusivity_se,
            "diffusivity_low95": np.exp(intervals.log_d_low) / MM2_D_PER_M2_S,
            "diffusivity_high95": np.exp(intervals.log_d_high) / MM2_D_PER_M2_S,
            f"surface_{fits.profiles.basis}": fits.surface,
            "surface_se": fits.surface_se,
            "surface_low95": intervals.surface_low,
            "surface_high95": intervals.surface_high,
            "correlation": fits.correlation,
            "rmse": fits.rmse,
            "layers_used": fits.layers_used,
            "status": status,
            "notes": fits.notes,
        }
    )


def diffusivity_table(factors: PenaltyFactors) -> pd.DataFrame:
    """Tabulate geometric mean diffusivities [m2/s] with 95 % intervals, one row a strategy."""
    pooled = factors.log_diffusivity
    half = pooled.t_quantile * np.sqrt(pooled.variance)
    return pd.DataFrame(
        {
            "strategy": factors.strategies,
            "specimens": pooled.counts,
            "diffusivity_m2_s": np.exp(pooled.mean),
            "diffusivity_low95": np.exp(pooled.mean - half),
            "diffusivity_high95": np.exp(pooled.mean + half),
        }
    )


def penalty_table(factors: PenaltyFactors) -> pd.DataFrame:
    """Tabulate the columns of `penalties`, one row a strategy.

    mean and sd of the lognormal; low95 and high95 are its 2.5 % and 97.5 % quantiles.
    """
    return pd.DataFrame(
        {
            "strategy": factors.strategies,
            "specimens": factors.log_diffusivity.counts,
            "mean": factors.mean,
            "sd": factors.sd,
            "low95": factors.low95,
            "high95": factors.high95,
        }
    )


def covariance_table(factors: PenaltyFactors) -> pd.DataFrame:
    """Tabulate the covariance of the penalty factors; the reference's is 0."""
    table = pd.DataFrame(factors.covariance, columns=list(factors.strategies))
    table.insert(0, "strategy", list(factors.strategies))
    return table
