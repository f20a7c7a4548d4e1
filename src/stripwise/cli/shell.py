"""What every command shares: the app, its options, its errors, progress and JSON."""

# ruff: noqa: PLC0415 - a command imports what it needs, so that --help does not wait for pandas

from __future__ import annotations

import atexit
import contextlib
import copy
import gc
import json
import logging
import math
import os
import shutil
import sys
import textwrap
import threading
import warnings
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer
from typer.core import TyperGroup
from typer.main import get_command_name

from stripwise.cli.interrupts import Terminated, interruptible
from stripwise.cli.output_streams import open_streams
from stripwise.errors import StripwiseError
from stripwise.units.caution import CAUTION
from stripwise.units.names import nearest_spelling
from stripwise.units.software import version

if TYPE_CHECKING:
    from stripwise.report.write import Extras

__all__ = [
    "AllowOutside",
    "AsJson",
    "AsScatter",
    "Browser",
    "Overwrite",
    "Pdf",
    "Png",
    "Quiet",
    "ScenarioFile",
    "SkipBad",
    "Workers",
    "Xlsx",
    "align_columns",
    "app",
    "fail",
    "one_of",
    "out_option",
    "print_error",
    "print_json",
    "print_result",
    "progress_bar",
    "read_extras",
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
GARBAGE_THRESHOLD = 500_000
"""New objects before garbage is looked for: the many of a module's import never become any."""

ORDER = (
    "new",
    "check",
    "run",
    "design",
    "target",
    "rank",
    "stripped",
    "inventory",
    "update",
    "fit",
    "plan-tests",
    "list",
)
"""Commands in the order of the work."""


class _InOrderOfWork(TyperGroup):
    """The commands as the help lists them; one that has no place in the order comes last."""

    def list_commands(self, ctx: Any) -> list[str]:
        known = [name for name in ORDER if name in self.commands]
        return known + [name for name in self.commands if name not in ORDER]


app = typer.Typer(
    cls=_InOrderOfWork,
    context_settings={"help_option_names": ["-h", "--help"]},
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="How early may the forms of a concrete wall go, and what does it cost in service life?\n\n"
    "Example:  stripwise new wall.toml && stripwise run wall.toml",
)

ScenarioFile = Annotated[Path, typer.Argument(metavar="FILE", help="Scenario file (TOML).")]
AsJson = Annotated[bool, typer.Option("--json", help="Print one JSON object instead of text.")]
AsScatter = Annotated[
    bool,
    typer.Option(
        "--as-scatter",
        help="Insist that a measured input varies along the wall alone, so that its data cannot "
        "move it.",
    ),
]
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
    bool, typer.Option("--quiet", "-q", help="Print neither text nor progress, only errors.")
]


Overwrite = Annotated[
    bool,
    typer.Option(
        "--overwrite", help="Replace result files of an earlier run that were changed since."
    ),
]


SkipBad = Annotated[
    bool, typer.Option("--skip-bad", help="Leave out rows that cannot be used, and list them.")
]


Png = Annotated[bool, typer.Option("--png", help="Write the figures as PNG too.")]
Xlsx = Annotated[
    bool, typer.Option("--xlsx", help="Write the tables as one workbook too (needs XlsxWriter).")
]
Pdf = Annotated[
    bool, typer.Option("--pdf", help="Print every page as PDF too, by an installed browser.")
]
Browser = Annotated[
    Path | None,
    typer.Option("--browser", metavar="PATH", help="Browser for --pdf; one on the PATH if none."),
]


def read_extras(
    *, png: bool, xlsx: bool, pdf: bool, browser: Path | None, units: str = "SI"
) -> Extras:
    """Return what else is to be written; what it needs is looked for before anything is computed."""
    from stripwise.report.print_pdf import find_browser
    from stripwise.report.workbook import require_workbooks
    from stripwise.report.write import Extras

    if xlsx:
        require_workbooks()
    return Extras(
        png=png,
        xlsx=xlsx,
        browser=find_browser(browser) if pdf or browser is not None else None,
        paper="letter" if units == "US" else "A4",
    )


def out_option(what: str) -> Any:
    """Return the option of the folder that a command writes to; `what` is written, and where."""
    return typer.Option(
        "--out", metavar="DIR", parser=read_folder, help=f"Folder of the {what} unless given."
    )


def one_of(allowed: Iterable[str]) -> dict[str, Any]:
    """Return what an option or argument takes that must be one of some words."""
    words = tuple(allowed)

    def read(text: str) -> str:
        if text not in words:
            rule = f"{text[:40]!r} must be one of {', '.join(words)}"
            raise typer.BadParameter(rule + nearest_spelling(text, words))
        return words[words.index(text)]  # a member, where they are those of an enum

    def complete(incomplete: str) -> list[str]:
        return [word for word in words if word.startswith(incomplete)]

    return {"parser": read, "autocompletion": complete}


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
    gc.set_threshold(GARBAGE_THRESHOLD)
    open_streams()
    os.environ["MPLBACKEND"] = "agg"  # figures go to files, whatever the user's own choice
    logging.getLogger("matplotlib").setLevel(logging.CRITICAL)
    if not sys.warnoptions:  # for programmers, who can ask for them
        warnings.simplefilter("ignore")
    try:
        code = _exit_code(_with_command(sys.argv[1:2]))
        sys.stdout.flush()
        sys.stderr.flush()
    except OSError as problem:  # of the output alone: commands catch those of their files
        with contextlib.suppress(OSError):
            sys.stdout.close()
        with contextlib.suppress(OSError):
            print_error(f"the output cannot be written ({problem.strerror})")
        code = BAD_INPUT
    _end_process(code)


def _end_process(code: int) -> NoReturn:
    """End at once: Python would first take every module apart, a tenth of a short run."""
    if threading.active_count() > 1:
        raise SystemExit(code)  # Python waits for what is still at work
    atexit._run_exitfuncs()
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(OSError, ValueError):  # ValueError: it is closed
            stream.flush()
    os._exit(code)


def _exit_code(command: typer.Typer) -> int:
    try:
        command()
    except SystemExit as ended:
        if not isinstance(ended.code, int | None):
            raise
        return ended.code or 0
    return 0


def _with_command(words: list[str]) -> typer.Typer:
    """Return the app with the command asked for alone: typer is slow to read them all."""
    one, own = copy.copy(app), app.registered_commands
    names = (c.name or get_command_name(getattr(c.callback, "__name__", "")) for c in own)
    one.registered_commands = [c for c, name in zip(own, names, strict=True) if [name] == words]
    return one if one.registered_commands else app


@contextlib.contextmanager
def report_errors() -> Iterator[None]:
    """Turn what the user can mend into lines on stderr and an exit code, without a traceback."""
    try:
        with interruptible():
            yield
    except StripwiseError as error:
        fail(str(error))
    except Terminated as request:
        print_error("terminated; nothing more was written")
        raise typer.Exit(128 + request.number) from None
    except KeyboardInterrupt:
        print_error("interrupted; nothing more was written")
        raise typer.Exit(INTERRUPTED) from None


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
