"""Penalty factors from fitted profiles: the strategies pooled, compared and tabled."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from stripwise.errors import EvidenceError
from stripwise.evidence.profiles.chloride_profiles import Fits
from stripwise.evidence.profiles.pooling import Pooled, Ratios, common_value, pool, ratios, widened
from stripwise.units.names import printable

__all__ = [
    "NORMAL_975",
    "PENALTY_COLUMNS",
    "Factors",
    "Penalties",
    "covariance_table",
    "diffusivity_table",
    "factors",
    "penalties",
    "penalty_table",
    "specimen_table",
]

Array = NDArray[np.float64]

NORMAL_975 = float(stats.norm.ppf(0.975))

PENALTY_COLUMNS = ["strategy", "specimens", "mean", "sd", "low95", "high95"]


@dataclass(frozen=True, slots=True)
class Factors:
    """Penalty factors of s strategies.

    Attributes
    ----------
    strategies
        s names, in the order of the data.
    reference
        The strategy whose penalty is 1.
    log_diffusivity
        Means of ln D [ln(m2/s)] by strategy.
    ratios
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
    log_diffusivity: Pooled
    ratios: Ratios
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
class Penalties(Factors):
    """Penalty factors out of profiles, with what the profiles say about the surface content.

    Attributes
    ----------
    surface
        Means of Cs by strategy.
    common_surface
        p of the test that all strategies have the same Cs; NaN for one strategy.
    """

    surface: Pooled
    common_surface: float


def factors(
    log_diffusivity: Array,
    log_variance: Array,
    *,
    strategies: Sequence[str],
    reference: str,
    file: str = "",
    shared: Array | None = None,
) -> Factors:
    """Pool diffusivities by strategy and divide by the reference strategy.

    Parameters
    ----------
    log_diffusivity, log_variance
        (g,) ln D [ln(m2/s)] of the specimens, and the variance of each by its own test.
    strategies
        g names.
    reference
        Name of the strategy whose penalty is 1.
    file
        Name of the file for messages.
    shared
        (g,) change of ln D by one standard deviation of something that all specimens share, such
        as a fitted depth; none unless given.

    Returns
    -------
    The `Factors`.

    Raises
    ------
    EvidenceError
        If no specimen has the reference strategy.

    Notes
    -----
    The sd of ln k_c is half the 95 % interval over 1.96, so that what few specimens leave open
    (t instead of the normal) reaches the scenario too.
    """
    names = tuple(dict.fromkeys(strategies))
    if reference not in names:
        near = difflib.get_close_matches(reference, names, n=1, cutoff=0.5)
        nearest = f"; the nearest spelling is {printable(near[0])}" if near else ""
        raise EvidenceError(
            [
                f"{file}: no specimen has the reference strategy "
                f"{printable(reference)}; the strategies are "
                f"{', '.join(printable(name) for name in names)}{nearest}"
            ]
        )
    at = names.index(reference)
    group = _group(strategies)
    pooled = pool(log_diffusivity, log_variance, group=group)
    compared = ratios(pooled, at)
    if shared is not None:
        move = np.bincount(group, shared) / np.bincount(group)
        compared = widened(compared, move - move[at], t=pooled.t)
    variance = np.diag(compared.covariance)
    log_sd = np.sqrt(variance) * pooled.t / NORMAL_975
    scale = np.sqrt(np.outer(variance, variance))
    correlation = np.divide(compared.covariance, scale, out=np.zeros_like(scale), where=scale > 0.0)
    mean = np.exp(compared.log_mean + 0.5 * log_sd**2)
    return Factors(
        strategies=names,
        reference=reference,
        log_diffusivity=pooled,
        ratios=compared,
        mean=mean,
        sd=mean * np.sqrt(np.expm1(log_sd**2)),
        low95=np.exp(compared.low95),
        high95=np.exp(compared.high95),
        log_sd=log_sd,
        correlation=correlation,
    )


