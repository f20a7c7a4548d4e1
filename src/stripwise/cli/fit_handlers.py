"""How each kind of test data is fitted, and which options it takes."""

# ruff: noqa: PLC0415 - a command imports what it needs, so that --help does not wait for pandas

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from stripwise.cli.fit_options import (
    FitOptions,
    option_quantity,
    read_activation_temperature,
    read_affected_depth,
    read_aggregate,
    read_binder_share,
    read_bounds,
    read_cover,
    read_datum_temperature,
    read_error,
    read_margin,
    read_maturity,
    read_maximum,
)
from stripwise.cli.shell import progress_bar

if TYPE_CHECKING:
    from stripwise.evidence.tables.data_file import DataFile
    from stripwise.report.components import Report
    from stripwise.scenario.model import Scenario

__all__ = ["REGISTRY", "Entry"]

Handler = Callable[["DataFile", FitOptions], "Report"]


@dataclass(frozen=True, slots=True)
class Entry:
    """How one kind of data is fitted, and which of the options it takes."""

    handler: Handler
    options: frozenset[str]


def _drying(data_file: DataFile, options: FitOptions) -> Report:
    from stripwise.evidence.tables.data_file import read_data_file
    from stripwise.evidence.tables.data_kinds import DIFFUSIVITIES
    from stripwise.report.pages.drying_page import drying_report
    from stripwise.studies.fit.drying_study import study_drying
    from stripwise.units.quantities import TIME

    age = option_quantity("--age", options.age, kind=TIME, to="day")
    diffusivities = (
        None
        if options.profiles is None
        else read_data_file(options.profiles, kinds=[DIFFUSIVITIES], skip_bad=options.skip_bad)
    )
    study = study_drying(
        data_file,
        age=age,
        diffusivities=diffusivities,
        reference=options.reference,
        margin=read_margin(options.margin),
    )
    return drying_report(study)


def _profiles(data_file: DataFile, options: FitOptions) -> Report:
    from stripwise.evidence.profiles.dropped_readings import read_dropped
    from stripwise.report.pages.profiles_page import profiles_report
    from stripwise.studies.fit.profiles_study import study_profiles

    scenario = _scenario(options)
    with progress_bar(quiet=options.quiet or scenario is None) as report_progress:
        study = study_profiles(
            data_file,
            reference=options.reference,
            affected_depth=read_affected_depth(options.affected_depth),
            layered=bool(options.layered),
            keep_first=bool(options.keep_first),
            fit_initial=bool(options.fit_initial),
            maximum=read_maximum(options.maximum),
            error=read_error(options.error),
            robust=bool(options.robust),
            drop=[read_dropped(text) for text in options.drop or ()],
            accept=bool(options.accept),
            margin=read_margin(options.margin),
            scenario=scenario,
            progress=report_progress,
        )
    return profiles_report(study)


def _scenario(options: FitOptions) -> Scenario | None:
    from stripwise.scenario.loading import load

    if options.scenario is None:
        return None
    return load(options.scenario, allow_outside=options.allow_outside)


def _face_maps(data_file: DataFile, options: FitOptions) -> Report:
    from stripwise.evidence.tables.data_file import read_data_file
    from stripwise.evidence.tables.data_kinds import PROFILES
    from stripwise.report.pages.face_maps_page import face_maps_report
    from stripwise.studies.fit.face_maps_study import study_face_maps
    from stripwise.units.quantities import LENGTH

    scenario = _scenario(options)
    ground = (
        None
        if options.profiles is None
        else read_data_file(options.profiles, kinds=[PROFILES], skip_bad=options.skip_bad)
    )
    with progress_bar(quiet=options.quiet or scenario is None) as report_progress:
        study = study_face_maps(
            data_file,
            aggregate=read_aggregate(options.aggregate),
            layer=option_quantity("--layer", options.layer, kind=LENGTH, to="mm", most=50.0),
            binder_share=read_binder_share(options.binder_share),
            ground=ground,
            reference=options.reference,
            affected_depth=read_affected_depth(options.affected_depth),
            keep_first=bool(options.keep_first),
            fit_initial=bool(options.fit_initial),
            accept=bool(options.accept),
            margin=read_margin(options.margin),
            scenario=scenario,
            progress=report_progress,
        )
    return face_maps_report(study)


