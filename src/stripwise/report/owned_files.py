"""Which files of a folder an earlier run wrote, and which of them are still as it wrote them."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable
from pathlib import Path, PurePosixPath
from typing import Any

from stripwise.errors import OutputError
from stripwise.units.self_hash import holds_own_hash

__all__ = [
    "PROGRAM",
    "RUN_JSON",
    "TIMES_JSON",
    "digest",
    "is_hashed",
    "is_inside",
    "own_files",
    "refuse_edited_files",
    "refuse_files_of_others",
    "refuse_other_command",
]

RUN_JSON = "run.json"
"""Written last; "files" lists every file of the results, itself included, "sha256" their hashes."""

TIMES_JSON = "times.json"
"""How long the stages took; the only file that differs from one run to the same run again."""

PROGRAM = "stripwise"


def is_hashed(name: str) -> bool:
    """Whether run.json gives the hash of a file's bytes: not its own, nor of what never repeats."""
    return name not in (RUN_JSON, TIMES_JSON) and not name.endswith(".pdf")


def digest(path: Path) -> str | None:
    """Return the SHA-256 of a file, where a link leads for a link, None for no file."""
    if path.is_symlink():
        return f"link to {os.readlink(path)}"
    if not os.path.lexists(path):
        return None
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def own_files(folder: Path) -> set[str]:
    """Names that an earlier run.json of ours lists, and that lie in the folder for sure."""
    names = _last_record(folder).get("files")
    if not isinstance(names, list):
        return set()
    return {name for name in names if isinstance(name, str) and is_inside(folder, name)}


def refuse_edited_files(folder: Path) -> None:
    """Refuse, by name, to replace a file that is no longer as the earlier run wrote it."""
    hashes = _last_record(folder).get("sha256")
    known = hashes if isinstance(hashes, dict) else {}
    for name in sorted(own_files(folder)):
        target = folder / name
        if not os.path.lexists(target) or target.is_dir():
            continue
        if name == RUN_JSON:  # one of an older release tells no hash of itself
            told = known.get(name)
            changed = isinstance(told, str) and not holds_own_hash(target.read_bytes(), told)
        else:
            changed = is_hashed(name) and digest(target) != known.get(name)
        if changed:
            raise OutputError(
                f"{target}: was changed since stripwise wrote it. Move it away, give another "
                "--out, or let it be replaced with --overwrite"
            )


def refuse_files_of_others(folder: Path, names: Iterable[str]) -> None:
    """Refuse, by name, what stands in the way and no earlier run wrote."""
    owned = own_files(folder)
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


def refuse_other_command(folder: Path, command: str) -> None:
    """Refuse results of another command, which would be taken for stale ones and removed."""
    other = _last_record(folder).get("command", command)
    if other != command:
        raise OutputError(
            f"{folder}: holds the results of stripwise {other}; give another --out for {command}"
        )


def _last_record(folder: Path) -> dict[str, Any]:
    """Return what run.json of an earlier run of ours says; nothing if there is none."""
    path = folder / RUN_JSON
    if path.is_symlink() or not path.is_file():
        return {}
    try:
        record = json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError):
        return {}
    return record if isinstance(record, dict) and record.get("program") == PROGRAM else {}


def is_inside(folder: Path, name: str) -> bool:
    """Whether a listed name is a plain file below the folder, not a way out of it."""
    pure = PurePosixPath(name)
    stays_below = name and not pure.is_absolute() and ".." not in pure.parts and "\\" not in name
    if not stays_below or pure.as_posix() != name or "\0" in name:
        return False
    parents = [folder / parent for parent in list(pure.parents)[:-1]]
    return not any(parent.is_symlink() for parent in parents)
