"""Cover surveys: the distribution of the cover from covermeter readings, and how sure it is."""

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
    Neighbourhood,
    area_effective,
    design_effect,
    neighbourhood,
)
from stripwise.evidence.statistics.family_fit import (
    BETA,
    FITTED,
    FittedFamily,
    fit_families,
    fitted_distribution,
    refitted_shares,
    with_goodness,
)
from stripwise.evidence.tables.reading import LINE, Reading

__all__ = ["CoverSurvey", "Estimate", "analyse_survey", "rounding_step", "wilson"]

Array = NDArray[np.float64]

LEAST = 5
"""Fewest readings that are fitted."""

SMALLEST_RANGE = 0.01
"""Range of the readings [mm] below which they count as one value; no meter shows less."""

STEPS = (25.4, 12.7, 10.0, 6.35, 5.0, 3.175, 2.54, 2.0, 1.5875, 1.0, 0.5, 0.254, 0.2, 0.1)
"""Steps to which readings are rounded [mm]; those of inches among them."""

COARSE = 0.5
"""Step in units of the sd from which rounding is told."""

PILED = 0.05
"""Share of the readings on the largest value from which the end of the meter is suspected."""


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
        Moments of the readings [mm] with intervals by the effective number.
    fits
        Families, lowest criterion first, with goodness of fit.
    chosen
        The family for the scenario.
    effective
        Number of independent readings that would tell the mean as well.
    space
        Correlation over distance; None without positions.
    area_correlation
        Correlation within an area; NaN unless areas but no positions are given.
    areas
        Readings, mean and sd [mm] per area; None without areas.
    step
        Step to which readings are rounded [mm]; 0 if none was found.
    limit
        A limit [mm]; None if none was given.
    counted
        Share of the readings below the limit.
    fitted
        Share below the limit by the chosen family.
    warnings
        What to know before using the numbers.
    """

    data: pd.DataFrame
    mean: Estimate
    sd: Estimate
    fits: tuple[FittedFamily, ...]
    chosen: FittedFamily
    effective: float
    space: Neighbourhood | None
    area_correlation: float
    areas: pd.DataFrame | None
    step: float
    limit: float | None
    counted: Estimate | None
    fitted: Estimate | None
    warnings: tuple[str, ...]


def analyse_survey(
    reading: Reading,
    *,
    rng: np.random.Generator,
    limit: float | None = None,
    family: str | None = None,
    bounds: tuple[float, float] | None = None,
) -> CoverSurvey:
    """Analyse a cover survey.

    Parameters
    ----------
    reading
        A file of kind cover-survey.
    rng
        Source of random numbers for bootstrap and permutations.
    limit
        Limit of the cover [mm].
    family
        Family for the scenario; the one of the lowest criterion unless given.
    bounds
        Bounds [mm] of a beta, which is then fitted too.

    Returns
    -------
    The `CoverSurvey`.

    Raises
    ------
    EvidenceError
        If there are fewer than five readings, or all are equal.
    InputError
        If `family` is unknown, or a reading lies outside the bounds.
    """
    data = reading.data.drop(columns=[LINE])
    x = data["cover_mm"].to_numpy(dtype=float)
    _check(reading, x)
    step = rounding_step(x)
    space, rho, areas = _dependence(data, rng)
    effective = float(x.size)
    if space is not None:
        effective = space.effective
    elif not math.isnan(rho):
        effective = area_effective(x, data["area"].to_numpy())
    effective = max(effective, 2.0)
    for_sd = effective if space is None else space.effective_sd
    inflation = 1.0 if space is None else space.inflation
    fits = with_goodness(_families(x, bounds), x, rng=rng, step=step)
    chosen = _choose(fits, family)
    counted = fitted = None
    if limit is not None:
        counted = wilson(float(np.mean(x < limit)), effective)
        shares = refitted_shares(chosen, limit, size=max(round(effective), LEAST), rng=rng)
        low, high = np.quantile(shares, (0.025, 0.975))
        at = float(fitted_distribution(chosen, x).cdf(limit))
        fitted = Estimate(at, min(float(low), at), max(float(high), at))
    survey = CoverSurvey(
        data,
        _mean(x, effective),
        _sd(x, for_sd, inflation),
        fits,
        chosen,
        effective,
        space,
        rho,
        areas,
        step,
        limit,
        counted,
        fitted,
        (),
    )
    warnings = (*reading.notes, *_dependence_warnings(survey), *_reading_warnings(survey))
    return dataclasses.replace(survey, warnings=warnings)


def rounding_step(values: ArrayLike) -> float:
    """Return the largest usual step of which all readings are multiples.

    Parameters
    ----------
    values
        (n,) readings [mm].

    Returns
    -------
    The step [mm]; 0 if there is none.

    Examples
    --------
    >>> rounding_step([50.0, 55.0, 65.0]), rounding_step([50.8, 63.5]), rounding_step([50.13])
    (5.0, 12.7, 0.0)
    """
    x = np.asarray(values, dtype=float)
    for step in STEPS:
        if np.all(np.abs(x / step - np.round(x / step)) * step < 1e-6):
            return step
    return 0.0


def wilson(share: float, number: float) -> Estimate:
    """Return a share with its 95 % score interval.

    Parameters
    ----------
    share
        Share found.
    number
        Number of independent trials, not necessarily whole.

    Returns
    -------
    The share with its interval.

    References
    ----------
    Wilson (1927), Probable inference, the law of succession, and statistical inference.

    Examples
    --------
    >>> found = wilson(0.0, 50.0)
    >>> found.low, round(found.high, 4)
    (0.0, 0.0713)
    """
    z = float(special.ndtri(0.975))
    scale = 1.0 + z**2 / number
    centre = (share + z**2 / (2.0 * number)) / scale
    half = z / scale * math.sqrt(share * (1.0 - share) / number + z**2 / (4.0 * number**2))
    low = 0.0 if share == 0.0 else centre - half
    return Estimate(share, low, 1.0 if share == 1.0 else centre + half)


def _check(reading: Reading, x: Array) -> None:
    problems = reading.problems()
    column = reading.headers["cover_mm"]
    if x.size < LEAST:
        problems.add(f"has {x.size} readings; a distribution needs at least {LEAST}", column=column)
    elif np.ptp(x) < SMALLEST_RANGE:
        problems.add(
            f"shows {x[0]:g} mm in all {x.size} readings; cover scatters, so check the meter. "
            "Nothing can be fitted",
            column=column,
        )
    if reading.has("y_mm") and not reading.has("x_mm"):
        problems.add("stands without x; give both, or x alone", column=reading.headers["y_mm"])
    for axis in ("x_mm", "y_mm"):
        if reading.has(axis):
            for line in reading.data.loc[reading.data[axis].isna(), LINE]:
                problems.add(
                    "has no value; give the position of every reading or take the column out",
                    line=int(line),
                    column=reading.headers[axis],
                )
    problems.raise_all()


def _dependence(
    data: pd.DataFrame, rng: np.random.Generator
) -> tuple[Neighbourhood | None, float, pd.DataFrame | None]:
    areas = None
    if "area" in data:
        areas = data.groupby("area", sort=False)["cover_mm"].agg(["size", "mean", "std"])
        areas = areas.reset_index().set_axis(["area", "readings", "mean_mm", "sd_mm"], axis=1)
    if "x_mm" in data:
        y = data["y_mm"] if "y_mm" in data else pd.Series(0.0, index=data.index)
        places = np.column_stack([data["x_mm"], y]).astype(float)
        if np.ptp(places, axis=0).max() > 0:
            return (
                neighbourhood(places, data["cover_mm"].to_numpy(dtype=float), rng=rng),
                math.nan,
                areas,
            )
    if areas is not None and 1 < len(areas) < len(data):
        rho, _ = design_effect(data["cover_mm"].to_numpy(dtype=float), data["area"].to_numpy())
        return None, rho, areas
    return None, math.nan, areas


def _families(x: Array, bounds: tuple[float, float] | None) -> tuple[FittedFamily, ...]:
    if bounds is not None and not bounds[0] < x.min() <= x.max() < bounds[1]:
        raise InputError(
            "--bounds",
            f"= {bounds[0]:g} mm to {bounds[1]:g} mm: must hold every reading, which run from "
            f"{x.min():g} to {x.max():g} mm; what can be found on the wall lies strictly within",
        )
    return fit_families(x, bounds=bounds)


def _choose(fits: tuple[FittedFamily, ...], family: str | None) -> FittedFamily:
    if family is None:
        return fits[0]
    for fit in fits:
        if fit.family == family:
            return fit
    if family == BETA:
        raise InputError("--family", "'beta': needs its bounds; state them by --bounds")
    allowed = ", ".join((*FITTED, BETA))
    raise InputError("--family", f"{family[:40]!r}: must be one of {allowed}")


def _mean(x: Array, effective: float) -> Estimate:
    half = stats.t.ppf(0.975, effective - 1.0) * x.std(ddof=1) / math.sqrt(effective)
    return Estimate(float(x.mean()), float(x.mean() - half), float(x.mean() + half))


def _sd(x: Array, effective: float, inflation: float) -> Estimate:
    """Interval of the sd on the log scale, by the kurtosis of the readings.

    Correlated readings scatter less around their own mean than around the true one, by
    `inflation`: the upper end takes it up.

    Var(ln s) = (kurtosis - 1) / (4 n), n the effective number (Cramer 1946, moments of a sample).
    """
    sd = float(x.std(ddof=1))
    kurtosis = float(np.mean((x - x.mean()) ** 4) / np.var(x) ** 2)
    error = math.sqrt(max(kurtosis - 1.0, 0.5) / (4.0 * effective))
    factor = math.exp(float(stats.t.ppf(0.975, effective - 1.0)) * error)
    return Estimate(sd, sd / factor, sd * inflation * factor)


def _dependence_warnings(survey: CoverSurvey) -> list[str]:
    data, space, rho = survey.data, survey.space, survey.area_correlation
    worth = (
        f"{len(data)} readings tell the mean as well as {survey.effective:.0f} independent ones "
        "would, and the intervals are widened accordingly."
    )
    found = []
    if space is not None and space.correlated:
        found.append(
            "Neighbouring readings resemble each other (over about "
            f"{space.length / 1000.0:.2g} m): {worth}"
        )
    elif space is None and not math.isnan(rho):
        found.append(f"Readings of one area resemble each other (correlation {rho:.2f}): {worth}")
    elif space is None:
        found.append(
            "The readings have no positions (x_m, y_m) or areas. Neighbours along one cage "
            "resemble each other; if these do, the intervals are too narrow."
        )
    if "x_mm" in data and data.duplicated([c for c in ("x_mm", "y_mm") if c in data]).any():
        found.append("Some places were read more than once; every reading counts by itself.")
    return found


def _reading_warnings(survey: CoverSurvey) -> list[str]:
    x = survey.data["cover_mm"].to_numpy(dtype=float)
    fits, chosen = survey.fits, survey.chosen
    found = []
    if survey.step >= COARSE * x.std():
        found.append(
            f"Readings are rounded to {survey.step:g} mm, coarse against their scatter: the sd is "
            "overstated by the rounding."
        )
    top = float(np.mean(x == x.max()))
    if top > max(PILED, 3.0 / x.size) and x.max() - np.median(x) < 2.0 * x.std():
        found.append(
            f"{100.0 * top:.0f} % of the readings show the largest value, {x.max():g} mm: if the "
            "meter reaches no deeper, the upper part of the distribution is cut off."
        )
    if chosen.anderson_p < 0.05:
        found.append(
            f"The {chosen.family} fits the readings badly (Anderson-Darling p = "
            f"{100.0 * chosen.anderson_p:.1f} %): look at the figure before using it, or fit "
            "areas of different cover apart."
        )
    elif len(fits) > 1 and fits[1].aic - fits[0].aic < 2.0 and chosen is fits[0]:
        found.append(
            f"The readings do not tell {fits[0].family} from {fits[1].family}; the lower tail, on "
            "which a wall's life depends, may differ between them (--family chooses)."
        )
    return found