def _migration(data_file: DataFile, options: FitOptions) -> Report:
    from stripwise.report.pages.migration_page import migration_report
    from stripwise.studies.fit.migration_study import study_migration

    scenario = _scenario(options)
    with progress_bar(quiet=options.quiet or scenario is None) as report_progress:
        study = study_migration(
            data_file,
            reference=options.reference,
            accept=bool(options.accept),
            margin=read_margin(options.margin),
            scenario=scenario,
            progress=report_progress,
        )
    return migration_report(study)


def _strip_log(data_file: DataFile, options: FitOptions) -> Report:
    from stripwise.evidence.tables.timestamps import find_time_zone
    from stripwise.report.pages.strip_log_page import strip_log_report
    from stripwise.studies.fit.strip_log_study import study_strip_log
    from stripwise.units.quantities import TEMPERATURE, TIME

    scenario, maturity = _scenario(options), options.maturity
    reference = options.reference_temperature
    activation, datum = options.activation_temperature, options.datum_temperature
    if scenario is not None:
        maturity = maturity or scenario.curing.maturity
        reference = reference or f"{scenario.curing.reference_temperature!r} degC"
        activation = activation or f"{scenario.curing.activation_temperature!r} K"
        datum = datum or f"{scenario.curing.datum_temperature!r} degC"
    study = study_strip_log(
        data_file,
        zone=find_time_zone(options.zone),
        loggers=options.loggers,
        maturity=read_maturity(maturity),
        scenario=scenario,
        reference_temperature=option_quantity(
            "--reference-temperature", reference, kind=TEMPERATURE, to="degC"
        ),
        activation_temperature=read_activation_temperature(activation),
        datum_temperature=read_datum_temperature(datum),
        specified=option_quantity("--specified", options.specified, kind=TIME, to="hour"),
        skip_bad=options.skip_bad,
    )
    return strip_log_report(study)


def _cover_survey(data_file: DataFile, options: FitOptions) -> Report:
    from stripwise.report.pages.cover_survey_page import survey_report
    from stripwise.studies.fit.cover_survey_study import study_cover_survey, with_comparison

    scenario = _scenario(options)
    study = study_cover_survey(
        data_file,
        limit=read_cover("--limit", options.limit),
        family=options.family,
        bounds=read_bounds(options.bounds),
        nominal=read_cover("--nominal", options.nominal),
    )
    if scenario is not None:
        with progress_bar(quiet=options.quiet) as report_progress:
            study = with_comparison(study, scenario, progress=report_progress)
    return survey_report(study)


LIFE_OPTIONS = ("margin", "scenario", "allow_outside")
"""Options of diffusivities: how strategies compare, and what life each costs."""

REGISTRY = {
    "profiles": Entry(
        _profiles,
        frozenset(
            {
                "reference",
                "affected_depth",
                "layered",
                "keep_first",
                "fit_initial",
                "maximum",
                "error",
                "robust",
                "drop",
                "accept",
                "skip_bad",
                *LIFE_OPTIONS,
            }
        ),
    ),
    "face-maps": Entry(
        _face_maps,
        frozenset(
            {
                "aggregate",
                "layer",
                "binder_share",
                "profiles",
                "reference",
                "affected_depth",
                "keep_first",
                "fit_initial",
                "accept",
                *LIFE_OPTIONS,
            }
        ),
    ),
    "migration": Entry(_migration, frozenset({"reference", "accept", "skip_bad", *LIFE_OPTIONS})),
    "drying": Entry(_drying, frozenset({"age", "profiles", "skip_bad", "reference", "margin"})),
    "strip-log": Entry(
        _strip_log,
        frozenset(
            {
                *("zone", "loggers", "specified", "maturity", "reference_temperature"),
                *("activation_temperature", "datum_temperature"),
                *("scenario", "allow_outside", "skip_bad"),
            }
        ),
    ),
    "cover-survey": Entry(
        _cover_survey,
        frozenset(
            {"limit", "family", "bounds", "nominal", "scenario", "allow_outside", "skip_bad"}
        ),
    ),
}
"""By the name of the kind in `stripwise.evidence.tables.data_kinds`."""
