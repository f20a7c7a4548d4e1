"""`stripwise run`: the whole main job, from a scenario to its report."""

# ruff: noqa: PLC0415 - a command imports what it needs, so that --help does not wait for pandas

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from stripwise.cli.shell import (
    AllowOutside,
    AsJson,
    Browser,
    Overwrite,
    Pdf,
    Png,
    Quiet,
    ScenarioFile,
    Workers,
    Xlsx,
    align_columns,
    app,
    out_option,
    print_error,
    print_json,
    print_result,
    progress_bar,
    read_extras,
    report_errors,
)
from stripwise.units.caution import CAUTION
from stripwise.units.names import nearest_spelling

if TYPE_CHECKING:
    from stripwise.scenario.model import Scenario
    from stripwise.studies.results import Assessment
    from stripwise.studies.revision import Revision

__all__ = ["run"]

TARGET_MISSED = 3


@app.command(epilog="Example:  stripwise run scenarios/garage-wall.toml --out reports/garage-wall")
def run(  # noqa: PLR0917 - typer reads the options from the signature
    file: ScenarioFile,
    out: Annotated[Path | None, out_option("report; reports/<file name>")] = None,
    overwrite: Overwrite = False,
    png: Png = False,
    xlsx: Xlsx = False,
    pdf: Pdf = False,
    browser: Browser = None,
    workers: Workers = 2,
    allow_outside: AllowOutside = False,
    require_target: Annotated[
        bool,
        typer.Option(
            "--require-target",
            help="End with code 3 unless the reference strategy meets the target: its "
            "meets_target in strategies.csv must be yes; too close to call is not enough.",
        ),
    ] = False,
    strategy: Annotated[
        str | None,
        typer.Option(
            "--strategy",
            metavar="NAME",
            help="With --require-target: the strategy to judge instead of the reference.",
        ),
    ] = None,
    against: Annotated[
        Path | None,
        typer.Option(
            "--against",
            metavar="RESULTS",
            help="Folder of an earlier run: say what changed since, and write against.csv.",
        ),
    ] = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Assess every strategy of a scenario and write the report.

    Exit codes: 0 done, 1 bad input, 2 wrong usage, 3 target missed under --require-target,
    129 hung up, 130 interrupted, 143 terminated.
    """
    if strategy is not None and not require_target:
        raise typer.BadParameter("is used with --require-target only", param_hint="--strategy")
    with report_errors():
        from stripwise.report.file_swap import check_writable
        from stripwise.report.write import RUN_FILES, write
        from stripwise.scenario.loading import load
        from stripwise.studies.revision import compare_runs, read_run
        from stripwise.studies.run import assess
        from stripwise.units.names import slug

        scenario = load(file, allow_outside=allow_outside)
        extras = read_extras(png=png, xlsx=xlsx, pdf=pdf, browser=browser, units=scenario.units)
        earlier = None if against is None else read_run(against)
        judged_strategy = _strategy_to_judge(scenario, strategy)
        folder = out if out is not None else Path("reports") / slug(file.stem)
        check_writable(folder, RUN_FILES, overwrite=overwrite)
        with progress_bar(quiet=quiet) as report_progress:
            result = assess(scenario, workers=workers, progress=report_progress)
        revision = None if earlier is None else compare_runs(result, earlier)
        if not (quiet or as_json):  # the answer does not wait for the figures
            told = []
            if revision is not None:
                from stripwise.report.pages.against_section import against_sentences

                told = against_sentences(revision)
            print_result([*result.verdict, *told], result.warnings, files=(), table=_table(result))
        written = write(result, folder, overwrite=overwrite, extras=extras, revision=revision)
        row = result.strategies.set_index("strategy").loc[judged_strategy]
        meets = str(row["meets_target"])
        if as_json:
            print_json(_record(result, folder, written, revision))
        elif not quiet:
            typer.echo(f"Report: {folder / 'report.html'}")
    if require_target and meets != "yes":
        print_error(f"target missed: meets_target of {judged_strategy!r} is {meets}, not yes")
        raise typer.Exit(TARGET_MISSED)


def _strategy_to_judge(scenario: Scenario, name: str | None) -> str:
    """Return the strategy that --require-target judges, before anything is computed."""
    if name is None:
        return scenario.reference_strategy
    names = [item.name for item in scenario.strategies]
    if name not in names:
        raise typer.BadParameter(
            f"{name!r} is no strategy of the scenario; it has {', '.join(names)}"
            f"{nearest_spelling(name, names)}",
            param_hint="--strategy",
        )
    return name


def _table(result: Assessment) -> list[str]:
    """Give probability, life and verdict of each strategy, a line each."""
    from stripwise.report.pages.run_tables import terminal_table

    return align_columns(terminal_table(result).texts())


def _record(
    result: Assessment, folder: Path, written: list[Path], revision: Revision | None
) -> dict[str, Any]:
    return {
        "verdict": list(result.verdict),
        "caution": CAUTION,
        "warnings": list(result.warnings),
        "strategies": result.strategies.to_dict(orient="records"),
        "against": None if revision is None else revision.table.to_dict(orient="records"),
        "folder": str(folder),
        "files": [str(path) for path in written],
    }
