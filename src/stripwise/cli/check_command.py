"""`stripwise check`: how a scenario file is understood."""

# ruff: noqa: PLC0415 - a command imports what it needs, so that --help does not wait for pandas

from __future__ import annotations

import typer

from stripwise.cli.shell import (
    AllowOutside,
    AsJson,
    ScenarioFile,
    app,
    print_json,
    report_errors,
)

__all__ = ["check"]


@app.command(epilog="Example:  stripwise check scenarios/garage-wall.toml")
def check(file: ScenarioFile, allow_outside: AllowOutside = False, as_json: AsJson = False) -> None:
    """Show how a scenario file is understood, without computing anything."""
    with report_errors():
        from stripwise.scenario.describe import as_record, describe
        from stripwise.scenario.loading import load
        from stripwise.studies.from_scenario import build_wall
        from stripwise.studies.service_notes import service_notes

        scenario = load(file, allow_outside=allow_outside)
        if as_json:
            print_json(as_record(scenario))
        else:
            typer.echo(describe(scenario))
            lines = "\n".join(
                f"  - {note}" for note in service_notes(scenario, build_wall(scenario))
            )
            typer.echo(
                "\nService conditions, at mean values (penalties at the mean of the curing law's "
                f"variables, in a report at their own mean):\n{lines}"
            )
