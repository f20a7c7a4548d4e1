"""How files get into a folder all or nothing, and never over a file of someone else."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from stripwise.errors import OutputError
from stripwise.report.folder_lock import JOURNAL, clear, locked_folder
from stripwise.report.held_signals import held_signals
from stripwise.report.owned_files import (
    PROGRAM,
    RUN_JSON,
    TIMES_JSON,
    digest,
    is_hashed,
    is_inside,
    own_files,
    refuse_edited_files,
    refuse_files_of_others,
    refuse_other_command,
)
from stripwise.report.strict_json import json_text
from stripwise.report.synced_write import sync_folders, write_bytes
from stripwise.units.self_hash import BLANK, with_own_hash

__all__ = ["RUN_JSON", "TIMES_JSON", "check_writable", "commit"]

Digests = dict[str, str | None]
"""Hash of each file by name, None where there is no file."""


def check_writable(
    folder: Path, names: Iterable[str], *, command: str = "run", overwrite: bool = False
) -> None:
    """Make sure, before anything is computed, that results can be written to a folder.

    A write that was cut off is taken back first. Raises OutputError if the folder is a file or lies
    below one, cannot be made or written to, is being written to, holds results of another command,
    a file of one of the names that no earlier run wrote or, unless `overwrite`, one of an earlier
    run that was changed since.
    """
    folder = Path(folder)
    with _locked(folder):
        _refuse(folder, names, command=command, overwrite=overwrite)


def commit(
    folder: Path,
    contents: Mapping[str, bytes | Path],
    *,
    record: Mapping[str, Any],
    command: str = "run",
    overwrite: bool = False,
) -> list[Path]:
    """Put files into a folder in one step as far as a file system allows; list them, run.json last.

    `contents` holds bytes, or the file that has them, by name relative to `folder`; `record` is what
    run.json says, to which "program", "command", "files" and "sha256", with its own hash, are added.
    Everything goes to a hidden folder inside first and is swapped in file by file, run.json last.
    Files of an earlier run that are not
    written again are removed. If anything fails on the way, what was swapped is swapped back; if
    the process is killed, the next one to write or check does so. A signal waits until the files
    are whole. Raises OutputError as `check_writable`, or if the disk fails.
    """
    folder = Path(folder)
    names = [*contents, RUN_JSON]
    hashes = {name: _sha256(data) for name, data in contents.items() if is_hashed(name)}
    hashes[RUN_JSON] = BLANK
    run = {**record, "program": PROGRAM, "command": command, "files": names, "sha256": hashes}
    own = with_own_hash(json_text(run).encode())
    files: dict[str, bytes | Path] = {**contents, RUN_JSON: own}
    with _locked(folder) as work:
        _refuse(folder, names, command=command, overwrite=overwrite)
        stale = sorted(own_files(folder) - set(names))
        stale = [name for name in stale if not (folder / name).is_dir()]
        order = [*names[:-1], *stale, RUN_JSON]
        try:
            for name, data in files.items():
                write_bytes(work / "new" / name, data)
            _keep_old(folder, work, order)
            _write_journal(folder, work, order, files)
            for name in order:
                _swap(work, name, folder / name)
            _remove_empty_folders(folder, stale)
            sync_folders(folder, *{(folder / name).parent for name in order})
            _end_swap(work)
        except BaseException as problem:
            _take_back(folder, work, problem)
            if isinstance(problem, OSError):
                raise OutputError(f"{folder}: writing failed ({problem})") from problem
            raise
    return [folder / name for name in names]


@contextlib.contextmanager
def _locked(folder: Path) -> Iterator[Path]:
    """Hold signals and the folder's lock, with a write that was cut off taken back."""
    _refuse_what_is_no_folder(folder)
    try:
        with held_signals(), locked_folder(folder) as work:
            if not_restored := _roll_back(folder, work):
                raise OutputError(
                    f"{folder}: a write was cut off here, and {not_restored[0]} cannot be put back; "
                    f"the files of before lie in {work / 'old'}. Move them and {work / JOURNAL} "
                    "away, or give another --out"
                )
            clear(work)
            yield work
    except OSError as problem:
        place = problem.filename or folder
        raise OutputError(
            f"{folder}: cannot write there ({problem.strerror or problem}: {place})"
        ) from problem


