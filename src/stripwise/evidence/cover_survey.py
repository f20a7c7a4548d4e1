"""How the cover is distributed by the readings of a survey, and how sure that is."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import special, stats

from stripwise.errors import InputError
from stripwise.evidence.statistics.effective_sample_size import (
    SpatialCorrelation,
    area_effective_sample_size,
    design_effect,
    estimate_spatial_correlation,
)
from stripwise.evidence.statistics.family_fit import (
    BETA,
    FittedFamily,
    bootstrap_shares,
    fit_families,
    fitted_distribution,
    with_goodness_of_fit,
)
from stripwise.evidence.statistics.likelihood import fitted_families
from stripwise.evidence.tables.data_file import LINE, DataFile
from stripwise.units.names import nearest_spelling
from stripwise.units.source_files import SourceFile

__all__ = ["CoverSurvey", "Estimate", "analyse_survey", "rounding_step", "wilson_interval"]

Array = NDArray[np.float64]

MIN_READINGS = 5
"""Fewest readings that are fitted."""

MIN_RANGE = 0.01
"""Range of the readings [mm] below which they count as one value; no meter shows less."""

ROUNDING_STEPS = (25.4, 12.7, 10.0, 6.35, 5.0, 3.175, 2.54, 2.0, 1.5875, 1.0, 0.5, 0.254, 0.2, 0.1)
"""Steps to which readings are rounded [mm]; those of inches among them."""

COARSE_STEP_RATIO = 0.5
"""Step in units of the sd from which a warning mentions rounding."""

FAR, LEAST_SCALE = 6.0, 2.0
"""Robust sds from the median beyond which a reading is named, and the least such sd [mm]."""

CEILING_SHARE = 0.05
"""Share of the readings on the largest value from which a limited range of the meter is suspected."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number with its 95 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class CoverSurvey:
    """A cover survey, analysed.

    Attributes
    ----------
    data
        Readings: cover_mm, and x_mm, y_mm, area where the file has them.
    mean, sd
        Moments of the readings [mm] with intervals by the effective sample size.
    fits
        Families, lowest criterion first, with goodness of fit.
    chosen
        The family for the scenario.
    effective_sample_size
        Number of independent readings that would determine the mean as well.
    spatial
        Correlation over distance; None without positions.
    area_correlation
        Correlation within an area; NaN unless areas but no positions are given.
    areas
        Readings, mean and sd [mm] per area; None without areas.
    step
        Step to which readings are rounded [mm]; 0 if there is none.
    limit
        A limit [mm]; None if none was given.
    empirical_share, fitted_share
        Share below the limit: of the readings, and by the chosen family.
    warnings
        What to know before using the numbers.
    sources
        The file of the readings.
    """

    data: pd.DataFrame
    mean: Estimate
    sd: Estimate
    fits: tuple[FittedFamily, ...]
    chosen: FittedFamily
    effective_sample_size: float
    spatial: SpatialCorrelation | None
    area_correlation: float
    areas: pd.DataFrame | None
    step: float
    limit: float | None
    empirical_share: Estimate | None
    fitted_share: Estimate | None
    warnings: tuple[str, ...]
    sources: tuple[SourceFile, ...]


def analyse_survey(
    data_file: DataFile,
    *,
    rng: np.random.Generator,
    limit: float | None = None,
    family: str | None = None,
    bounds: tuple[float, float] | None = None,
) -> CoverSurvey:
    """Analyse a file of kind cover-survey; `limit` and `bounds` (of a beta) in mm.

    The family of the lowest criterion is chosen unless `family` names one.
    """
    data = data_file.data.drop(columns=[LINE])
    x = data["cover_mm"].to_numpy(dtype=float)
    _check_readings(data_file, x)
    step = rounding_step(x)
    spatial, area_correlation, areas = _estimate_dependence(data, rng)
    size = float(x.size)
    if spatial is not None:
        size = spatial.effective_sample_size
    elif not math.isnan(area_correlation):
        size = area_effective_sample_size(x, data["area"].to_numpy())
    size = max(size, 2.0)
    size_sd = size if spatial is None else spatial.effective_sample_size_sd
    sd_inflation = 1.0 if spatial is None else spatial.sd_inflation
    fits = with_goodness_of_fit(_fit_all_families(x, bounds), x, rng=rng, step=step)
    chosen = _choose_family(fits, family)
    empirical_share = fitted_share = None
    if limit is not None:
        empirical_share = wilson_interval(float(np.mean(x < limit)), size)
        shares = bootstrap_shares(chosen, limit, size=max(round(size), MIN_READINGS), rng=rng)
        low, high = np.quantile(shares, (0.025, 0.975))
        fitted_value = float(fitted_distribution(chosen, x).cdf(limit))
        fitted_share = Estimate(
            fitted_value, min(float(low), fitted_value), max(float(high), fitted_value)
        )
    survey = CoverSurvey(
        data,
        _mean_interval(x, size),
        _sd_interval(x, size_sd, sd_inflation),
        fits,
        chosen,
        size,
        spatial,
        area_correlation,
        areas,
        step,
        limit,
        empirical_share,
        fitted_share,
        (),
        data_file.sources,
    )
    warnings = (
        *data_file.notes,
        *_outliers(data_file.data),
        *_dependence_warnings(survey),
        *_reading_warnings(survey),
    )
    return dataclasses.replace(survey, warnings=warnings)


