"""`stripwise fit`: from a file of test data or site records to inputs with their uncertainty."""

# ruff: noqa: PLC0415 - a command imports what it needs, so that --help does not wait for pandas

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stripwise.cli.shell import (
    CAUTION,
    AllowOutside,
    AsJson,
    Quiet,
    app,
    out_option,
    plain_errors,
    print_json,
    progress_bar,
    tell_result,
)

if TYPE_CHECKING:
    from stripwise.evidence.tables.reading import Reading
    from stripwise.report.components import Dossier

__all__ = ["FitOptions", "finish", "fit"]


@dataclass(frozen=True, slots=True)
class FitOptions:
    """What the command line says about one kind of data or another; None where it says nothing."""

    reference: str | None = None
    age: str | None = None
    profiles: Path | None = None
    affected_depth: str | None = None
    layered: bool | None = None
    keep_first: bool | None = None
    fit_initial: bool | None = None
    zone: str | None = None
    loggers: Path | None = None
    specified: str | None = None
    maturity: str | None = None
    reference_temperature: str | None = None
    limit: str | None = None
    family: str | None = None
    bounds: str | None = None
    scenario: Path | None = None
    allow_outside: bool = False
    quiet: bool = False


Handler = Callable[["Reading", FitOptions], "Dossier"]


@dataclass(frozen=True, slots=True)
class Entry:
    """How one kind of data is fitted, and which of the options it takes."""

    handler: Handler
    options: frozenset[str]


def _drying(reading: Reading, options: FitOptions) -> Dossier:
    from stripwise.report.pages.drying_page import drying_dossier

    return drying_dossier(reading, age=options.age, profiles=options.profiles)


def _profiles(reading: Reading, options: FitOptions) -> Dossier:
    from stripwise.report.pages.profiles_page import profiles_dossier

    return profiles_dossier(
        reading,
        reference=options.reference,
        affected_depth=options.affected_depth,
        layered=bool(options.layered),
        keep_first=bool(options.keep_first),
        fit_initial=bool(options.fit_initial),
    )


def _migration(reading: Reading, options: FitOptions) -> Dossier:
    from stripwise.report.pages.migration_page import migration_dossier

    return migration_dossier(reading, reference=options.reference)


def _strip_log(reading: Reading, options: FitOptions) -> Dossier:
    from stripwise.report.pages.strip_log_page import strip_log_dossier

    return strip_log_dossier(
        reading,
        zone=options.zone,
        loggers=options.loggers,
        specified=options.specified,
        maturity=options.maturity,
        reference_temperature=options.reference_temperature,
    )


def _cover_survey(reading: Reading, options: FitOptions) -> Dossier:
    from stripwise.evidence.statistics.family_fit import fitted_distribution
    from stripwise.report.pages.cover_survey_page import survey_dossier, surveyed
    from stripwise.scenario.loading import load
    from stripwise.studies.cover_comparison import compare_covers

    case = (
        None
        if options.scenario is None
        else load(options.scenario, allow_outside=options.allow_outside)
    )
    survey = surveyed(reading, limit=options.limit, family=options.family, bounds=options.bounds)
    comparison = None
    if case is not None:
        cover = fitted_distribution(survey.chosen, survey.data["cover_mm"])
        with progress_bar(quiet=options.quiet) as tell:
            comparison = compare_covers(
                case, cover, source=f"cover survey {reading.name}", progress=tell
            )
    return survey_dossier(reading, survey, scenario=case, comparison=comparison)


REGISTRY = {
    "profiles": Entry(
        _profiles,
        frozenset({"reference", "affected_depth", "layered", "keep_first", "fit_initial"}),
    ),
    "migration": Entry(_migration, frozenset({"reference"})),
    "drying": Entry(_drying, frozenset({"age", "profiles"})),
    "strip-log": Entry(
        _strip_log,
        frozenset({"zone", "loggers", "specified", "maturity", "reference_temperature"}),
    ),
    "cover-survey": Entry(
        _cover_survey, frozenset({"limit", "family", "bounds", "scenario", "allow_outside"})
    ),
}
"""By the name of the kind in `stripwise.evidence.tables.data_kinds`."""


@app.command(
    epilog='Example:  stripwise fit scenarios/lab-wall/profiles.csv --reference "Forms 7 d"'
)
def fit(  # noqa: PLR0917 - typer reads the options from the signature
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Table of test data (CSV).")],
    out: Annotated[Path | None, out_option("report; reports/<file name>")] = None,
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
            help="Cover survey: scenario to compute with the surveyed cover.",
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
        scenario=scenario,
        allow_outside=allow_outside,
        quiet=quiet,
    )
    with plain_errors():
        from stripwise.evidence.tables.data_kinds import KINDS
        from stripwise.evidence.tables.reading import read
        from stripwise.report.write import check_writable
        from stripwise.units.names import slug

        reading = read(file, kinds=[kind for kind in KINDS if kind.name in REGISTRY])
        entry = REGISTRY[reading.kind.name]
        _refuse_others(options, entry, reading.kind.words)
        folder = out if out is not None else Path("reports") / slug(file.stem)
        command = f"fit ({reading.kind.name})"
        check_writable(folder, ("report.html", "run.json"), command=command)
        finish(
            entry.handler(reading, options), folder, command=command, quiet=quiet, as_json=as_json
        )


def finish(dossier: Dossier, folder: Path, *, command: str, quiet: bool, as_json: bool) -> None:
    """Write a dossier and print what it says.

    Parameters
    ----------
    dossier
        What a command found.
    folder
        Folder of the report.
    command
        Command whose results they are.
    quiet, as_json
        Whether to print nothing, or one JSON object.

    Raises
    ------
    OutputError
        If it cannot be written; the folder is then as it was.
    """
    from stripwise.report.components import contents, run_record
    from stripwise.report.write import commit

    record = run_record(dossier)
    written = commit(folder, contents(dossier), record=record, command=command)
    if as_json:
        files = [str(path) for path in written]
        print_json({**record, "caution": CAUTION, "files": files})
    elif not quiet:
        _print(dossier, folder)


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


def _print(dossier: Dossier, folder: Path) -> None:
    files = [("Report", folder / "report.html")]
    files += [("For a scenario", folder / name) for name in dossier.texts]
    tell_result(dossier.findings, dossier.warnings, files=files)
