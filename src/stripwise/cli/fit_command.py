"""`stripwise fit`: from a file of test data or site records to inputs with their uncertainty."""

# ruff: noqa: PLC0415 - a command imports what it needs, so that --help does not wait for pandas

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stripwise.cli.fit_options import (
    FitOptions,
    option_quantity,
    read_affected_depth,
    read_bounds,
    read_cover,
    read_maturity,
)
from stripwise.cli.shell import (
    AllowOutside,
    AsJson,
    Browser,
    Overwrite,
    Pdf,
    Png,
    Quiet,
    Xlsx,
    app,
    out_option,
    print_json,
    print_result,
    progress_bar,
    read_extras,
    report_errors,
)
from stripwise.units.caution import CAUTION

if TYPE_CHECKING:
    from stripwise.evidence.tables.data_file import DataFile
    from stripwise.report.components import Report
    from stripwise.report.write import Extras

__all__ = ["finish", "fit"]

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
        else read_data_file(options.profiles, kinds=[DIFFUSIVITIES])
    )
    return drying_report(study_drying(data_file, age=age, diffusivities=diffusivities))


def _profiles(data_file: DataFile, options: FitOptions) -> Report:
    from stripwise.report.pages.profiles_page import profiles_report
    from stripwise.studies.fit.profiles_study import study_profiles

    study = study_profiles(
        data_file,
        reference=options.reference,
        affected_depth=read_affected_depth(options.affected_depth),
        layered=bool(options.layered),
        keep_first=bool(options.keep_first),
        fit_initial=bool(options.fit_initial),
    )
    return profiles_report(study)


def _migration(data_file: DataFile, options: FitOptions) -> Report:
    from stripwise.report.pages.migration_page import migration_report
    from stripwise.studies.fit.migration_study import study_migration

    return migration_report(study_migration(data_file, reference=options.reference))


def _strip_log(data_file: DataFile, options: FitOptions) -> Report:
    from stripwise.evidence.tables.timestamps import find_time_zone
    from stripwise.report.pages.strip_log_page import strip_log_report
    from stripwise.scenario.loading import load
    from stripwise.studies.fit.strip_log_study import study_strip_log
    from stripwise.units.quantities import TEMPERATURE, TIME

    scenario, maturity, reference = None, options.maturity, options.reference_temperature
    if options.scenario is not None:
        scenario = load(options.scenario, allow_outside=options.allow_outside)
        maturity = maturity or scenario.curing.maturity
        reference = reference or f"{scenario.curing.reference_temperature!r} degC"
    study = study_strip_log(
        data_file,
        zone=find_time_zone(options.zone),
        loggers=options.loggers,
        maturity=read_maturity(maturity),
        scenario=scenario,
        reference_temperature=option_quantity(
            "--reference-temperature", reference, kind=TEMPERATURE, to="degC"
        ),
        specified=option_quantity("--specified", options.specified, kind=TIME, to="hour"),
    )
    return strip_log_report(study)


def _cover_survey(data_file: DataFile, options: FitOptions) -> Report:
    from stripwise.report.pages.cover_survey_page import survey_report
    from stripwise.scenario.loading import load
    from stripwise.studies.fit.cover_survey_study import study_cover_survey, with_comparison

    scenario = (
        None
        if options.scenario is None
        else load(options.scenario, allow_outside=options.allow_outside)
    )
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


REGISTRY = {
    "profiles": Entry(
        _profiles,
        frozenset({"reference", "affected_depth", "layered", "keep_first", "fit_initial"}),
    ),
    "migration": Entry(_migration, frozenset({"reference"})),
    "drying": Entry(_drying, frozenset({"age", "profiles"})),
    "strip-log": Entry(
        _strip_log,
        frozenset(
            {
                *("zone", "loggers", "specified", "maturity", "reference_temperature"),
                *("scenario", "allow_outside"),
            }
        ),
    ),
    "cover-survey": Entry(
        _cover_survey,
        frozenset({"limit", "family", "bounds", "nominal", "scenario", "allow_outside"}),
    ),
}
"""By the name of the kind in `stripwise.evidence.tables.data_kinds`."""


