"""Fits of test data and site records, from a file or a table, as `stripwise fit` makes them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from stripwise.errors import InputError
from stripwise.evidence.face_maps.paste_mask import AGGREGATE_LEVELS, AggregateLevel
from stripwise.evidence.tables.data_file import DataFile, read_data_file, read_data_frame
from stripwise.evidence.tables.data_kinds import KINDS
from stripwise.evidence.tables.face_map_files import (
    face_map_file,
    face_map_frame,
    face_map_list,
)
from stripwise.evidence.tables.timestamps import find_time_zone
from stripwise.scenario.model import Scenario
from stripwise.studies.fit.cover_survey_study import CoverSurveyStudy, study_cover_survey
from stripwise.studies.fit.drying_study import DryingStudy, study_drying
from stripwise.studies.fit.face_maps_study import FaceMapsStudy, study_face_maps
from stripwise.studies.fit.migration_study import MigrationStudy, study_migration
from stripwise.studies.fit.profiles_study import ProfilesStudy, study_profiles
from stripwise.studies.fit.strip_log_study import StripLogStudy, study_strip_log

__all__ = [
    "fit_cover",
    "fit_drying",
    "fit_face_maps",
    "fit_migration",
    "fit_profiles",
    "fit_strip_log",
]

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
        affected_depth [mm], layered, keep_first, fit_initial, margin (a share), scenario (a case
        whose life is computed with every penalty), as of the command.

    Returns
    -------
    Fits and penalties; `specimens`, `strategies`, `penalty_table` are DataFrames.

    Raises
    ------
    EvidenceError
        With every problem of the table.

    Examples
    --------
    >>> import stripwise
    >>> study = stripwise.fit_profiles("scenarios/lab-wall/profiles.csv", reference="Forms 7 d")
    >>> study.penalty_table["strategy"].tolist()
    ['Forms 12 h', 'Forms 24 h', 'Forms 24 h, then sheet 6 d', 'Forms 7 d']
    """
    return study_profiles(_read(table, "profiles"), reference=reference, **options)


def fit_face_maps(
    maps: Source | Sequence[str | Path],
    *,
    reference: str | None = None,
    aggregate: AggregateLevel | None = None,
    layer: float | None = None,
    binder_share: float | None = None,
    ground: Source | None = None,
    affected_depth: float | None = None,
    keep_first: bool = False,
    fit_initial: bool = False,
    margin: float | None = None,
    scenario: Scenario | None = None,
) -> FaceMapsStudy:
    """Take the aggregate out of chloride maps of cut faces, and fit the profiles of the paste.

    Parameters
    ----------
    maps
        A map (pixels, grid or .npz) or a list of maps (column map_file), several maps, or a
        DataFrame with a row a pixel: x_mm, depth_mm, chloride_pct_paste or chloride_pct_binder,
        strategy, exposure_d and, where there are several, specimen; signal or paste tells paste
        from aggregate.
    reference
        Strategy whose penalty is 1.
    aggregate
        "high" or "low", where aggregate stands in the second channel.
    layer
        Thickness of a layer of the profile [mm], at most 50; 24 layers unless given.
    binder_share
        Mass of binder per mass of paste, 0.4 to 1, to give contents by mass of binder.
    ground
        Ground profiles of the same specimens, to compare the methods.
    affected_depth
        Depth that curing changed [mm].
    keep_first, fit_initial
        Whether to fit the shallowest layer too, and the initial content even if measured.
    margin, scenario
        As of `fit_profiles`.

    Returns
    -------
    Maps, masks, profiles and fits; `specimens` is a DataFrame, penalties are in `profiles`.

    Raises
    ------
    EvidenceError, InputError
        With every problem of the maps, or if an option is not allowed.

    Examples
    --------
    >>> import numpy as np, pandas as pd, stripwise
    >>> x, depth = (a.ravel() for a in np.meshgrid(np.arange(80) / 2, np.arange(0.25, 30, 0.5)))
    >>> content = 2.0 * np.exp(-((depth / 9.0) ** 2)) + 0.02 * np.cos(7.0 * x + 3.0 * depth)
    >>> pixels = pd.DataFrame({"x_mm": x, "depth_mm": depth, "chloride_pct_paste": content})
    >>> pixels = pixels.assign(paste=1, specimen="M1", strategy="Forms 24 h", exposure_d=180)
    >>> stripwise.fit_face_maps(pixels).specimens["specimen"].tolist()
    ['M1']
    """
    if aggregate is not None and aggregate not in AGGREGATE_LEVELS:
        raise InputError("aggregate", f"= {aggregate!r} must be {' or '.join(AGGREGATE_LEVELS)}")
    _check_number("layer", layer, high=50.0, unit="mm")
    _check_number("affected_depth", affected_depth, high=500.0, unit="mm")
    _check_number("binder_share", binder_share, low=0.4, high=1.0)
    faces = None
    if isinstance(maps, pd.DataFrame) and "map_file" not in maps:
        data_file, faces = face_map_frame(maps)
    elif isinstance(maps, pd.DataFrame):
        data_file = _read(maps, "face-maps")
    elif isinstance(maps, str | Path):
        data_file = face_map_file(Path(maps)) or _read(maps, "face-maps")
    else:
        data_file = face_map_list([Path(path) for path in maps])
    return study_face_maps(
        data_file,
        faces=faces,
        aggregate=aggregate,
        layer=layer,
        binder_share=binder_share,
        ground=None if ground is None else _read(ground, "profiles"),
        reference=reference,
        affected_depth=affected_depth,
        keep_first=keep_first,
        fit_initial=fit_initial,
        margin=margin,
        scenario=scenario,
    )