def _refuse_what_is_no_folder(folder: Path) -> None:
    try:
        with contextlib.suppress(FileNotFoundError, NotADirectoryError):  # made, or refused, below
            folder.lstat()
        if os.path.lexists(folder) and not folder.is_dir():
            raise OutputError(f"{folder}: is not a folder; give a folder for --out")
        absolute = folder.absolute()
        home = next(place for place in (absolute, *absolute.parents) if os.path.lexists(place))
        if not home.is_dir():
            raise OutputError(f"{folder}: cannot be made, since {home} is not a folder")
    except (OSError, ValueError) as problem:
        reason = getattr(problem, "strerror", None) or problem
        shown = str(folder).replace("\0", "\\0")
        raise OutputError(f"{shown}: cannot be used ({reason})") from problem


def _refuse(folder: Path, names: Iterable[str], *, command: str, overwrite: bool) -> None:
    refuse_other_command(folder, command)
    refuse_files_of_others(folder, names)
    if not overwrite:
        refuse_edited_files(folder)


def _keep_old(folder: Path, work: Path, names: Iterable[str]) -> None:
    """Keep what stands in the folder now: a second name of the same file, or a copy."""
    for name in names:
        source, old = folder / name, work / "old" / name
        if os.path.lexists(source):
            old.parent.mkdir(parents=True, exist_ok=True)
            try:
                os.link(source, old, follow_symlinks=False)
            except (OSError, NotImplementedError):
                if source.is_symlink():
                    old.symlink_to(os.readlink(source))
                else:
                    write_bytes(old, source.read_bytes())


def _write_journal(
    folder: Path, work: Path, names: Iterable[str], files: Mapping[str, bytes | Path]
) -> None:
    """Note what stands in the folder and what is to stand there; from here on a swap is on."""
    before: Digests = {name: digest(folder / name) for name in names}
    after: Digests = {name: _sha256(files[name]) if name in files else None for name in names}
    text = json.dumps({"program": PROGRAM, "before": before, "after": after}, indent=1)
    draft = work / f"{JOURNAL}.new"
    write_bytes(draft, text.encode())
    sync_folders(work, *(path for part in ("old", "new") for path in (work / part).rglob("*")))
    os.replace(draft, work / JOURNAL)
    sync_folders(work)


def _swap(work: Path, name: str, target: Path) -> None:
    """Replace or remove one file."""
    new = work / "new" / name
    if new.exists():
        target.parent.mkdir(parents=True, exist_ok=True)
        os.replace(new, target)
    else:
        target.unlink(missing_ok=True)


def _end_swap(work: Path) -> None:
    (work / JOURNAL).unlink()
    sync_folders(work)


def _take_back(folder: Path, work: Path, problem: BaseException) -> None:
    """Put the old files back after a problem; OutputError if not every one can be."""
    if _roll_back(folder, work):
        reason = str(problem) or type(problem).__name__
        raise OutputError(
            f"{folder}: writing failed ({reason}), and not every file could be put back; "
            f"those of before lie in {work / 'old'}"
        ) from problem


def _roll_back(folder: Path, work: Path) -> list[str]:
    """Put the files back that stood here before a swap began; name those that cannot be."""
    path = work / JOURNAL
    if not path.exists():
        return []
    before, after = _read_journal(path)
    stuck = []
    for name in reversed(before):
        target, old = folder / name, work / "old" / name
        try:
            now = digest(target)
            if now == before[name]:
                continue
            if now not in (None, after.get(name)):
                stuck.append(name)  # changed by someone since
            elif before[name] is None:
                target.unlink()
            elif digest(old) != before[name]:
                stuck.append(name)
            else:
                target.parent.mkdir(parents=True, exist_ok=True)
                os.replace(old, target)
        except OSError:
            stuck.append(name)
    if not stuck:
        _remove_empty_folders(folder, before)
        sync_folders(folder, *{(folder / name).parent for name in before})
        _end_swap(work)
    return stuck


def _read_journal(path: Path) -> tuple[Digests, Digests]:
    folder = path.parent.parent
    try:
        journal = json.loads(path.read_bytes())
        before, after = dict(journal["before"]), dict(journal["after"])
        if journal["program"] != PROGRAM or not all(is_inside(folder, name) for name in before):
            raise ValueError
    except (OSError, ValueError, KeyError, TypeError) as problem:
        raise OutputError(
            f"{path}: is no list of files of a write that was cut off; move it away"
        ) from problem
    return before, after


def _sha256(data: bytes | Path) -> str:
    if isinstance(data, bytes):
        return hashlib.sha256(data).hexdigest()
    with data.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _remove_empty_folders(folder: Path, names: Iterable[str]) -> None:
    for parent in {(folder / name).parent for name in names} - {folder}:
        with contextlib.suppress(OSError):
            parent.rmdir()
