"""Which distribution of the cover a survey supports, and what it changes in a scenario."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from stripwise.distributions.distribution import Distribution
from stripwise.evidence.cover_survey import CoverSurvey, Estimate, analyse_survey
from stripwise.evidence.profiles.penalty_factors import NORMAL_975
from stripwise.evidence.statistics.family_fit import fitted_distribution
from stripwise.evidence.tables.data_file import DataFile
from stripwise.scenario.model import Scenario
from stripwise.studies.cover_comparison import compare_covers
from stripwise.studies.shown_results import Reported

__all__ = ["CoverSurveyStudy", "study_cover_survey", "with_comparison"]

LEAST_MEAN_SD = 0.1
"""Smallest error of the mean cover that a scenario takes [mm]."""

BOOTSTRAP_SEED = 1
"""Seed of bootstrap and permutations."""


@dataclass(frozen=True, slots=True, repr=False)
class CoverSurveyStudy(Reported):
    """A cover survey and the distribution for a scenario.

    Attributes
    ----------
    data_file
        The file that was read.
    survey
        The survey, analysed.
    cover
        Cover for a scenario [mm].
    families
        The fitted families, best first.
    summary
        Mean and sd [mm], shares below the limit and effective number, with 95 % intervals.
    scenario
        Scenario that was computed with the surveyed cover; None without one.
    comparison
        Its probability at the target life with the specified and with the surveyed cover, a row
        per cover and strategy; None without a scenario.
    nominal
        Nominal cover of the drawings [mm], typed or the scenario's; None where it is not known.
    """

    data_file: DataFile
    survey: CoverSurvey
    cover: Distribution
    families: pd.DataFrame
    summary: pd.DataFrame
    scenario: Scenario | None = None
    comparison: pd.DataFrame | None = None
    nominal: float | None = None

    @property
    def title(self) -> str:
        """Name of the data or of the scenario."""
        return self.data_file.name

    @property
    def shown(self) -> pd.DataFrame:
        """The table for a notebook."""
        return self.summary

    @property
    def mean_sd(self) -> float | None:
        """Epistemic sd of the mean cover [mm]: half its interval over 1.96; None if negligible."""
        sd = (self.survey.mean.high - self.survey.mean.low) / (2.0 * NORMAL_975)
        return sd if sd >= LEAST_MEAN_SD else None


def study_cover_survey(
    data_file: DataFile,
    *,
    limit: float | None = None,
    family: str | None = None,
    bounds: tuple[float, float] | None = None,
    nominal: float | None = None,
) -> CoverSurveyStudy:
    """Analyse a cover survey.

    Parameters
    ----------
    data_file
        A file of kind cover-survey.
    limit
        Limit of the cover [mm].
    family
        Family for the scenario; the one that fits best unless given.
    bounds
        Bounds [mm] of a beta, which is then fitted too.
    nominal
        Nominal cover of the drawings [mm], if it is known.

    Raises
    ------
    EvidenceError
        If the readings cannot be used.
    InputError
        If `family` is unknown, or a reading lies outside the bounds.
    """
    survey = analyse_survey(
        data_file,
        rng=np.random.default_rng(BOOTSTRAP_SEED),
        limit=limit,
        family=family,
        bounds=bounds,
    )
    families = pd.DataFrame([dataclasses.asdict(fit) for fit in survey.fits])
    return CoverSurveyStudy(
        data_file=data_file,
        survey=survey,
        cover=fitted_distribution(survey.chosen, survey.data["cover_mm"]),
        families=families.drop(columns="parameters").dropna(axis=1, how="all"),
        summary=_summary_table(survey),
        nominal=nominal,
    )


def with_comparison(
    study: CoverSurveyStudy,
    scenario: Scenario,
    *,
    progress: Callable[[str, float], None] | None = None,
) -> CoverSurveyStudy:
    """Compute a scenario with its own and with the surveyed cover, and add the comparison."""
    comparison = compare_covers(
        scenario,
        study.cover,
        mean_sd=study.mean_sd or 0.0,
        source=f"cover survey {study.data_file.name}",
        progress=progress,
    )
    nominal = scenario.nominal_cover if study.nominal is None else study.nominal
    return dataclasses.replace(study, scenario=scenario, comparison=comparison, nominal=nominal)


def _summary_table(survey: CoverSurvey) -> pd.DataFrame:
    estimates: dict[str, Estimate | None] = {
        "mean_mm": survey.mean,
        "sd_mm": survey.sd,
        "share_below_limit_counted": survey.empirical_share,
        "share_below_limit_fitted": survey.fitted_share,
    }
    rows = [
        {"quantity": name, "value": e.value, "low95": e.low, "high95": e.high}
        for name, e in estimates.items()
        if e is not None
    ]
    number = {"quantity": "effective_readings", "value": survey.effective_sample_size}
    return pd.DataFrame([*rows, {**number, "low95": np.nan, "high95": np.nan}])
