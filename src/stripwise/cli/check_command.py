"""`stripwise check` and `stripwise new`: read a scenario, start one."""

# ruff: noqa: PLC0415 - a command imports what it needs, so that --help does not wait for pandas

from __future__ import annotations

from importlib import resources
from pathlib import Path
from typing import Annotated, TextIO

import typer

from stripwise.cli.shell import (
    AllowOutside,
    AsJson,
    ScenarioFile,
    app,
    fail,
    print_json,
    report_errors,
)

__all__ = ["check", "new"]


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


@app.command(epilog="Example:  stripwise new wall.toml")
def new(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Where to write; must not exist.")],
) -> None:
    """Write a commented starter scenario that runs as it is."""
    text = resources.files("stripwise.scenario").joinpath("starter.toml").read_text("utf-8")
    try:
        with file.open("x", encoding="utf-8", newline="\n") as stream:
            _write_or_remove(stream, text, file)
    except FileExistsError:
        fail(f"{file}: exists already; choose another name, nothing was written")
    except (OSError, ValueError) as error:
        fail(f"{file}: cannot be written: {getattr(error, 'strerror', None) or error}")
    typer.echo(f"Wrote {file}. Next: stripwise check {file}")


def _write_or_remove(stream: TextIO, text: str, file: Path) -> None:
    """Write a new file, or remove it again where the disk fails."""
    try:
        stream.write(text)
        stream.flush()
    except BaseException:
        file.unlink(missing_ok=True)
        raise
