"""`stripwise stripped`: the forms went early; what it cost and what still helps."""

# ruff: noqa: PLC0415 - a command imports what it needs, so that --help does not wait for pandas

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stripwise.cli.shell import (
    AllowOutside,
    AsJson,
    Overwrite,
    ScenarioFile,
    SkipBad,
    Workers,
    align_columns,
    app,
    print_json,
    progress_bar,
    read_folder,
    report_errors,
    wrap,
)

if TYPE_CHECKING:
    from stripwise.scenario.model import Scenario
    from stripwise.studies.stripped import SiteAnswer

__all__ = ["stripped"]


@app.command(epilog='Example:  stripwise stripped wall.toml --after "14 h" --at "6 degC"')
def stripped(  # noqa: PLR0917 - typer reads the options from the signature
    file: ScenarioFile,
    after: Annotated[
        str, typer.Option("--after", metavar="AGE", help='Age at which the forms went: "14 h".')
    ],
    at: Annotated[
        str | None,
        typer.Option(
            "--at",
            metavar="TEMPERATURE",
            help='Mean concrete temperature until then: "6 degC", "43 degF"; or give --logger.',
        ),
    ] = None,
    logger: Annotated[
        Path | None,
        typer.Option(
            "--logger",
            metavar="FILE",
            help="Table of time and concrete temperature, in place of --at.",
        ),
    ] = None,
    zone: Annotated[
        str | None,
        typer.Option(
            "--zone", metavar="NAME", help='Logger: zone of times without an offset, as "CET".'
        ),
    ] = None,
    placed: Annotated[
        str | None,
        typer.Option(
            "--placed",
            metavar="TIME",
            help="Logger: when the concrete was placed; the first reading unless given.",
        ),
    ] = None,
    pour: Annotated[
        str | None,
        typer.Option("--pour", metavar="NAME", help="Logger: pour of a file that holds several."),
    ] = None,
    skip_bad: SkipBad = False,
    plan: Annotated[
        str | None,
        typer.Option(
            "--plan",
            metavar="NAME",
            help="Strategy that was meant; the reference strategy unless given.",
        ),
    ] = None,
    face: Annotated[
        str | None,
        typer.Option(
            "--face", metavar="FACE", help="vertical or horizontal; that of the plan unless given."
        ),
    ] = None,
    follow_up_at: Annotated[
        str | None,
        typer.Option(
            "--follow-up-at",
            metavar="TEMPERATURE",
            help="Concrete temperature while curing after stripping; as --at unless given.",
        ),
    ] = None,
    unusual: Annotated[
        bool,
        typer.Option(
            "--unusual", help="Take an age or a temperature outside its usual range as meant."
        ),
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="DIR",
            parser=read_folder,
            help="Folder for two pages to file, and their tables; none unless given.",
        ),
    ] = None,
    overwrite: Overwrite = False,
    workers: Workers = 2,
    allow_outside: AllowOutside = False,
    as_json: AsJson = False,
) -> None:
    """Say what an early strip has cost against the plan, and what each follow-up still buys.

    Strength, stability and frost come first; this command checks none of them. With --out it writes
    two pages to sign and file.
    """
    if (at is None) == (logger is None):
        raise typer.BadParameter("give one of both, --at or --logger", param_hint="--at")
    if logger is None and any((zone, placed, pour, skip_bad)):
        raise typer.BadParameter(
            "--zone, --placed, --pour and --skip-bad go with --logger", param_hint="--logger"
        )
    with report_errors():
        from stripwise.report.file_swap import check_writable
        from stripwise.report.pages.stripped_page import stripped_record, stripped_report
        from stripwise.report.write import STRIPPED_FILES, write_report
        from stripwise.scenario.loading import load
        from stripwise.studies.logged_temperature import LoggerFile
        from stripwise.studies.stripped import stripped_early

        if out is not None:
            check_writable(out, STRIPPED_FILES, command="stripped", overwrite=overwrite)
        scenario = load(file, allow_outside=allow_outside)
        with progress_bar(quiet=as_json) as report_progress:
            answer = stripped_early(
                scenario,
                after=after,
                at=at,
                logger=None
                if logger is None
                else LoggerFile(logger, zone, placed, pour, skip_bad=skip_bad),
                plan=plan,
                face=face,
                follow_up_at=follow_up_at,
                unusual=unusual,
                workers=workers,
                progress=report_progress,
            )
        written = []
        if out is not None:
            report = stripped_report(answer, scenario)
            written = write_report(report, out, command="stripped", overwrite=overwrite)
        if as_json:
            files = {"folder": str(out), "files": [str(path) for path in written]} if out else {}
            print_json({**stripped_record(answer, scenario), **files})
        else:
            blocks = _blocks(answer, scenario)
            if out is not None:
                blocks.append(f"To sign and file: {out / 'report.html'}")
            typer.echo("\n\n".join(blocks))


def _blocks(answer: SiteAnswer, scenario: Scenario) -> list[str]:
    """Lay the answer out as text: cautions, the strip against the plan, follow-ups, notes."""
    from stripwise.report.pages.stripped_text import (
        comparison_rows,
        follow_up_table,
        headline,
        maturity_lines,
        plan_line,
    )

    table = follow_up_table(answer, scenario)
    comparison = align_columns(comparison_rows(answer, scenario))
    return [
        "FIRST, before any number:\n" + _listed(answer.cautions),
        wrap(headline(answer, scenario), always=True),
        "\n".join([plan_line(answer), *comparison, *maturity_lines(answer, scenario)]),
        "\n".join([table.caption, *align_columns(table.texts())]),
        "Before you use the numbers:\n" + _listed(answer.notes),
    ]


def _listed(sentences: tuple[str, ...]) -> str:
    return "\n".join(wrap(text, first="  - ", then="    ", always=True) for text in sentences)
