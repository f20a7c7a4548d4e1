"""`stripwise new`: start a scenario."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, TextIO

import typer

from stripwise.cli.shell import app, fail, one_of
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
    text = starter_text(like)
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
