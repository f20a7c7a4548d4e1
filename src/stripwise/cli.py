"""The command line: read the arguments, call the library, print. Nothing is computed here."""

# ruff: noqa: PLC0415 - a command imports what it needs, so that --help does not wait for pandas

from __future__ import annotations

import contextlib
import json
import math
import signal
import sys
from collections.abc import Callable, Iterator
from importlib import resources
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from stripwise.errors import StripwiseError

if TYPE_CHECKING:
    from stripwise.assessment import Assessment
    from stripwise.scenario.model import Scenario

__all__ = ["app", "main"]

BAD_INPUT = 1
USAGE = 2
TARGET_MISSED = 3
INTERRUPTED = 130

MOST_WORKERS = 64

CAUTION = (
    "Caution: stripping is first a matter of strength, stability and frost. The responsible "
    "engineer decides it from in-place strength; local codes and licensed practice govern. "
    "Nothing here checks that."
)

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


def main() -> None:
    """Run the command line and end the process with its exit code."""
    app()


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


@app.command(epilog="Example:  stripwise run scenarios/garage-wall.toml --out reports/garage-wall")
def run(  # noqa: PLR0917 - typer reads the options from the signature
    file: ScenarioFile,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="DIR", help="Folder of the report; reports/<file name> unless given."
        ),
    ] = None,
    workers: Annotated[
        int,
        typer.Option(
            "--workers",
            min=1,
            max=MOST_WORKERS,
            help="Threads; the results do not depend on it.",
        ),
    ] = 2,
    allow_outside: AllowOutside = False,
    require_target: Annotated[
        bool,
        typer.Option(
            "--require-target",
            help="End with code 3 unless the reference strategy meets the target: its "
            "meets_target in strategies.csv must be yes; undecided is not enough.",
        ),
    ] = False,
    strategy: Annotated[
        str | None,
        typer.Option(
            "--strategy",
            metavar="NAME",
            help="With --require-target: the strategy to judge instead of the reference.",
        ),
    ] = None,
    as_json: AsJson = False,
    quiet: Annotated[
        bool, typer.Option("--quiet", help="Print neither text nor progress, only errors.")
    ] = False,
) -> None:
    """Assess every strategy of a scenario and write the report.

    Exit codes: 0 done, 1 bad input, 2 wrong usage, 3 target missed under --require-target,
    130 interrupted.
    """
    if strategy is not None and not require_target:
        raise typer.BadParameter("is used with --require-target only", param_hint="--strategy")
    with _plain_errors():
        from stripwise.corridor import assess
        from stripwise.report.write import check_writable, write
        from stripwise.scenario.loading import load
        from stripwise.scenario.names import slug

        case = load(file, allow_outside=allow_outside)
        judged = _judged(case, strategy)
        folder = out if out is not None else Path("reports") / slug(file.stem)
        check_writable(folder)
        with _progress(quiet=quiet) as tell:
            result = assess(case, workers=workers, progress=tell)
        written = write(result, folder)
        row = result.strategies.set_index("strategy").loc[judged]
        meets = str(row["meets_target"])
        if as_json:
            _print_json(_record(result, folder, written))
        elif not quiet:
            _print_run(result, folder)
    if require_target and meets != "yes":
        _say(f"target missed: meets_target of {judged!r} is {meets}, not yes")
        raise typer.Exit(TARGET_MISSED)


@app.command(epilog="Example:  stripwise check scenarios/garage-wall.toml")
def check(file: ScenarioFile, allow_outside: AllowOutside = False, as_json: AsJson = False) -> None:
    """Show how a scenario file is understood, without computing anything."""
    with _plain_errors():
        from stripwise.scenario.describe import as_record, describe
        from stripwise.scenario.loading import load

        case = load(file, allow_outside=allow_outside)
        if as_json:
            _print_json(as_record(case))
        else:
            typer.echo(describe(case))


@app.command(epilog="Example:  stripwise new wall.toml")
def new(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Where to write; must not exist.")],
) -> None:
    """Write a commented starter scenario that runs as it is."""
    text = resources.files("stripwise.scenario").joinpath("starter.toml").read_text("utf-8")
    try:
        with file.open("x", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
    except FileExistsError:
        _fail(f"{file}: exists already; choose another name, nothing was written")
    except (OSError, ValueError) as error:
        _fail(f"{file}: cannot be written: {getattr(error, 'strerror', None) or error}")
    typer.echo(f"Wrote {file}. Next: stripwise check {file}")


def _judged(case: Scenario, name: str | None) -> str:
    """Return the strategy that --require-target judges, before anything is computed."""
    if name is None:
        return case.reference_strategy
    names = [item.name for item in case.strategies]
    if name not in names:
        raise typer.BadParameter(
            f"{name!r} is no strategy of the scenario; it has {', '.join(names)}",
            param_hint="--strategy",
        )
    return name


@contextlib.contextmanager
def _plain_errors() -> Iterator[None]:
    """Turn what the user can mend into lines on stderr and an exit code, without a traceback."""
    try:
        yield
    except StripwiseError as error:
        _fail(str(error))
    except KeyboardInterrupt:
        # a second interrupt while threads end would print a traceback
        with contextlib.suppress(ValueError):
            signal.signal(signal.SIGINT, signal.SIG_IGN)
        _say("interrupted; nothing more was written")
        raise typer.Exit(INTERRUPTED) from None


@contextlib.contextmanager
def _progress(*, quiet: bool) -> Iterator[Callable[[str, float], None]]:
    """Show a progress bar on a terminal and nothing elsewhere."""
    if quiet or not sys.stderr.isatty():
        yield lambda _stage, _done: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description}", markup=False), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        tasks: dict[str, TaskID] = {}

        def tell(stage: str, done: float) -> None:
            if stage not in tasks:
                tasks[stage] = bar.add_task(stage, total=1.0)
            bar.update(tasks[stage], completed=done)

        yield tell


def _print_run(result: Assessment, folder: Path) -> None:
    for sentence in result.verdict:
        typer.echo(sentence)
    typer.echo(f"\n{CAUTION}")
    if result.warnings:
        typer.echo("\nBefore you use the numbers:")
        for warning in result.warnings:
            typer.echo(f"  - {warning}")
    typer.echo(f"\nReport: {folder / 'report.html'}")


def _record(result: Assessment, folder: Path, written: list[Path]) -> dict[str, Any]:
    return {
        "verdict": list(result.verdict),
        "caution": CAUTION,
        "warnings": list(result.warnings),
        "strategies": result.strategies.to_dict(orient="records"),
        "folder": str(folder),
        "files": [str(path) for path in written],
    }


def _print_json(record: dict[str, Any]) -> None:
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


def _say(message: str) -> None:
    typer.echo(message, err=True)


def _fail(message: str) -> NoReturn:
    _say(message)
    raise typer.Exit(BAD_INPUT)
