"""What every command shares: the app, its options, its errors, progress and JSON."""

# ruff: noqa: PLC0415 - a command imports what it needs, so that --help does not wait for pandas

from __future__ import annotations

import contextlib
import errno
import io
import json
import logging
import math
import os
import shutil
import signal
import sys
import textwrap
import warnings
from collections.abc import Callable, Iterable, Iterator
from importlib.metadata import version
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer

from stripwise.errors import StripwiseError
from stripwise.report.held_signals import SIGNALS
from stripwise.units.caution import CAUTION

__all__ = [
    "AllowOutside",
    "AsJson",
    "Overwrite",
    "Quiet",
    "ScenarioFile",
    "Workers",
    "align_columns",
    "app",
    "fail",
    "out_option",
    "print_error",
    "print_json",
    "print_result",
    "progress_bar",
    "read_folder",
    "report_errors",
    "run_app",
    "wrap",
]

BAD_INPUT = 1
INTERRUPTED = 130

MAX_WORKERS = 64

WIDTH = 100
"""Longest line of text on a terminal."""

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="How early may the forms of a concrete wall go, and what does it cost in service life?\n\n"
    "Example:  stripwise new wall.toml && stripwise run wall.toml",
)

ScenarioFile = Annotated[Path, typer.Argument(metavar="FILE", help="Scenario file (TOML).")]
AsJson = Annotated[bool, typer.Option("--json", help="Print one JSON object instead of text.")]
AllowOutside = Annotated[
    bool,
    typer.Option("--allow-outside", help="Let the scenario name files outside its own folder."),
]
Workers = Annotated[
    int,
    typer.Option(
        "--workers", min=1, max=MAX_WORKERS, help="Threads; the results do not depend on it."
    ),
]
Quiet = Annotated[
    bool, typer.Option("--quiet", help="Print neither text nor progress, only errors.")
]


Overwrite = Annotated[
    bool,
    typer.Option(
        "--overwrite", help="Replace result files of an earlier run that were changed since."
    ),
]


def out_option(what: str) -> Any:
    """Return the option of the folder that a command writes to; `what` is written, and where."""
    return typer.Option(
        "--out", metavar="DIR", parser=read_folder, help=f"Folder of the {what} unless given."
    )


def read_folder(text: str) -> Path:
    """Read the name of a folder; an empty one is refused."""
    if not text.strip():
        raise typer.BadParameter("is empty; give a folder, or . for the current one")
    return Path(text)


def _print_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"stripwise {version('stripwise')}")
        raise typer.Exit


@app.callback()
def _root(
    _version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_print_version, is_eager=True, help="Print the version and end."
        ),
    ] = False,
) -> None:
    pass


def run_app() -> None:
    """Run the command line on streams that take every character, and end the process."""
    _open_streams()
    os.environ["MPLBACKEND"] = "agg"  # figures go to files, whatever the user's own choice
    logging.getLogger("matplotlib").setLevel(logging.CRITICAL)
    if not sys.warnoptions:  # for programmers, who can ask for them
        warnings.simplefilter("ignore")
    try:
        app()
    except OSError as problem:  # of the output alone: commands catch those of their files
        with contextlib.suppress(OSError):
            sys.stdout.close()
        with contextlib.suppress(OSError):
            print_error(f"the output cannot be written ({problem.strerror})")
        raise SystemExit(BAD_INPUT) from None


