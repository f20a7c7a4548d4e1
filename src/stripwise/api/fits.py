"""Fits of test data and site records, from a file or a table, as `stripwise fit` makes them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd

from stripwise.evidence.tables.data_file import DataFile, read_data_file, read_data_frame
from stripwise.evidence.tables.data_kinds import KINDS
from stripwise.evidence.tables.timestamps import find_time_zone
from stripwise.studies.fit.cover_survey_study import CoverSurveyStudy, study_cover_survey
from stripwise.studies.fit.drying_study import DryingStudy, study_drying
from stripwise.studies.fit.migration_study import MigrationStudy, study_migration
from stripwise.studies.fit.profiles_study import ProfilesStudy, study_profiles
from stripwise.studies.fit.strip_log_study import StripLogStudy, study_strip_log

__all__ = ["fit_cover", "fit_drying", "fit_migration", "fit_profiles", "fit_strip_log"]

Source = str | Path | pd.DataFrame
"""A file, or a DataFrame with the columns of one, units in their names."""


def fit_profiles(table: Source, *, reference: str | None = None, **options: Any) -> ProfilesStudy:
    """Fit surface content and apparent diffusivity to ground chloride profiles, and pool penalties.

    Parameters
    ----------
    table
        Columns specimen, strategy, depth_from_mm, depth_to_mm (or depth_mm), chloride_pct,
        exposure_d.
    reference
        Strategy whose penalty is 1.
    **options
        affected_depth [mm], layered, keep_first, fit_initial, as of the command.

    Raises
    ------
    EvidenceError
        With every problem of the table.
    """
    return study_profiles(_read(table, "profiles"), reference=reference, **options)


def fit_migration(table: Source, *, reference: str | None = None) -> MigrationStudy:
    """Evaluate migration tests (NT Build 492) and pool penalty factors; errors as `fit_profiles`."""
    return study_migration(_read(table, "migration"), reference=reference)


def fit_cover(table: Source, **options: Any) -> CoverSurveyStudy:
    """Fit families to a survey of the cover; options limit [mm], family, bounds [mm]."""
    return study_cover_survey(_read(table, "cover-survey"), **options)


def fit_strip_log(table: Source, *, zone: str | None = None, **options: Any) -> StripLogStudy:
    """Compute the equivalent age of each pour at stripping; `zone` such as "CET"."""
    place = None if zone is None else find_time_zone(zone)
    return study_strip_log(_read(table, "strip-log"), zone=place, **options)


def fit_drying(table: Source, *, age: float | None = None) -> DryingStudy:
    """Compare drying tests by strategy at an age [d]."""
    return study_drying(_read(table, "drying"), age=age)


def _read(table: Source, kind: str) -> DataFile:
    kinds = [item for item in KINDS if item.name == kind]
    if isinstance(table, pd.DataFrame):
        return read_data_frame(table, kinds=kinds)
    return read_data_file(table, kinds=kinds)