def rounding_step(values: ArrayLike) -> float:
    """Return the largest usual step of which all readings are multiples [mm]; 0 if none.

    Examples
    --------
    >>> rounding_step([50.0, 55.0, 65.0]), rounding_step([50.8, 63.5]), rounding_step([50.13])
    (5.0, 12.7, 0.0)
    """
    x = np.asarray(values, dtype=float)
    for step in ROUNDING_STEPS:
        if np.all(np.abs(x / step - np.round(x / step)) * step < 1e-6):
            return step
    return 0.0


def wilson_interval(share: float, number: float) -> Estimate:
    """Return a share with its 95 % score interval.

    Parameters
    ----------
    number
        Number of independent trials, not necessarily whole.

    References
    ----------
    Wilson (1927), Probable inference, the law of succession, and statistical inference.

    Examples
    --------
    >>> interval = wilson_interval(0.0, 50.0)
    >>> interval.low, round(interval.high, 4)
    (0.0, 0.0713)
    """
    z = float(special.ndtri(0.975))
    scale = 1.0 + z**2 / number
    centre = (share + z**2 / (2.0 * number)) / scale
    half = z / scale * math.sqrt(share * (1.0 - share) / number + z**2 / (4.0 * number**2))
    low = 0.0 if share == 0.0 else centre - half
    return Estimate(share, low, 1.0 if share == 1.0 else centre + half)


def _check_readings(data_file: DataFile, x: Array) -> None:
    problems = data_file.problems()
    column = data_file.headers["cover_mm"]
    if x.size < MIN_READINGS:
        problems.add(
            f"has {x.size} readings; a distribution needs at least {MIN_READINGS}", column=column
        )
    elif np.ptp(x) < MIN_RANGE:
        problems.add(
            f"shows {x[0]:g} mm in all {x.size} readings; cover scatters, so check the meter. "
            "Nothing can be fitted",
            column=column,
        )
    if data_file.has("y_mm") and not data_file.has("x_mm"):
        problems.add("stands without x; give both, or x alone", column=data_file.headers["y_mm"])
    for axis in ("x_mm", "y_mm"):
        if data_file.has(axis):
            for line in data_file.data.loc[data_file.data[axis].isna(), LINE]:
                problems.add(
                    "has no value; give the position of every reading or take the column out",
                    line=int(line),
                    column=data_file.headers[axis],
                )
    problems.raise_all()


def _estimate_dependence(
    data: pd.DataFrame, rng: np.random.Generator
) -> tuple[SpatialCorrelation | None, float, pd.DataFrame | None]:
    areas = None
    if "area" in data:
        areas = data.groupby("area", sort=False)["cover_mm"].agg(["size", "mean", "std"])
        areas = areas.reset_index().set_axis(["area", "readings", "mean_mm", "sd_mm"], axis=1)
    if "x_mm" in data:
        y = data["y_mm"] if "y_mm" in data else pd.Series(0.0, index=data.index)
        positions = np.column_stack([data["x_mm"], y]).astype(float)
        if np.ptp(positions, axis=0).max() > 0:
            return (
                estimate_spatial_correlation(
                    positions, data["cover_mm"].to_numpy(dtype=float), rng=rng
                ),
                math.nan,
                areas,
            )
    if areas is not None and 1 < len(areas) < len(data):
        rho, _ = design_effect(data["cover_mm"].to_numpy(dtype=float), data["area"].to_numpy())
        return None, rho, areas
    return None, math.nan, areas


def _fit_all_families(x: Array, bounds: tuple[float, float] | None) -> tuple[FittedFamily, ...]:
    if bounds is not None and not bounds[0] < x.min() <= x.max() < bounds[1]:
        raise InputError(
            "--bounds",
            f"= {bounds[0]:g} mm to {bounds[1]:g} mm: must hold every reading, which run from "
            f"{x.min():g} to {x.max():g} mm; what can be found on the wall lies strictly within",
        )
    return fit_families(x, bounds=bounds)


