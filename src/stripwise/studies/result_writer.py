"""Which functions write a result and say what it shows: reports lie below the studies, and tell here."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from stripwise.errors import OutputError

__all__ = ["result_sentences", "set_writer", "write_result"]

Writer = Callable[..., list[Path]]
Teller = Callable[[object], tuple[str, ...]]

_WRITERS: list[tuple[Writer, Teller]] = []


def set_writer(writer: Writer, teller: Teller) -> None:
    """Say which function writes a result to a folder, and which gives the sentences of its report."""
    _WRITERS[:] = [(writer, teller)]


def write_result(result: object, folder: str | Path, *, overwrite: bool) -> list[Path]:
    """Write a result to a folder; OutputError where no writer is known."""
    if not _WRITERS:
        raise OutputError("no writer of reports is known; import stripwise")
    return _WRITERS[0][0](result, folder, overwrite=overwrite)


def result_sentences(result: object) -> tuple[str, ...]:
    """Return what the report of a result says first; nothing where no report is known."""
    return _WRITERS[0][1](result) if _WRITERS else ()
