"""`stripwise plan-tests`: how many tests would show which curing a face had."""

# ruff: noqa: PLC0415 - a command imports what it needs, so that --help does not wait for pandas

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from stripwise.cli.fit_command import finish
from stripwise.cli.fit_options import read_cover
from stripwise.cli.shell import (
    AllowOutside,
    AsJson,
    Browser,
    Overwrite,
    Pdf,
    Png,
    Quiet,
    ScenarioFile,
    Xlsx,
    app,
    out_option,
    read_extras,
    report_errors,
)

__all__ = ["plan_tests"]


@app.command(
    epilog='Example:  stripwise plan-tests wall.toml --specimens specimens.csv --limit "45 mm"'
)
def plan_tests(  # noqa: PLR0917 - typer reads the options from the signature
    file: ScenarioFile,
    strategy: Annotated[
        str | None,
        typer.Option(
            "--strategy",
            metavar="NAME",
            help="Strategy in doubt; the one with the highest penalty unless given.",
        ),
    ] = None,
    specimens: Annotated[
        Path | None,
        typer.Option(
            "--specimens",
            metavar="FILE",
            help="Fitted diffusivities of cores (specimens.csv), for their scatter.",
        ),
    ] = None,
    cover: Annotated[
        Path | None,
        typer.Option(
            "--cover", metavar="FILE", help="Cover survey, for scatter and correlation of readings."
        ),
    ] = None,
    limit: Annotated[
        str | None,
        typer.Option("--limit", metavar="LENGTH", help='Limit of the cover, as "45 mm".'),
    ] = None,
    allowed: Annotated[
        float,
        typer.Option(
            "--allowed", help="Share of the cover below the limit that is not acceptable."
        ),
    ] = 0.05,
    shift: Annotated[
        str,
        typer.Option("--shift", metavar="LENGTH", help="Shortfall of the mean cover to detect."),
    ] = "5 mm",
    power: Annotated[
        float, typer.Option("--power", help="Probability of detecting a difference that is there.")
    ] = 0.8,
    significance: Annotated[
        float, typer.Option("--significance", help="Probability of a false alarm, one-sided.")
    ] = 0.05,
    out: Annotated[Path | None, out_option("plan; reports/<file name>-tests")] = None,
    overwrite: Overwrite = False,
    png: Png = False,
    xlsx: Xlsx = False,
    pdf: Pdf = False,
    browser: Browser = None,
    allow_outside: AllowOutside = False,
    quiet: Quiet = False,
    as_json: AsJson = False,
) -> None:
    """Plan the tests that show whether a face got the assumed curing."""
    with report_errors():
        from stripwise.evidence.tables.data_file import read_data_file
        from stripwise.evidence.tables.data_kinds import COVER_SURVEY, DIFFUSIVITIES
        from stripwise.report.file_swap import check_writable
        from stripwise.report.pages.plan_tests_page import plan_report
        from stripwise.report.write import DATA_FILES
        from stripwise.scenario.loading import load
        from stripwise.studies.fit.cover_survey_study import study_cover_survey
        from stripwise.studies.fit.planned_tests import DetectionTargets
        from stripwise.studies.fit.planned_tests import plan_tests as plan
        from stripwise.units.names import slug

        scenario = load(file, allow_outside=allow_outside)
        extras = read_extras(png=png, xlsx=xlsx, pdf=pdf, browser=browser, units=scenario.units)
        targets = DetectionTargets(
            power=power,
            significance=significance,
            shift=read_cover("--shift", shift) or 0.0,
            limit=read_cover("--limit", limit),
            allowed=allowed,
        )
        folder = out if out is not None else Path("reports") / f"{slug(file.stem)}-tests"
        check_writable(folder, DATA_FILES, command="plan-tests", overwrite=overwrite)
        cores = None if specimens is None else read_data_file(specimens, kinds=[DIFFUSIVITIES])
        survey = None
        if cover is not None:
            readings = read_data_file(cover, kinds=[COVER_SURVEY])
            survey = study_cover_survey(readings, limit=targets.limit).survey
        report = plan_report(
            plan(scenario, strategy=strategy, targets=targets, specimens=cores, survey=survey)
        )
        finish(
            report,
            folder,
            command="plan-tests",
            overwrite=overwrite,
            extras=extras,
            quiet=quiet,
            as_json=as_json,
        )