def _open_streams() -> None:
    """Write UTF-8 to files and pipes; a character that cannot be written becomes its code."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:  # closed: its number is taken, so that no file of ours gets it
            os.open(os.devnull, os.O_RDWR)
            setattr(sys, name, _ClosedOutput())
        elif isinstance(stream, io.TextIOWrapper):
            # a file name may hold what is no text at all, which no encoding takes
            encoding = stream.encoding if stream.isatty() else "utf-8"
            lines = stream.line_buffering
            output = _Output(
                stream.detach(), encoding, errors="backslashreplace", line_buffering=lines
            )
            setattr(sys, name, output)


class _Output(io.TextIOWrapper):
    """A stream whose reader may leave, as `head` does; what follows is dropped."""

    def write(self, text: str) -> int:
        with self._until_the_reader_leaves():
            super().write(text)
        return len(text)

    def flush(self) -> None:
        with self._until_the_reader_leaves():
            super().flush()

    @contextlib.contextmanager
    def _until_the_reader_leaves(self) -> Iterator[None]:
        try:
            yield
        except BrokenPipeError:
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, self.fileno())
            os.close(nowhere)


class _ClosedOutput(io.TextIOBase):
    """A stream that was closed before the start; it loses what is written, and says so."""

    def write(self, text: str) -> int:
        if text:
            raise OSError(errno.EBADF, os.strerror(errno.EBADF))
        return 0


@contextlib.contextmanager
def report_errors() -> Iterator[None]:
    """Turn what the user can mend into lines on stderr and an exit code, without a traceback."""
    try:
        with _interruptible():
            yield
    except StripwiseError as error:
        fail(str(error))
    except Terminated as request:
        print_error("terminated; nothing more was written")
        raise typer.Exit(128 + request.number) from None
    except KeyboardInterrupt:
        print_error("interrupted; nothing more was written")
        raise typer.Exit(INTERRUPTED) from None


class Terminated(KeyboardInterrupt):
    """The process was asked to end; what was begun is taken back as after an interrupt."""

    def __init__(self, number: int) -> None:
        super().__init__()
        self.number = number


@contextlib.contextmanager
def _interruptible() -> Iterator[None]:
    """Take an interrupt or a request to end once: a second would break what takes things back."""

    def stop(number: int, _frame: object) -> None:
        for name in SIGNALS:
            signal.signal(name, signal.SIG_IGN)
        raise KeyboardInterrupt if number == signal.SIGINT else Terminated(number)

    before = {}
    for name in SIGNALS:
        # outside the main thread there are no signals to handle, and an ignored one stays so
        with contextlib.suppress(ValueError):
            if signal.getsignal(name) is not signal.SIG_IGN:
                before[name] = signal.signal(name, stop)
    try:
        yield
    except KeyboardInterrupt:
        raise  # still ignored while threads end
    except BaseException:
        _restore(before)
        raise
    else:
        _restore(before)


def _restore(handlers: dict[signal.Signals, Any]) -> None:
    for name, handler in handlers.items():
        signal.signal(name, handler)


@contextlib.contextmanager
def progress_bar(*, quiet: bool) -> Iterator[Callable[[str, float], None]]:
    """Show a progress bar on a terminal and nothing elsewhere."""
    if quiet or not sys.stderr.isatty():
        yield lambda _stage, _done: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description}", markup=False), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        tasks: dict[str, TaskID] = {}

        def report_progress(stage: str, done: float) -> None:
            if stage not in tasks:
                tasks[stage] = bar.add_task(stage, total=1.0)
            bar.update(tasks[stage], completed=done)

        yield report_progress


def print_json(record: dict[str, Any]) -> None:
    """Print one JSON object; a missing number is null, infinity "inf"."""
    typer.echo(json.dumps(_jsonable(record), indent=2, ensure_ascii=True, allow_nan=False))


def _jsonable(value: Any) -> Any:
    """Replace what JSON has no word for: a missing number by null, infinity by "inf"."""
    if isinstance(value, dict):
        return {str(key): _jsonable(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_jsonable(item) for item in value]
    if hasattr(value, "item"):
        value = value.item()  # a NumPy scalar
    if isinstance(value, float) and not math.isfinite(value):
        return None if math.isnan(value) else ("inf" if value > 0 else "-inf")
    return value


def wrap(text: str, *, first: str = "", then: str = "", always: bool = False) -> str:
    """Wrap a sentence to the width of the terminal; lines begin with `first`, then `then`.

    Without a terminal one line stays one line, for programs that read it, unless `always`.
    """
    if sys.stdout.isatty():
        width = min(WIDTH, shutil.get_terminal_size().columns)
    elif always:
        width = WIDTH
    else:
        return first + text
    return textwrap.fill(
        text, max(width, 40), initial_indent=first, subsequent_indent=then, break_on_hyphens=False
    )


def align_columns(rows: list[tuple[str, ...]]) -> list[str]:
    """Line up cells in columns, the first to the left and the others to the right."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return [
        "  "
        + "  ".join(
            cell.rjust(width) if i else cell.ljust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]


def print_result(
    sentences: Iterable[str],
    warnings: Iterable[str],
    *,
    files: Iterable[tuple[str, Path]],
    table: Iterable[str] = (),
) -> None:
    """Print the sentences, a table, the caution, the warnings and where the files are.

    The table stands between the first sentence and the others; a file is what it is, and its path.
    """
    lines = list(table)
    for place, sentence in enumerate(sentences):
        typer.echo(wrap(sentence))
        if place == 0 and lines:
            typer.echo("\n" + "\n".join(lines) + "\n")
    typer.echo("\n" + wrap(f"Caution: {CAUTION}"))
    if warning_list := list(warnings):
        typer.echo("\nBefore you use the numbers:")
        for warning in warning_list:
            typer.echo(wrap(warning, first="  - ", then="    "))
    typer.echo()
    for what, path in files:
        typer.echo(f"{what}: {path}")


def print_error(message: str) -> None:
    """Print a line to stderr."""
    typer.echo(message, err=True)


def fail(message: str) -> NoReturn:
    """End the command with what the user can mend on stderr and exit code 1."""
    print_error(message)
    raise typer.Exit(BAD_INPUT)
