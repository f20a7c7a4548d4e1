"""`stripwise new`: start a scenario."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from stripwise.cli.shell import app, one_of, report_errors
from stripwise.report.synced_write import write_new
from stripwise.scenario.starters import exposures, starter_text

__all__ = ["new"]


@app.command(epilog="Example:  stripwise new wall.toml")
def new(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Where to write; must not exist.")],
    like: Annotated[
        str | None,
        typer.Option(
            "--like",
            metavar="EXPOSURE",
            **one_of(exposures()),
            help=f"Start from another exposure: {' or '.join(exposures())}.",
        ),
    ] = None,
) -> None:
    """Write a commented starter scenario that runs as it is."""
    with report_errors():
        write_new(file, starter_text(like).encode())
    typer.echo(f"Wrote {file}. Next: stripwise check {file}")
