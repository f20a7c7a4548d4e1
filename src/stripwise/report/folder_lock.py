"""One writer at a time in a folder of results."""

from __future__ import annotations

import contextlib
import os
import shutil
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from stripwise.errors import OutputError

__all__ = ["JOURNAL", "WORK_FOLDER", "clear", "locked_folder"]

WORK_FOLDER = ".stripwise-writing"
"""Folder inside the results while they are written; gone afterwards."""

JOURNAL = "journal.json"
"""File of the work folder that stands there while files are swapped; with it, the folder stays."""

LOCK = "lock"

PATIENCE = 2.0
"""How long another writer is waited for [s]; writing takes a fraction of a second."""


@contextlib.contextmanager
def locked_folder(folder: Path) -> Iterator[Path]:
    """Make a folder, lock it against other writers and give the work folder inside it.

    The system frees the lock of a process that has died. The work folder goes when the block ends,
    unless a journal stands in it; so do the folders made here that are still empty. OutputError if
    another process keeps the lock, OSError if a folder cannot be made.
    """
    made: list[Path] = []
    work = folder / WORK_FOLDER
    try:
        lock = _acquire(folder, work, made)
        try:
            yield work
        finally:
            _release(lock, work)
    finally:
        with contextlib.suppress(OSError):  # one that is not empty, or that another run removed
            for place in reversed(made):
                place.rmdir()


def _acquire(folder: Path, work: Path, made: list[Path]) -> int:
    """Return the descriptor of the locked file; `made` gets the folders made for it."""
    patience_ends = time.monotonic() + PATIENCE
    while True:
        try:
            _make_folders(folder, made)
            with contextlib.suppress(FileExistsError):
                work.mkdir()
            if work.is_symlink() or not work.is_dir():
                raise OutputError(
                    f"{work}: is in the way; files are written there first. Move it away or give "
                    "another --out"
                )
            flags = os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0)
            lock = os.open(work / LOCK, flags, 0o666)
        except FileNotFoundError:  # the last writer has just taken its folder away
            if time.monotonic() > patience_ends:
                raise
            continue
        try:
            # a file that its owner has removed since it was opened locks nothing
            if _try_lock(lock) and os.path.samestat(os.fstat(lock), os.stat(work / LOCK)):
                return lock
        except FileNotFoundError:
            pass
        except BaseException:
            os.close(lock)
            raise
        os.close(lock)
        if time.monotonic() > patience_ends:
            raise OutputError(
                f"{folder}: another run is writing here; wait for its end or give another --out"
            )
        time.sleep(0.01)


def _make_folders(folder: Path, made: list[Path]) -> None:
    missing = [place for place in (folder, *folder.parents) if not place.exists()]
    for place in reversed(missing):
        with contextlib.suppress(FileExistsError):
            place.mkdir()
            made.append(place)


def _release(lock: int, work: Path) -> None:
    """Take the work folder away, unless a journal says that it is needed, and free the lock."""
    if not (work / JOURNAL).exists():
        with contextlib.suppress(OSError):
            clear(work)
    if sys.platform == "win32":  # where an open file cannot be removed
        os.close(lock)
    with contextlib.suppress(OSError):
        (work / LOCK).unlink(missing_ok=True)
    if sys.platform != "win32":
        os.close(lock)
    with contextlib.suppress(OSError):  # a journal, or another writer, is in it
        work.rmdir()


def clear(work: Path) -> None:
    """Remove what a writer left in the work folder, all but the lock."""
    for entry in work.iterdir():
        if entry.is_dir() and not entry.is_symlink():
            shutil.rmtree(entry)
        elif entry.name != LOCK:
            entry.unlink(missing_ok=True)


if sys.platform == "win32":
    import msvcrt

    def _try_lock(lock: int) -> bool:
        try:
            msvcrt.locking(lock, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

else:
    import fcntl

    def _try_lock(lock: int) -> bool:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True
