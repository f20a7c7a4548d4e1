"""`stripwise design`: cover and strip age together."""

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

if TYPE_CHECKING:
    from stripwise.studies.design.design_result import DesignResult

__all__ = ["design"]

MOST_PAIRS = 2
"""Most pairs that one design works through."""


@app.command(epilog="Example:  stripwise design scenarios/pier-wall-cost.toml")
def design(  # noqa: PLR0917 - typer reads the options from the signature
    file: ScenarioFile,
    out: Annotated[Path | None, out_option("results; reports/<file name>-design")] = None,
    choose: Annotated[
        list[str] | None,
        typer.Option(
            "--choose",
            metavar="PAIR",
            help="Pair to work through on choice.html, to be checked and signed: "
            '"70 mm, 36 h, none". At most twice.',
        ),
    ] = None,
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
    """Weigh cover against strip age: required cover, earliest strip age, rules, cost.

    Needs [choices] in the scenario; with [cost] it says what each choice costs. --choose works a
    pair through: the clause for the specification and the calculation behind it.
    """
    with report_errors():
        from stripwise.errors import InputError
        from stripwise.report.file_swap import check_writable
        from stripwise.report.write import CHOICE_FILE, DESIGN_FILES, EXPLORE_FILE, write_design
        from stripwise.scenario.loading import load
        from stripwise.studies.design.chosen_pair import read_choice
        from stripwise.studies.design.design_study import design as run_design
        from stripwise.studies.design.setting import Setting
        from stripwise.units.names import slug

        scenario = load(file, allow_outside=allow_outside)
        extras = read_extras(png=png, xlsx=xlsx, pdf=pdf, browser=browser, units=scenario.units)
        # errors come before anything is computed
        setting, pairs = Setting.from_scenario(scenario, workers=workers), choose or []
        if len(pairs) > MOST_PAIRS:
            raise InputError("--choose", f"is given {len(pairs)} times; at most {MOST_PAIRS} pairs")
        for text in pairs:
            read_choice(text, setting)
        folder = out if out is not None else Path("reports") / f"{slug(file.stem)}-design"
        names = (*DESIGN_FILES, EXPLORE_FILE, *([CHOICE_FILE] if pairs else []))
        check_writable(folder, names, command="design", overwrite=overwrite)
        with progress_bar(quiet=quiet) as report_progress:
            result = run_design(
                scenario, choose=pairs, explore=True, workers=workers, progress=report_progress
            )
        written = write_design(result, folder, overwrite=overwrite, extras=extras)
        if as_json:
            print_json(_record(result, folder, written))
        elif not quiet:
            files = [
                ("Report", folder / "report.html"),
                ("Strip-age table for the site", folder / "strip-ages.html"),
            ]
            if pairs:
                files.append(("Chosen pair, to be checked", folder / CHOICE_FILE))
            if result.explore is not None:
                files.append(("Page to try pairs on", folder / EXPLORE_FILE))
            print_result(result.verdict, result.warnings, files=files)
            if result.explore_refusal:
                print_error(f"No {EXPLORE_FILE}: {result.explore_refusal}.")


def _record(result: DesignResult, folder: Path, written: list[Path]) -> dict[str, Any]:
    from stripwise.report.pages.choice_page import chosen_record

    return {
        "verdict": list(result.verdict),
        "caution": CAUTION,
        "warnings": list(result.warnings),
        "required": result.required.to_dict(orient="records"),
        "earliest": result.earliest.to_dict(orient="records"),
        "cost": None if result.cost is None else result.cost.to_dict(orient="records"),
        "chosen": [chosen_record(pair) for pair in result.chosen],
        "explore": result.explore_refusal or "explore.html",
        "folder": str(folder),
        "files": [str(path) for path in written],
    }
