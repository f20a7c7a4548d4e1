"""`stripwise update`: what inspections say about a wall, and every answer before and after."""

# ruff: noqa: PLC0415 - a command imports what it needs, so that --help does not wait for pandas

from __future__ import annotations

from collections.abc import Hashable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from stripwise.cli.shell import (
    AllowOutside,
    AsJson,
    AsScatter,
    Browser,
    Overwrite,
    Pdf,
    Png,
    Quiet,
    ScenarioFile,
    Workers,
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
    import pandas as pd

__all__ = ["update"]

HOME = "scenarios/inspections"


@app.command(
    epilog=f"Example:  stripwise update {HOME}/inspected-wall.toml {HOME}/cores-year-10.csv"
)
def update(  # noqa: PLR0917 - typer reads the options from the signature
    file: ScenarioFile,
    data: Annotated[
        list[Path],
        typer.Argument(metavar="DATA...", help="Tables of inspections (CSV), all that there are."),
    ],
    as_scatter: AsScatter = False,
    first_exposure: Annotated[
        str | None,
        typer.Option(
            "--first-exposure",
            metavar="DATE",
            help="Date of first exposure, as 2021-05-20, for inspections that have a date.",
        ),
    ] = None,
    next_at: Annotated[
        float | None,
        typer.Option(
            "--next",
            metavar="YEARS",
            help="Age of the wall at which a next inspection is weighed: cores, cover, half-cell.",
        ),
    ] = None,
    out: Annotated[Path | None, out_option("report; reports/<file name>-update")] = None,
    overwrite: Overwrite = False,
    png: Png = False,
    xlsx: Xlsx = False,
    pdf: Pdf = False,
    browser: Browser = None,
    workers: Workers = 2,
    allow_outside: AllowOutside = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Update a wall by what inspections found; the columns tell which kind of data a table holds.

    Chloride contents of cores, depths of a colour indicator or of carbonation, cover readings,
    half-cell surveys, steel laid open, cracks, migration tests of young concrete. Writes the answer before and after
    and posterior.csv, which every other command takes as `knowledge`.
    """
    with report_errors():
        from stripwise.report.file_swap import check_writable
        from stripwise.report.pages.update_page import update_report
        from stripwise.report.write import UPDATE_FILES, write_report
        from stripwise.scenario.loading import load
        from stripwise.studies.update.update_study import update as run_update
        from stripwise.units.names import slug

        scenario = load(file, allow_outside=allow_outside)
        extras = read_extras(png=png, xlsx=xlsx, pdf=pdf, browser=browser, units=scenario.units)
        folder = out if out is not None else Path("reports") / f"{slug(file.stem)}-update"
        check_writable(folder, UPDATE_FILES, command="update", overwrite=overwrite)
        with progress_bar(quiet=quiet) as report_progress:
            result = run_update(
                scenario,
                data,
                as_scatter=as_scatter,
                first_exposure=first_exposure,
                next_at=next_at,
                workers=workers,
                progress=report_progress,
            )
        report = update_report(result)
        written = write_report(report, folder, command="update", overwrite=overwrite, extras=extras)
        if as_json:
            print_json(
                {
                    "verdict": list(report.answer),
                    "caution": CAUTION,
                    "warnings": list(report.warnings),
                    "run": dict(result.run),
                    "answers": result.strategies.to_dict(orient="records"),
                    "learned": result.inputs.to_dict(orient="records"),
                    "inspections": result.data.to_dict(orient="records"),
                    "surprise": result.checks.to_dict(orient="records"),
                    "cover_spread": _records(result.covers),
                    "next_inspections": _records(result.next_inspections),
                    "folder": str(folder),
                    "files": [str(path) for path in written],
                }
            )
        elif not quiet:
            files = [
                ("Report", folder / "report.html"),
                ("Posterior, for `knowledge`", folder / "posterior.csv"),
            ]
            print_result(report.answer, report.warnings, files=files)


def _records(table: pd.DataFrame | None) -> list[dict[Hashable, Any]]:
    return [] if table is None else table.to_dict(orient="records")
