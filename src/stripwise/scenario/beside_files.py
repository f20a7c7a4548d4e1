"""Files beside a scenario that it names: read whole, inside its folder, up to a size."""

from __future__ import annotations

from pathlib import Path

from stripwise.scenario.problems import KeyPath, Problems
from stripwise.units.names import printable

__all__ = ["read_beside"]


def read_beside(
    name: str,
    path: KeyPath,
    *,
    folder: Path,
    limit: int,
    what: str,
    allow_outside: bool,
    problems: Problems,
) -> bytes | None:
    """Return the bytes of a file relative to `folder`, or None after a problem at `path`.

    The file must stay inside the folder unless `allow_outside`, and hold at most `limit` million
    bytes, the most of `what` it is.
    """
    try:
        place = (folder / name).resolve()
        if not allow_outside and not place.is_relative_to(folder.resolve()):
            rule = "lies outside the scenario's folder; --allow-outside lets it"
            problems.add(path, rule, found=name)
            return None
        if not place.is_file():
            problems.add(path, "there is no such file beside the scenario", found=name)
            return None
        with place.open("rb") as stream:
            data = stream.read(limit * 1_000_000 + 1)
        if len(data) > limit * 1_000_000:
            rule = f"is larger than {limit} MB, the limit of {what}"
            problems.add(path, rule, found=name)
            return None
        return data
    except (OSError, RuntimeError, ValueError) as error:
        reason = printable(str(getattr(error, "strerror", None) or error), 100)
        problems.add(path, f"cannot be read: {reason}", found=name)
        return None
