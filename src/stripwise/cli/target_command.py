"""`stripwise target`: which durability target to set."""

# ruff: noqa: PLC0415 - a command imports what it needs, so that --help does not wait for pandas

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from stripwise.cli.shell import (
    AllowOutside,
    AsJson,
    Overwrite,
    Quiet,
    ScenarioFile,
    Workers,
    app,
    out_option,
    print_json,
    print_result,
    progress_bar,
    report_errors,
)
from stripwise.units.caution import CAUTION

__all__ = ["target"]


@app.command(epilog="Example:  stripwise target scenarios/pier-wall-cost.toml")
def target(  # noqa: PLR0917 - typer reads the options from the signature
    file: ScenarioFile,
    out: Annotated[Path | None, out_option("results; reports/<file name>-target")] = None,
    overwrite: Overwrite = False,
    workers: Workers = 2,
    allow_outside: AllowOutside = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Say what each durability target asks for: who meets it, cover, strip age, cost.

    With [choices] it gives the nominal cover and the strip age that each target needs; with [cost]
    what it costs and where the expected cost is least.
    """
    with report_errors():
        from stripwise.report.file_swap import check_writable
        from stripwise.report.pages.target_page import target_report
        from stripwise.report.write import TARGET_FILES, write_report
        from stripwise.scenario.loading import load
        from stripwise.studies.target_study import target as study_targets
        from stripwise.units.names import slug

        scenario = load(file, allow_outside=allow_outside)
        folder = out if out is not None else Path("reports") / f"{slug(file.stem)}-target"
        check_writable(folder, TARGET_FILES, command="target", overwrite=overwrite)
        with progress_bar(quiet=quiet) as report_progress:
            result = study_targets(scenario, workers=workers, progress=report_progress)
        report = target_report(result)
        written = write_report(report, folder, command="target", overwrite=overwrite)
        if as_json:
            print_json(
                {
                    "verdict": list(result.verdict),
                    "caution": CAUTION,
                    "warnings": list(result.warnings),
                    "targets": result.targets.to_dict(orient="records"),
                    "annual": result.annual.to_dict(orient="records"),
                    "costs": None if result.costs is None else result.costs.to_dict("records"),
                    "folder": str(folder),
                    "files": [str(path) for path in written],
                }
            )
        elif not quiet:
            print_result(
                result.verdict, result.warnings, files=[("Report", folder / "report.html")]
            )
