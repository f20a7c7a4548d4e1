"""`stripwise fit`: from a file of test data or site records to inputs with their uncertainty."""

# ruff: noqa: PLC0415 - a command imports what it needs, so that --help does not wait for pandas

from __future__ import annotations

from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stripwise.cli.fit_handlers import REGISTRY, Entry
from stripwise.cli.fit_options import FitOptions
from stripwise.cli.shell import (
    AllowOutside,
    AsJson,
    Browser,
    Overwrite,
    Pdf,
    Png,
    Quiet,
    SkipBad,
    Xlsx,
    app,
    out_option,
    print_json,
    print_result,
    read_extras,
    report_errors,
)
from stripwise.units.caution import CAUTION

if TYPE_CHECKING:
    from stripwise.report.components import Report
    from stripwise.report.write import Extras

__all__ = ["finish", "fit"]


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
            help="Profiles, migration tests, drying: strategy the others are compared with.",
        ),
    ] = None,
    margin: Annotated[
        str | None,
        typer.Option(
            "--margin",
            metavar="SHARE",
            help="Profiles, maps, migration tests, drying: difference between strategies that matters, "
            'as "20 %"; pairs that are shown to differ by less are named.',
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
            "diffusivity_m2_s) to correlate with the ranks. Maps: ground profiles of the same "
            "specimens, to compare the methods.",
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
            help="Profiles: fit a skin on a core too; its depth is the affected depth, else fitted.",
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
    aggregate: Annotated[
        str | None,
        typer.Option(
            "--aggregate",
            metavar="LEVEL",
            help="Maps: high or low, where aggregate stands in the second channel (signal).",
        ),
    ] = None,
    layer: Annotated[
        str | None,
        typer.Option(
            "--layer",
            metavar="LENGTH",
            help='Maps: thickness of a layer of the profile, as "1 mm"; 24 layers unless given.',
        ),
    ] = None,
    binder_share: Annotated[
        float | None,
        typer.Option(
            "--binder-share",
            metavar="SHARE",
            help="Maps: mass of binder per mass of paste, to give contents by mass of binder.",
        ),
    ] = None,
    maximum: Annotated[
        str | None,
        typer.Option(
            "--maximum",
            metavar="off|auto|DEPTH",
            help="Profiles: where the maximum of the content lies: found from the readings "
            '(auto, the default), always at the surface (off), or at a depth, as "6 mm".',
        ),
    ] = None,
    error: Annotated[
        str | None,
        typer.Option(
            "--error",
            metavar="auto|constant|proportional",
            help="Profiles: how readings scatter; chosen from the whole file unless given.",
        ),
    ] = None,
    robust: Annotated[
        bool | None,
        typer.Option(
            "--robust", help="Profiles: fit by Huber's loss, so that single readings count less."
        ),
    ] = None,
    drop: Annotated[
        list[str] | None,
        typer.Option(
            "--drop",
            metavar="READING",
            help='Profiles: leave out a reading, with the reason, as "S07:7-10 ground twice"; '
            "may stand several times.",
        ),
    ] = None,
    accept: Annotated[
        bool | None,
        typer.Option(
            "--accept",
            help="Profiles, maps, migration tests: write penalties for a scenario even where an interval "
            "spans more than a factor of ten.",
        ),
    ] = None,
    zone: Annotated[
        str | None,
        typer.Option(
            "--zone",
            metavar="ZONE",
            help='Strip log: zone of times without an offset, as "CET" or "+01:00".',
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
            help="Strip log: function that judges the pours: arrhenius (the default) or nurse-saul.",
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
    activation_temperature: Annotated[
        str | None,
        typer.Option(
            "--activation-temperature",
            metavar="TEMP",
            help="Strip log: Q of the Arrhenius function, activation energy over gas constant; the "
            'scenario\'s, or "5000 K".',
        ),
    ] = None,
    datum_temperature: Annotated[
        str | None,
        typer.Option(
            "--datum-temperature",
            metavar="TEMP",
            help='Strip log: T0 of the Nurse-Saul function; the scenario\'s, or "0 degC".',
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
            help="Cover survey: family for the scenario; the best one unless given.",
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
            help="Cover survey, strip log: scenario that is run with the surveyed cover, or by which "
            "every pour is assessed. Profiles, maps, migration tests: wall whose life is computed "
            "with every penalty.",
        ),
    ] = None,
    skip_bad: SkipBad = False,
    allow_outside: AllowOutside = False,
    quiet: Quiet = False,
    as_json: AsJson = False,
) -> None:
    """Fit test data or site records; the columns tell which kind of data it is.

    Writes a report (report.html), its tables and its figures, all or nothing.
    """
    options = FitOptions(
        reference=reference,
        margin=margin,
        age=age,
        profiles=profiles,
        affected_depth=affected_depth,
        layered=layered,
        keep_first=keep_first,
        fit_initial=fit_initial,
        maximum=maximum,
        error=error,
        robust=robust,
        drop=drop or None,
        accept=accept,
        zone=zone,
        loggers=loggers,
        specified=specified,
        maturity=maturity,
        reference_temperature=reference_temperature,
        activation_temperature=activation_temperature,
        datum_temperature=datum_temperature,
        limit=limit,
        family=family,
        bounds=bounds,
        nominal=nominal,
        scenario=scenario,
        aggregate=aggregate,
        layer=layer,
        binder_share=binder_share,
        skip_bad=skip_bad,
        allow_outside=allow_outside,
        quiet=quiet,
    )
    with report_errors():
        from stripwise.evidence.tables.data_file import read_data_file
        from stripwise.evidence.tables.data_kinds import KINDS
        from stripwise.evidence.tables.face_map_files import face_map_file
        from stripwise.report.file_swap import check_writable
        from stripwise.report.write import DATA_FILES
        from stripwise.units.names import slug

        extras = read_extras(png=png, xlsx=xlsx, pdf=pdf, browser=browser)
        data_file = face_map_file(file) or read_data_file(
            file, kinds=[kind for kind in KINDS if kind.name in REGISTRY], skip_bad=skip_bad
        )
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
