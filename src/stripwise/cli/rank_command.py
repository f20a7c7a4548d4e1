"""`stripwise rank`: which input drives the answer, at every age, and how sure that is."""

# ruff: noqa: PLC0415 - a command imports what it needs, so that --help does not wait for pandas

from __future__ import annotations

from pathlib import Path
from typing import Annotated

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
    app,
    out_option,
    print_json,
    print_result,
    progress_bar,
    read_extras,
    report_errors,
)
from stripwise.units.caution import CAUTION

__all__ = ["rank"]


@app.command(epilog="Example:  stripwise rank scenarios/garage-wall.toml --ages 5,10,25,50")
def rank(  # noqa: PLR0917 - typer reads the options from the signature
    file: ScenarioFile,
    strategy: Annotated[
        str | None,
        typer.Option("--strategy", metavar="NAME", help="Strategy to rank; the reference if none."),
    ] = None,
    ages: Annotated[
        str | None,
        typer.Option(
            "--ages",
            metavar="LIST",
            help="Ages in yr: 5,10,25 or first:last:step. The target life is always among them.",
        ),
    ] = None,
    second_order: Annotated[
        bool, typer.Option("--second-order", help="Interactions of every pair of inputs too.")
    ] = False,
    precision: Annotated[
        float | None,
        typer.Option(
            "--precision",
            metavar="WIDTH",
            help="Double the sample until the widest 95 % interval is narrower; refused if the "
            "budget does not allow it. Unless given, 0.1 is aimed at.",
        ),
    ] = None,
    out: Annotated[Path | None, out_option("report; reports/<file name>-rank")] = None,
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
    """Rank what drives the answer: choices, depth margin, initiation time and failure.

    What each choice on the table does to probability and life, Sobol' indices of every input and
    group at every age, importance factors of failure (FORM) beside the sampled answer, importance
    sampling for small probabilities, Shapley effects where inputs are correlated, and what each
    measurement would be worth.
    """
    ages_list = _ages(ages)
    with report_errors():
        from stripwise.report.file_swap import check_writable
        from stripwise.report.pages.rank_page import rank_report
        from stripwise.report.write import RANKING_FILES, write_report
        from stripwise.scenario.loading import load
        from stripwise.studies.rank.rank_study import rank as run_ranking
        from stripwise.units.formatting import count, decimals, number
        from stripwise.units.names import slug

        scenario = load(file, allow_outside=allow_outside)
        extras = read_extras(png=png, xlsx=xlsx, pdf=pdf, browser=browser, units=scenario.units)
        folder = out if out is not None else Path("reports") / f"{slug(file.stem)}-rank"
        check_writable(folder, RANKING_FILES, command="rank", overwrite=overwrite)
        with progress_bar(quiet=quiet) as report_progress:
            result = run_ranking(
                scenario,
                strategy=strategy,
                ages=ages_list,
                second_order=second_order,
                precision=precision,
                workers=workers,
                progress=report_progress,
            )
        report = rank_report(result)
        written = write_report(report, folder, command="rank", overwrite=overwrite, extras=extras)
        if as_json:
            print_json(
                {
                    "verdict": [*report.answer, *report.findings],
                    "caution": CAUTION,
                    "warnings": list(result.notes),
                    "run": result.run,
                    "methods": result.methods.to_dict(orient="records"),
                    "choices": result.choices.indices.to_dict(orient="records"),
                    "options": result.choices.options.to_dict(orient="records"),
                    "worth": result.value_of_information.to_dict(orient="records"),
                    "folder": str(folder),
                    "files": [str(path) for path in written],
                }
            )
        elif not quiet:
            cost = (
                f"\nCost: {count(result.run['model_runs'])} model runs at {len(result.ages)} ages "
                f"in {decimals(result.run['seconds']['indices'])} s; widest 95 % interval "
                f"{number(result.run['widest_interval'])}."
            )
            files = [("Report", folder / "report.html")]
            print_result([*report.answer, *report.findings, cost], result.notes, files=files)


def _ages(text: str | None) -> list[float] | None:
    """Read a list of ages, or a range with its step."""
    if text is None:
        return None
    try:
        if ":" in text:
            first, last, step = (float(part) for part in text.split(":"))
            if not (step > 0.0 and last >= first and (last - first) / step <= 1000.0):
                raise ValueError
            return [first + i * step for i in range(int((last - first) / step + 1e-9) + 1)]
        return [float(part) for part in text.split(",")]
    except (ValueError, OverflowError):
        raise typer.BadParameter(
            f"{text!r} is no list of ages; write 5,10,25 or first:last:step in yr",
            param_hint="--ages",
        ) from None
