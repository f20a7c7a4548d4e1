"""Files seen through to the disk, and one new file written whole or not at all."""

from __future__ import annotations

import contextlib
import os
import shutil
from pathlib import Path

from stripwise.errors import OutputError
from stripwise.report.folder_lock import locked_folder
from stripwise.report.held_signals import held_signals

__all__ = ["sync_folders", "write_bytes", "write_new"]


def write_new(path: Path, data: bytes) -> None:
    """Write one file that must not exist yet, whole or not at all.

    It is written in the hidden folder of a writer, beside its place, and then given its name, which
    fails where another file has taken that meanwhile. Signals wait until then. Raises OutputError
    if the file exists or cannot be written.
    """
    shown = str(path).replace("\0", "\\0")
    try:
        _refuse(path)
        with held_signals(), locked_folder(path.parent) as work:
            draft = work / "single" / path.name
            write_bytes(draft, data)
            _name(draft, path)
            sync_folders(path.parent)
    except FileExistsError as problem:
        raise OutputError(
            f"{shown}: exists already; choose another name, nothing was written"
        ) from problem
    except (OSError, ValueError) as problem:
        reason = getattr(problem, "strerror", None) or problem
        raise OutputError(f"{shown}: cannot be written: {reason}") from problem


def _refuse(path: Path) -> None:
    """Refuse a name that is taken, and one in no folder, which a writer's lock would make."""
    if os.path.lexists(path):
        raise FileExistsError
    if not path.parent.is_dir():
        raise NotADirectoryError(0, f"{path.parent} is no folder")


def _name(draft: Path, path: Path) -> None:
    """Give a finished file its name, which must be free."""
    try:
        os.link(draft, path)
    except FileExistsError:
        raise
    except (OSError, NotImplementedError):  # a file system without a second name for a file
        if os.path.lexists(path):
            raise FileExistsError from None
        os.replace(draft, path)


def write_bytes(path: Path, data: bytes | Path) -> None:
    """Write a file, or copy one, and see it through to the disk."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("wb") as stream:
        if isinstance(data, bytes):
            stream.write(data)
        else:
            with data.open("rb") as source:
                shutil.copyfileobj(source, stream)
        stream.flush()
        os.fsync(stream.fileno())


def sync_folders(*places: Path) -> None:
    """See the names in folders through to the disk, where the system can."""
    for place in places:
        if not place.is_dir():
            continue
        with contextlib.suppress(OSError):
            handle = os.open(place, os.O_RDONLY)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)