def penalties(fits: Fits, reference: str, *, shared: Array | None = None) -> Penalties:
    """Pool the fits by strategy and divide by the reference strategy.

    Parameters
    ----------
    fits
        Fits of all specimens.
    reference, shared
        As `factors` takes them.

    Returns
    -------
    The `Penalties`.

    Raises
    ------
    EvidenceError
        If no specimen has the reference strategy.
    """
    strategies = fits.profiles.strategies
    base = factors(
        np.log(fits.diffusivity),
        fits.log_variance,
        strategies=strategies,
        reference=reference,
        file=fits.profiles.file,
        shared=shared,
    )
    pooled = base.log_diffusivity
    largest = float(np.abs(fits.surface).max())
    surface = pool(
        fits.surface,
        fits.surface_se**2,
        group=_group(strategies),
        between=(largest * np.sqrt(pooled.between)) ** 2 if pooled.assumed else None,
    )
    common = common_value(surface)
    own = {item.name: getattr(base, item.name) for item in fields(base)}
    return Penalties(**own, surface=surface, common_surface=common)


def _group(strategies: Sequence[str]) -> NDArray[np.intp]:
    place = {name: k for k, name in enumerate(dict.fromkeys(strategies))}
    return np.array([place[name] for name in strategies], dtype=np.intp)


def specimen_table(fits: Fits) -> pd.DataFrame:
    """Tabulate the fits, one row a specimen.

    Parameters
    ----------
    fits
        Fits of all specimens.

    Returns
    -------
    DataFrame: specimen, strategy, diffusivity_m2_s, diffusivity_se, surface_pct (or the unit
    that the profiles have instead), surface_se, correlation (of Cs and D_a), rmse, layers_used,
    notes.
    """
    return pd.DataFrame(
        {
            "specimen": fits.profiles.specimens,
            "strategy": fits.profiles.strategies,
            "diffusivity_m2_s": fits.diffusivity,
            "diffusivity_se": fits.diffusivity_se,
            f"surface_{fits.profiles.basis}": fits.surface,
            "surface_se": fits.surface_se,
            "correlation": fits.correlation,
            "rmse": fits.rmse,
            "layers_used": fits.used,
            "notes": fits.notes,
        }
    )


def diffusivity_table(found: Factors) -> pd.DataFrame:
    """Tabulate the pooled diffusivities, one row a strategy.

    Parameters
    ----------
    found
        The factors.

    Returns
    -------
    DataFrame: strategy, specimens, diffusivity_m2_s (geometric mean) with its 95 % interval.
    """
    pooled = found.log_diffusivity
    half = pooled.t * np.sqrt(pooled.variance)
    return pd.DataFrame(
        {
            "strategy": found.strategies,
            "specimens": pooled.counts,
            "diffusivity_m2_s": np.exp(pooled.mean),
            "diffusivity_low95": np.exp(pooled.mean - half),
            "diffusivity_high95": np.exp(pooled.mean + half),
        }
    )


def penalty_table(found: Factors) -> pd.DataFrame:
    """Tabulate the penalty factors, one row a strategy.

    Parameters
    ----------
    found
        The penalty factors.

    Returns
    -------
    DataFrame with `PENALTY_COLUMNS`; mean and sd of the lognormal, low95 and high95 its 2.5 % and
    97.5 % quantiles.
    """
    return pd.DataFrame(
        {
            "strategy": found.strategies,
            "specimens": found.log_diffusivity.counts,
            "mean": found.mean,
            "sd": found.sd,
            "low95": found.low95,
            "high95": found.high95,
        }
    )


def covariance_table(found: Factors) -> pd.DataFrame:
    """Tabulate the covariance of the penalty factors.

    Parameters
    ----------
    found
        The penalty factors.

    Returns
    -------
    DataFrame with a row and a column per strategy; the reference's are 0.
    """
    table = pd.DataFrame(found.covariance, columns=list(found.strategies))
    table.insert(0, "strategy", list(found.strategies))
    return table