def _choose_family(fits: tuple[FittedFamily, ...], family: str | None) -> FittedFamily:
    if family is None:
        return fits[0]
    for fit in fits:
        if fit.family == family:
            return fit
    if family == BETA:
        raise InputError("--family", "'beta': needs its bounds; state them by --bounds")
    allowed = ", ".join((*fitted_families(), BETA))
    raise InputError(
        "--family",
        f"{family[:40]!r}: must be one of {allowed}"
        + nearest_spelling(family, [fit.family for fit in fits]),
    )


def _mean_interval(x: Array, size: float) -> Estimate:
    half = stats.t.ppf(0.975, size - 1.0) * x.std(ddof=1) / math.sqrt(size)
    return Estimate(float(x.mean()), float(x.mean() - half), float(x.mean() + half))


def _sd_interval(x: Array, size: float, sd_inflation: float) -> Estimate:
    """Interval of the sd on the log scale, by the kurtosis of the readings.

    Var(ln s) = (kurtosis - 1) / (4 n), n the effective size (Cramer 1946, moments of a sample).
    Correlated readings scatter less around their own mean than around the true one, by
    `sd_inflation`; the upper end includes it.
    """
    sd = float(x.std(ddof=1))
    kurtosis = float(np.mean((x - x.mean()) ** 4) / np.var(x) ** 2)
    error = math.sqrt(max(kurtosis - 1.0, 0.5) / (4.0 * size))
    factor = math.exp(float(stats.t.ppf(0.975, size - 1.0)) * error)
    return Estimate(sd, sd / factor, sd * sd_inflation * factor)


def _dependence_warnings(survey: CoverSurvey) -> list[str]:
    data, spatial, rho = survey.data, survey.spatial, survey.area_correlation
    equivalent = (
        f"{len(data)} readings tell the mean as well as {survey.effective_sample_size:.0f} independent ones "
        "would, and the intervals are widened accordingly."
    )
    warnings = []
    if spatial is not None and spatial.correlated:
        warnings.append(
            "Neighbouring readings resemble each other (over about "
            f"{spatial.correlation_length / 1000.0:.2g} m): {equivalent}"
        )
    elif spatial is None and not math.isnan(rho):
        warnings.append(
            f"Readings of one area resemble each other (correlation {rho:.2f}): {equivalent}"
        )
    elif spatial is None:
        warnings.append(
            "The readings have no positions (x_m, y_m) or areas. Neighbours along one cage "
            "resemble each other; if these do, the intervals are too narrow."
        )
    if "x_mm" in data and data.duplicated([c for c in ("x_mm", "y_mm") if c in data]).any():
        warnings.append("Some places were read more than once; every reading counts by itself.")
    return warnings


def _outliers(data: pd.DataFrame) -> list[str]:
    """Name readings so far from the others that a slip of the pen is likely."""
    x = data["cover_mm"].to_numpy(dtype=float)
    middle = float(np.median(x))
    scale = max(1.4826 * float(np.median(np.abs(x - middle))), LEAST_SCALE)  # sd of a normal
    far = np.flatnonzero(np.abs(x - middle) > FAR * scale)
    if not far.size:
        return []
    named = ", ".join(f"{x[at]:g} mm in line {data[LINE].iloc[at]:.0f}" for at in far[:5])
    more = f" and {far.size - 5} more" if far.size > 5 else ""
    return [
        f"Readings far from the median of {middle:.3g} mm: {named}{more}. Check them for a slip of "
        "the decimal point; a true one is a spot to open up, not to leave out."
    ]


def _reading_warnings(survey: CoverSurvey) -> list[str]:
    x = survey.data["cover_mm"].to_numpy(dtype=float)
    fits, chosen = survey.fits, survey.chosen
    warnings = []
    if survey.step >= COARSE_STEP_RATIO * x.std():
        warnings.append(
            f"Readings are rounded to {survey.step:g} mm, coarse against their scatter: the sd is "
            "overstated by the rounding."
        )
    at_maximum = float(np.mean(x == x.max()))
    if at_maximum > max(CEILING_SHARE, 3.0 / x.size) and x.max() - np.median(x) < 2.0 * x.std():
        warnings.append(
            f"{100.0 * at_maximum:.0f} % of the readings show the largest value, {x.max():g} mm: if the "
            "meter reaches no deeper, the upper part of the distribution is cut off."
        )
    if chosen.anderson_p < 0.05:
        warnings.append(
            f"The {chosen.family} fits the readings badly (Anderson-Darling p = "
            f"{100.0 * chosen.anderson_p:.1f} %): look at the figure before using it, or fit "
            "areas of different cover apart."
        )
    elif len(fits) > 1 and fits[1].aic - fits[0].aic < 2.0 and chosen is fits[0]:
        warnings.append(
            f"The readings do not tell {fits[0].family} from {fits[1].family}; the lower tail, on "
            "which a wall's life depends, may differ between them (--family chooses)."
        )
    return warnings
