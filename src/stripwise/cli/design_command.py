"""`stripwise design`: cover and strip age together."""

# ruff: noqa: PLC0415 - a command imports what it needs, so that --help does not wait for pandas

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

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

if TYPE_CHECKING:
    from stripwise.studies.design.design_result import DesignResult

__all__ = ["design"]


@app.command(epilog="Example:  stripwise design scenarios/pier-wall-cost.toml")
def design(  # noqa: PLR0917 - typer reads the options from the signature
    file: ScenarioFile,
    out: Annotated[Path | None, out_option("results; reports/<file name>-design")] = None,
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

    Needs [choices] in the scenario; with [cost] it says what each choice costs.
    """
    with report_errors():
        from stripwise.report.file_swap import check_writable
        from stripwise.report.write import DESIGN_FILES, write_design
        from stripwise.scenario.loading import load
        from stripwise.studies.design.design_study import design as run_design
        from stripwise.studies.design.setting import Setting
        from stripwise.units.names import slug

        scenario = load(file, allow_outside=allow_outside)
        extras = read_extras(png=png, xlsx=xlsx, pdf=pdf, browser=browser, units=scenario.units)
        # its errors come before anything is computed
        Setting.from_scenario(scenario, workers=workers)
        folder = out if out is not None else Path("reports") / f"{slug(file.stem)}-design"
        check_writable(folder, DESIGN_FILES, command="design", overwrite=overwrite)
        with progress_bar(quiet=quiet) as report_progress:
            result = run_design(scenario, workers=workers, progress=report_progress)
        written = write_design(result, folder, overwrite=overwrite, extras=extras)
        if as_json:
            print_json(_record(result, folder, written))
        elif not quiet:
            files = [
                ("Report", folder / "report.html"),
                ("Strip-age table for the site", folder / "strip-ages.html"),
            ]
            print_result(result.verdict, result.warnings, files=files)


def _record(result: DesignResult, folder: Path, written: list[Path]) -> dict[str, Any]:
    return {
        "verdict": list(result.verdict),
        "caution": CAUTION,
        "warnings": list(result.warnings),
        "required": result.required.to_dict(orient="records"),
        "earliest": result.earliest.to_dict(orient="records"),
        "cost": None if result.cost is None else result.cost.to_dict(orient="records"),
        "folder": str(folder),
        "files": [str(path) for path in written],
    }