@app.command(
    epilog='Example:  stripwise fit scenarios/lab-wall/profiles.csv --reference "Forms 7 d"'
)
def fit(  # noqa: PLR0917 - typer reads the options from the signature
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Table of test data (CSV).")],
    out: Annotated[Path | None, out_option("report; reports/<file name>")] = None,
    overwrite: Overwrite = False,
    png: Png = False,
    xlsx: Xlsx = False,
    pdf: Pdf = False,
    browser: Browser = None,
    reference: Annotated[
        str | None,
        typer.Option(
            "--reference",
            metavar="NAME",
            help="Profiles, migration tests: strategy the others are compared with.",
        ),
    ] = None,
    age: Annotated[
        str | None,
        typer.Option(
            "--age", metavar="TIME", help='Drying: age at which losses are compared, as "28 d".'
        ),
    ] = None,
    profiles: Annotated[
        Path | None,
        typer.Option(
            "--profiles",
            metavar="FILE",
            help="Drying: fitted diffusivities (specimens.csv, or strategy and "
            "diffusivity_m2_s) to correlate the ranks with.",
        ),
    ] = None,
    affected_depth: Annotated[
        str | None,
        typer.Option(
            "--affected-depth",
            metavar="DEPTH",
            help='Profiles: depth that curing changed, as "30 mm"; tells shorter profiles.',
        ),
    ] = None,
    layered: Annotated[
        bool | None,
        typer.Option(
            "--layered",
            help="Profiles: fit a skin on a core too, of the affected depth or of a fitted one.",
        ),
    ] = None,
    keep_first: Annotated[
        bool | None,
        typer.Option("--keep-first", help="Profiles: fit the shallowest layer too."),
    ] = None,
    fit_initial: Annotated[
        bool | None,
        typer.Option("--fit-initial", help="Profiles: fit the initial content even if measured."),
    ] = None,
    zone: Annotated[
        str | None,
        typer.Option(
            "--zone", metavar="NAME", help='Strip log: zone of times without an offset, as "CET".'
        ),
    ] = None,
    loggers: Annotated[
        Path | None,
        typer.Option(
            "--loggers", metavar="DIR", help="Strip log: folder with a temperature file per pour."
        ),
    ] = None,
    specified: Annotated[
        str | None,
        typer.Option(
            "--specified",
            metavar="TIME",
            help='Strip log: specified equivalent age at stripping, as "24 h".',
        ),
    ] = None,
    maturity: Annotated[
        str | None,
        typer.Option(
            "--maturity",
            metavar="NAME",
            help="Strip log: arrhenius (unless given) or nurse-saul judges the pours.",
        ),
    ] = None,
    reference_temperature: Annotated[
        str | None,
        typer.Option(
            "--reference-temperature",
            metavar="TEMP",
            help='Strip log: temperature of the equivalent hours; "20 degC" unless given.',
        ),
    ] = None,
    limit: Annotated[
        str | None,
        typer.Option(
            "--limit", metavar="LENGTH", help='Cover survey: limit of the cover, as "50 mm".'
        ),
    ] = None,
    nominal: Annotated[
        str | None,
        typer.Option(
            "--nominal",
            metavar="LENGTH",
            help='Cover survey: nominal cover of the drawings, as "50 mm"; the scenario\'s unless '
            "given. cover.toml then holds it with the bias.",
        ),
    ] = None,
    family: Annotated[
        str | None,
        typer.Option(
            "--family",
            metavar="NAME",
            help="Cover survey: family for the scenario; the best fitting one unless given.",
        ),
    ] = None,
    bounds: Annotated[
        str | None,
        typer.Option(
            "--bounds",
            metavar="RANGE",
            help='Cover survey: fit a beta too, within these bounds, as "20 mm to 100 mm".',
        ),
    ] = None,
    scenario: Annotated[
        Path | None,
        typer.Option(
            "--scenario",
            metavar="FILE",
            help="Cover survey, strip log: scenario to compute with the surveyed cover, or by which "
            "every pour is assessed.",
        ),
    ] = None,
    allow_outside: AllowOutside = False,
    quiet: Quiet = False,
    as_json: AsJson = False,
) -> None:
    """Fit test data or site records; the columns tell which kind of data it is.

    Writes a report (report.html), its tables and its figures, all or nothing.
    """
    options = FitOptions(
        reference=reference,
        age=age,
        profiles=profiles,
        affected_depth=affected_depth,
        layered=layered,
        keep_first=keep_first,
        fit_initial=fit_initial,
        zone=zone,
        loggers=loggers,
        specified=specified,
        maturity=maturity,
        reference_temperature=reference_temperature,
        limit=limit,
        family=family,
        bounds=bounds,
        nominal=nominal,
        scenario=scenario,
        allow_outside=allow_outside,
        quiet=quiet,
    )
    with report_errors():
        from stripwise.evidence.tables.data_file import read_data_file
        from stripwise.evidence.tables.data_kinds import KINDS
        from stripwise.report.file_swap import check_writable
        from stripwise.report.write import DATA_FILES
        from stripwise.units.names import slug

        extras = read_extras(png=png, xlsx=xlsx, pdf=pdf, browser=browser)
        data_file = read_data_file(file, kinds=[kind for kind in KINDS if kind.name in REGISTRY])
        entry = REGISTRY[data_file.kind.name]
        _refuse_others(options, entry, data_file.kind.description)
        folder = out if out is not None else Path("reports") / slug(file.stem)
        command = f"fit ({data_file.kind.name})"
        check_writable(folder, DATA_FILES, command=command, overwrite=overwrite)
        finish(
            entry.handler(data_file, options),
            folder,
            command=command,
            overwrite=overwrite,
            extras=extras,
            quiet=quiet,
            as_json=as_json,
        )


def finish(
    report: Report,
    folder: Path,
    *,
    command: str,
    overwrite: bool,
    extras: Extras,
    quiet: bool,
    as_json: bool,
) -> None:
    """Write a report and print what it says: nothing if quiet, one JSON object if `as_json`."""
    from stripwise.report.write import write_report

    written = write_report(report, folder, command=command, overwrite=overwrite, extras=extras)
    if as_json:
        files = [str(path) for path in written]
        print_json({**report.record, "caution": CAUTION, "files": files})
    elif not quiet:
        texts = [("For a scenario", folder / name) for name in report.texts]
        print_result(
            report.findings, report.warnings, files=[("Report", folder / "report.html"), *texts]
        )


def _refuse_others(options: FitOptions, entry: Entry, words: str) -> None:
    """Refuse an option that belongs to another kind of data."""
    for item in fields(options):
        unused = getattr(options, item.name) in (None, False) or item.name == "quiet"
        if not unused and item.name not in entry.options:
            takes = ", ".join(f"--{name.replace('_', '-')}" for name in sorted(entry.options))
            raise typer.BadParameter(
                f"is not used by {words}, which takes {takes or 'no option of its own'}",
                param_hint=f"--{item.name.replace('_', '-')}",
            )
