"""How files get into a folder all or nothing, and never over a file of someone else."""

from __future__ import annotations

import filecmp
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path, PurePosixPath
from typing import Any

from stripwise.errors import OutputError
from stripwise.report.files import json_text

__all__ = ["RUN_JSON", "check_writable", "commit"]

RUN_JSON = "run.json"
"""Written last; its key "files" lists every file of the results, itself included."""

PROGRAM = "stripwise"
STAGE_PREFIX = ".stripwise-"
"""Start of the name of the temporary folder."""


def check_writable(folder: Path, names: Iterable[str], *, command: str = "run") -> None:
    """Make sure, before anything is computed, that results can be written to a folder.

    A temporary folder is made and removed beside it, and inside it if it exists. Raises OutputError
    if the folder is a file or lies below one, cannot be made or written to, or holds results of
    another command or a file of one of the names that no earlier run wrote.
    """
    folder = Path(folder)
    try:
        folder.lstat()
    except (FileNotFoundError, NotADirectoryError):
        pass  # made, or refused, below
    except OSError as problem:
        raise OutputError(f"{folder}: cannot be used ({problem.strerror})") from problem
    if os.path.lexists(folder) and not folder.is_dir():
        raise OutputError(f"{folder}: is not a folder; give a folder for --out")
    home = _nearest_existing(folder)
    if not home.is_dir():
        raise OutputError(f"{folder}: cannot be made, since {home} is not a folder")
    for place in dict.fromkeys((_stage_parent(folder), home)):
        try:
            os.rmdir(tempfile.mkdtemp(prefix=STAGE_PREFIX, dir=place))
        except OSError as problem:
            raise OutputError(
                f"{folder}: cannot write there ({problem.strerror}: {place})"
            ) from problem
    _refuse_other_command(folder, command)
    _refuse_files_of_others(folder, names)


def commit(
    folder: Path,
    contents: Mapping[str, bytes],
    *,
    record: Mapping[str, Any],
    command: str = "run",
) -> list[Path]:
    """Put files into a folder in one step as far as a file system allows; list them, run.json last.

    `contents` holds bytes by name relative to `folder`; `record` is what run.json says, to which
    "program", "command" and "files" are added. Everything goes to a hidden temporary folder first
    and is swapped in file by file, run.json last. Files of an earlier run that are not written
    again are removed. If anything fails on the way, an interrupt included, what was swapped is
    swapped back. Raises OutputError as `check_writable`, or if the disk fails.
    """
    folder = Path(folder)
    names = [*contents, RUN_JSON]
    check_writable(folder, names, command=command)
    stale = [name for name in sorted(_own_files(folder)) if name not in names]
    text = json_text({**record, "program": PROGRAM, "command": command, "files": names})
    stage = Path(tempfile.mkdtemp(prefix=STAGE_PREFIX, dir=_stage_parent(folder)))
    undo: list[Callable[[], object]] = []
    left = False
    try:
        for name, data in {**contents, RUN_JSON: text.encode()}.items():
            _write_bytes(stage / "new" / name, data)
        _make_folder(folder, undo)
        for name in [*names[:-1], *stale, RUN_JSON]:
            target = folder / name
            _make_folder(target.parent, undo)
            _swap(stage, name, target, undo=undo)
    except BaseException as problem:
        left = not _undo_all(undo)
        if left:
            reason = str(problem) or type(problem).__name__
            raise OutputError(
                f"{folder}: writing failed ({reason}), and not every file could be put back; "
                f"those of before lie in {stage / 'old'}"
            ) from problem
        if isinstance(problem, OSError):
            raise OutputError(f"{folder}: writing failed ({problem})") from problem
        raise
    finally:
        if not left:
            shutil.rmtree(stage, ignore_errors=True)
    _remove_empty_folders(folder, stale)
    return [folder / name for name in names]


def _swap(stage: Path, name: str, target: Path, *, undo: list[Callable[[], object]]) -> None:
    """Replace or remove one file; how to take that back is noted before it is done."""
    new, old = stage / "new" / name, stage / "old" / name
    if os.path.lexists(target):
        old.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(target, old, follow_symlinks=False)
        undo.append(lambda: _restore(old, target))
    else:
        undo.append(lambda: _remove_file(target))
    if new.exists():
        os.replace(new, target)
    else:
        target.unlink(missing_ok=True)


