"""How an inventory is written: one table or many parts, the totals, the page and a list to sort."""

from __future__ import annotations

import contextlib
import csv
import hashlib
import io
from collections.abc import Iterator
from pathlib import Path

from stripwise.errors import OutputError
from stripwise.report.face_list import face_list
from stripwise.report.file_swap import TIMES_JSON, commit
from stripwise.report.folder_lock import locked_folder
from stripwise.report.pages.inventory_page import inventory_report
from stripwise.report.strict_json import json_text
from stripwise.report.write import SECONDS, report_files, run_record
from stripwise.studies.inventory.inventory_study import InventoryResult
from stripwise.studies.inventory.part_store import FolderStore

__all__ = ["INVENTORY_FILES", "working_folder", "write_inventory"]

WORKING = ".stripwise-inventory"
"""Folder inside the results with the parts of a run that is not done."""

MOST_IN_ONE = 100_000
"""Most faces of one elements.csv; more go to parts of as many."""

MOST_LISTED = 5_000
"""Most faces of the list to sort and filter."""

LIST = "list.html"

INVENTORY_FILES = (
    "elements.csv",
    "elements.json",
    "totals.csv",
    "next_faces.csv",
    "target_counts.csv",
    "groups.csv",
    "classes.csv",
    "interventions.csv",
    "inspected.csv",
    "learned.csv",
    "left-out.csv",
    LIST,
    "report.html",
    TIMES_JSON,
    "run.json",
)
"""Files that an inventory may write, besides parts and figures."""


@contextlib.contextmanager
def working_folder(folder: Path) -> Iterator[Path]:
    """Give the folder that keeps finished parts, locked against another run into the same folder.

    OutputError if another run holds it or it cannot be made. It goes once it is empty.
    """
    work = folder / WORKING
    try:
        with locked_folder(work):
            yield work
    except OSError as problem:
        raise OutputError(f"{work}: cannot be used ({problem.strerror or problem})") from problem
    with contextlib.suppress(OSError):
        work.rmdir()


def write_inventory(
    result: InventoryResult, folder: Path, *, work: Path | None = None, overwrite: bool = False
) -> list[Path]:
    """Write every file of an inventory to a folder, or leave the folder as it was.

    `work` is the folder of the parts, which are removed once everything is written.
    """
    report = inventory_report(result)
    files: dict[str, bytes | Path] = dict(_elements(result, work))
    if result.faces <= MOST_LISTED:
        files[LIST] = _list(result).encode("utf-8", "replace")
    files |= report_files(report)
    record = run_record(report)
    files[TIMES_JSON] = json_text({SECONDS: record.pop(SECONDS)}).encode()
    written = commit(folder, files, record=record, command="inventory", overwrite=overwrite)
    if work is not None:
        FolderStore(work).clear()
    return written


def _head(result: InventoryResult) -> bytes:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerow(result.header)
    return out.getvalue().encode("utf-8", "surrogatepass")


def _elements(result: InventoryResult, work: Path | None) -> Iterator[tuple[str, bytes | Path]]:
    """Yield the elements as one file, or as parts with a manifest."""
    if result.faces <= MOST_IN_ONE:
        yield "elements.csv", _head(result) + b"".join(result.parts())
        return
    manifest = []
    for number, (text, rows) in enumerate(_batches(result), start=1):
        name = f"elements/part-{number:05d}.csv"
        manifest.append({"file": name, "faces": rows, "sha256": hashlib.sha256(text).hexdigest()})
        if work is None:
            yield name, text
        else:
            path = work / f"{number:05d}.csv"
            path.write_bytes(text)
            yield name, path
    yield "elements.json", json_text({"columns": result.header, "parts": manifest}).encode()


def _batches(result: InventoryResult) -> Iterator[tuple[bytes, int]]:
    held, rows = [_head(result)], 0
    for text, size in result.sized_parts():
        held.append(text)
        rows += size
        if rows >= MOST_IN_ONE:
            yield b"".join(held), rows
            held, rows = [_head(result)], 0
    if rows:
        yield b"".join(held), rows


def _list(result: InventoryResult) -> str:
    rows = b"".join(result.parts()).decode("utf-8", "replace")
    return face_list(result.header, rows, source=result.rows.name)