def fit_migration(table: Source, *, reference: str | None = None, **options: Any) -> MigrationStudy:
    """Evaluate migration tests (NT Build 492) and pool penalty factors; errors as `fit_profiles`.

    Options are margin and scenario, as of `fit_profiles`.

    Examples
    --------
    >>> import pandas as pd, stripwise
    >>> depth = {"specimen": [*"abcd"], "strategy": [*"AABB"], "penetration_mm": [18, 19, 25, 26]}
    >>> test = {"voltage_V": 30, "temperature_degC": 22, "thickness_mm": 50, "duration_h": 24}
    >>> study = stripwise.fit_migration(pd.DataFrame(depth).assign(**test), reference="A")
    >>> study.penalty_table["strategy"].tolist()
    ['A', 'B']
    """
    return study_migration(_read(table, "migration"), reference=reference, **options)


def fit_cover(table: Source, **options: Any) -> CoverSurveyStudy:
    """Fit families to a survey of the cover; options limit [mm], family, bounds [mm].

    Examples
    --------
    >>> import pandas as pd, stripwise
    >>> readings = [52, 55, 49, 61, 58, 47, 54, 56, 50, 57, 53, 60]
    >>> study = stripwise.fit_cover(pd.DataFrame({"cover_mm": readings}), limit=45.0)
    >>> round(study.survey.mean.value, 2)
    54.33
    """
    return study_cover_survey(_read(table, "cover-survey"), **options)


def fit_strip_log(table: Source, *, zone: str | None = None, **options: Any) -> StripLogStudy:
    """Compute the equivalent age of each pour at stripping; `zone` such as "CET".

    Examples
    --------
    >>> from pathlib import Path
    >>> import stripwise
    >>> study = stripwise.fit_strip_log(
    ...     "scenarios/site-records/strip-log.csv",
    ...     zone="CET",
    ...     loggers=Path("scenarios/site-records/loggers"),
    ... )
    >>> print(f"{study.ages.min():.1f} to {study.ages.max():.1f} h")
    8.9 to 28.5 h
    """
    place = None if zone is None else find_time_zone(zone)
    return study_strip_log(_read(table, "strip-log"), zone=place, **options)


def fit_drying(table: Source, *, age: float | None = None, **options: Any) -> DryingStudy:
    """Compare drying tests by strategy at an age [d]; options reference and margin (a share).

    Examples
    --------
    >>> import stripwise
    >>> stripwise.fit_drying("scenarios/site-records/drying.csv").result.strategies["strategy"].nunique()
    4
    """
    return study_drying(_read(table, "drying"), age=age, **options)


def _read(table: Source, kind: str) -> DataFile:
    kinds = [item for item in KINDS if item.name == kind]
    if isinstance(table, pd.DataFrame):
        return read_data_frame(table, kinds=kinds)
    return read_data_file(table, kinds=kinds)


def _check_number(
    name: str, value: float | None, *, high: float, low: float = 0.0, unit: str = ""
) -> None:
    """Refuse a number that is not above 0, or from `low` where that is more, and up to `high`."""
    if value is not None and not max(low, 1e-300) <= value <= high:
        start = f"from {low:g}" if low else "above 0"
        raise InputError(name, f"= {value:g}{unit and ' ' + unit} must be {start} to {high:g}")