def _undo_all(undo: list[Callable[[], object]]) -> bool:
    """Take every step back, the last first, and say whether all of them could be."""
    complete = True
    for step in reversed(undo):
        try:
            step()
        except OSError:
            complete = False
    return complete


def _restore(old: Path, target: Path) -> None:
    """Put a file back, unless it was never replaced, as where that is what failed."""
    links = os.path.islink(old) or os.path.islink(target)
    if links or not target.is_file() or not filecmp.cmp(old, target, shallow=False):
        os.replace(old, target)


def _remove_file(target: Path) -> None:
    if os.path.lexists(target):  # a folder that cannot be entered holds nothing of ours
        target.unlink()


def _write_bytes(path: Path, data: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)


def _make_folder(folder: Path, undo: list[Callable[[], object]]) -> None:
    missing = [place for place in (folder, *folder.parents) if not place.exists()]
    for place in reversed(missing):
        undo.append(lambda place=place: _remove_empty_folder(place))  # type: ignore[misc]
        place.mkdir()


def _remove_empty_folder(place: Path) -> None:
    if place.is_dir() and not any(place.iterdir()):
        place.rmdir()


def _remove_empty_folders(folder: Path, names: list[str]) -> None:
    for parent in {(folder / name).parent for name in names} - {folder}:
        _remove_empty_folder(parent)


def _nearest_existing(folder: Path) -> Path:
    """Return the folder itself or the nearest of its parents that exists."""
    absolute = folder.absolute()
    return next(place for place in (absolute, *absolute.parents) if os.path.lexists(place))


def _stage_parent(folder: Path) -> Path:
    """Return where the temporary folder goes: beside the results, on the same file system."""
    home = _nearest_existing(folder)
    if home != folder.absolute():
        return home
    real = home.resolve()
    parent = real.parent
    same_disk = parent.stat().st_dev == real.stat().st_dev
    # The results may be a mount point or lie in a folder that is not ours to write to.
    return parent if same_disk and os.access(parent, os.W_OK | os.X_OK) else real


def _refuse_files_of_others(folder: Path, names: Iterable[str]) -> None:
    owned = _own_files(folder)
    for name in names:
        target = folder / name
        for parent in list(target.relative_to(folder).parents)[:-1]:
            place = folder / parent
            if place.is_symlink() or (place.exists() and not place.is_dir()):
                raise OutputError(
                    f"{place}: is in the way; a folder of results goes there. Move it away or "
                    "give another --out"
                )
        if os.path.lexists(target) and (name not in owned or target.is_dir()):
            raise OutputError(
                f"{target}: exists and was not written by an earlier run listed in "
                f"{folder / RUN_JSON}. Move it away or give another --out"
            )


def _refuse_other_command(folder: Path, command: str) -> None:
    """Refuse results of another command, which would be taken for stale ones and removed."""
    other = _last_record(folder).get("command", command)
    if other != command:
        raise OutputError(
            f"{folder}: holds the results of stripwise {other}; give another --out for {command}"
        )


def _own_files(folder: Path) -> set[str]:
    """Names that an earlier run.json of ours lists, and that lie in the folder for sure."""
    names = _last_record(folder).get("files")
    if not isinstance(names, list):
        return set()
    return {name for name in names if isinstance(name, str) and _is_inside(folder, name)}


def _last_record(folder: Path) -> dict[str, Any]:
    """Return what run.json of an earlier run of ours says; nothing if there is none."""
    path = folder / RUN_JSON
    if path.is_symlink() or not path.is_file():
        return {}
    try:
        record = json.loads(path.read_bytes())
    except (OSError, ValueError):
        return {}
    return record if isinstance(record, dict) and record.get("program") == PROGRAM else {}


def _is_inside(folder: Path, name: str) -> bool:
    """Whether a listed name is a plain file below the folder, not a way out of it."""
    pure = PurePosixPath(name)
    stays_below = name and not pure.is_absolute() and ".." not in pure.parts and "\\" not in name
    if not stays_below or pure.as_posix() != name:
        return False
    parents = [folder / parent for parent in list(pure.parents)[:-1]]
    return not any(parent.is_symlink() for parent in parents)
