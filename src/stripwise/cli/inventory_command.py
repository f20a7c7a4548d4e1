"""`stripwise inventory`: every face of a table."""

# ruff: noqa: PLC0415 - a command imports what it needs, so that --help does not wait for pandas

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from stripwise.cli.shell import (
    AllowOutside,
    AsJson,
    AsScatter,
    Overwrite,
    Quiet,
    SkipBad,
    app,
    fail,
    out_option,
    print_error,
    print_json,
    print_result,
    progress_bar,
    report_errors,
)
from stripwise.units.caution import CAUTION

if TYPE_CHECKING:
    from concurrent.futures import Executor

__all__ = ["inventory"]

MAX_PROCESSES = 64

HOME = "scenarios/faces"


@app.command(
    epilog=f"Example:  stripwise inventory {HOME}/faces.csv --scenario {HOME}/faces.toml --year 2026"
)
def inventory(  # noqa: PLR0917 - typer reads the options from the signature
    faces: Annotated[
        Path,
        typer.Argument(metavar="FACES", help="Table with a row per face, CSV or Parquet."),
    ],
    scenario: Annotated[
        Path,
        typer.Option("--scenario", metavar="FILE", help="Scenario: what a row does not say."),
    ],
    out: Annotated[Path | None, out_option("results; reports/<table>-inventory")] = None,
    year: Annotated[
        float | None,
        typer.Option(
            "--year", min=1900.0, max=2200.0, help="Year of the state, needed with built."
        ),
    ] = None,
    inspections: Annotated[
        list[Path] | None,
        typer.Option(
            "--inspections",
            metavar="FILE",
            help="Table of what was found on some faces, with a column element; once for each table.",
        ),
    ] = None,
    as_scatter: AsScatter = False,
    skip_bad: SkipBad = False,
    workers: Annotated[
        int,
        typer.Option(
            "--workers",
            min=1,
            max=MAX_PROCESSES,
            help="Processes; the results do not depend on it.",
        ),
    ] = 2,
    scheduler: Annotated[
        str,
        typer.Option(
            "--scheduler", metavar="ADDRESS", help="Dask scheduler of a cluster to compute on."
        ),
    ] = "",
    overwrite: Overwrite = False,
    allow_outside: AllowOutside = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Assess every face of an inventory: probability, confidence, life, totals, which go first."""
    with report_errors():
        from stripwise.report.file_swap import check_writable
        from stripwise.report.pages.inventory_page import inventory_sentences
        from stripwise.report.write_inventory import (
            INVENTORY_FILES,
            working_folder,
            write_inventory,
        )
        from stripwise.scenario.loading import load
        from stripwise.studies.inventory.inventory_study import inventory as assess_faces
        from stripwise.units.names import slug

        case = load(scenario, allow_outside=allow_outside)
        folder = out if out is not None else Path("reports") / f"{slug(faces.stem)}-inventory"
        check_writable(folder, INVENTORY_FILES, command="inventory", overwrite=overwrite)
        with contextlib.ExitStack() as stack:
            work = stack.enter_context(working_folder(folder))
            report_progress = stack.enter_context(_progress(quiet=quiet))
            executor: Executor | None = None
            if scheduler:
                executor, workers = stack.enter_context(_cluster(scheduler))
            result = assess_faces(
                case,
                faces,
                executor=executor,
                year=year,
                inspections=inspections or None,
                as_scatter=as_scatter,
                skip_bad=skip_bad,
                workers=workers,
                folder=work,
                progress=report_progress,
            )
            written = write_inventory(result, folder, work=work, overwrite=overwrite)
        sentences = inventory_sentences(result)
        if as_json:
            print_json(_record(result, sentences, folder, written))
        elif not quiet:
            print_result(sentences, result.notes, files=[("Report", folder / "report.html")])


def _record(
    result: Any, sentences: tuple[str, ...], folder: Path, written: list[Path]
) -> dict[str, Any]:
    return {
        "verdict": list(sentences),
        "caution": CAUTION,
        "warnings": list(result.notes),
        "faces": result.faces,
        "meeting": result.meeting,
        "too_close": result.too_close,
        "meeting_before": result.meeting_before if result.inspected is not None else None,
        "left_out": int(result.left_out["line"].nunique()),
        "totals": result.totals.to_dict("records"),
        "folder": str(folder),
        "files": [str(path) for path in written],
    }


@contextlib.contextmanager
def _progress(*, quiet: bool) -> Iterator[Callable[[str, float, int], None]]:
    """Show a bar on a terminal, with rows a second and the time left; a line a minute elsewhere."""
    from stripwise.units.formatting import count, number

    started, told = time.monotonic(), [time.monotonic()]
    with progress_bar(quiet=quiet) as bar:

        def report(stage: str, done: float, faces: int = 0) -> None:
            bar(stage, done)
            now = time.monotonic()
            if quiet or not faces or now - told[0] < 60.0 or not 0.0 < done < 1.0:
                return
            told[0] = now
            spent = now - started
            rate, left = faces / spent, spent * (1.0 - done) / done
            print_error(
                f"{count(faces)} faces, {number(rate)} a second, {number(left / 60.0)} min left"
            )

        yield report


@contextlib.contextmanager
def _cluster(address: str) -> Iterator[tuple[Executor, int]]:
    """Connect to a Dask cluster and give its executor with the number of its workers."""
    try:
        from distributed import Client
    except ImportError:
        fail('--scheduler needs distributed; install it with `pip install "stripwise[cluster]"`')
    try:
        client: Any = Client(address, timeout="10s")  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as problem:
        fail(f"--scheduler {address}: cannot be reached ({problem})")
    with client:
        try:
            client.get_versions(check=True)
        except ValueError as problem:
            fail(f"--scheduler {address}: the versions there differ: {problem}")
        workers = len(client.scheduler_info()["workers"])
        if not workers:
            fail(f"--scheduler {address}: has no workers")
        yield client.get_executor(pure=False, retries=2), workers
