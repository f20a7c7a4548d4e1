"""Files that were read, by name and hash, so that results say what they rest on."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["SourceFile", "hashes_text"]


@dataclass(frozen=True, slots=True)
class SourceFile:
    """A file as it was read.

    Attributes
    ----------
    name
        Its name, or its path from the scenario that names it.
    sha256
        SHA-256 of its bytes, hexadecimal.
    """

    name: str
    sha256: str


def hashes_text(files: Iterable[SourceFile]) -> str:
    """Name files with their hashes, for a reader."""
    return "; ".join(f"{file.name}, SHA-256 {file.sha256}" for file in files)
