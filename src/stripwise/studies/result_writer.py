"""Which function writes a result: reports lie in a room below the studies, which tells it here."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from stripwise.errors import OutputError

__all__ = ["set_writer", "write_result"]

Writer = Callable[..., list[Path]]

_WRITERS: list[Writer] = []


def set_writer(writer: Writer) -> None:
    """Say which function writes a result to a folder."""
    _WRITERS[:] = [writer]


def write_result(result: object, folder: str | Path, *, overwrite: bool) -> list[Path]:
    """Write a result to a folder; OutputError where no writer is known."""
    if not _WRITERS:
        raise OutputError("no writer of reports is known; import stripwise")
    return _WRITERS[0](result, folder, overwrite=overwrite)
