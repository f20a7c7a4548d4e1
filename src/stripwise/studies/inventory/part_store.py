"""Where finished parts lie while an inventory is computed, so that a killed run goes on from them."""

from __future__ import annotations

import contextlib
import io
import os
import zipfile
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np

from stripwise.studies.inventory.part_jobs import PartResult

__all__ = ["FolderStore", "MemoryStore"]

WEIGHTS = "weights"


class MemoryStore:
    """Keeps the parts of a small inventory in memory."""

    folder: Path | None = None

    def __init__(self) -> None:
        self._parts: dict[str, PartResult] = {}

    def get(self, name: str) -> PartResult | None:
        """Return a part, None where it is not there."""
        return self._parts.get(name)

    def put(self, name: str, part: PartResult) -> None:
        """Keep a part."""
        self._parts[name] = part


class FolderStore:
    """Keeps each part as a file named by its hash; one that is cut off does not count."""

    def __init__(self, folder: Path) -> None:
        self.folder: Path | None = folder
        self._path = folder
        folder.mkdir(parents=True, exist_ok=True)

    def get(self, name: str) -> PartResult | None:
        """Return a part, None where it is not there or not whole."""
        path = self._path / f"{name}.npz"
        if path.is_symlink() or not path.is_file():
            return None
        try:
            with np.load(io.BytesIO(path.read_bytes()), allow_pickle=False) as stored:
                return _unpack(dict(stored))
        except (OSError, ValueError, KeyError, EOFError):
            return None
        except Exception as error:
            if type(error).__module__.startswith(("zipfile", "zlib")):
                return None
            raise

    def put(self, name: str, part: PartResult) -> None:
        """Write a part; it has its name only once it is whole."""
        buffer = io.BytesIO()
        # as numpy writes it, which knows no level: the usual one took a third of the client's time
        with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
            for item, value in _pack(part).items():
                with archive.open(f"{item}.npy", "w") as stream:
                    np.lib.format.write_array(stream, np.asarray(value), allow_pickle=False)
        half = self._path / f"{name}.half"
        with half.open("wb") as stream:
            stream.write(buffer.getvalue())
            stream.flush()
            os.fsync(stream.fileno())
        half.replace(self._path / f"{name}.npz")

    def clear(self) -> None:
        """Remove every part."""
        for path in self._path.glob("*"):
            if path.suffix in (".npz", ".half", ".plan", ".csv"):
                with contextlib.suppress(OSError):
                    path.unlink()


def _pack(part: PartResult) -> dict[str, Any]:
    packed: dict[str, Any] = {}
    for item in fields(part):
        value = getattr(part, item.name)
        if item.name == WEIGHTS:
            for at, (places, faces, areas) in value.items():
                packed[f"{WEIGHTS}-{at}-places"] = places
                packed[f"{WEIGHTS}-{at}-faces"] = faces
                packed[f"{WEIGHTS}-{at}-areas"] = areas
        elif isinstance(value, bytes):
            packed[item.name] = np.frombuffer(value, dtype=np.uint8)
        else:
            packed[item.name] = value
    return packed


def _unpack(stored: dict[str, Any]) -> PartResult:
    weights = {}
    for name in stored:
        if name.startswith(f"{WEIGHTS}-") and name.endswith("-places"):
            at = name.split("-")[1]
            weights[int(at)] = tuple(
                stored[f"{WEIGHTS}-{at}-{what}"] for what in ("places", "faces", "areas")
            )
    plain = {item.name: stored[item.name] for item in fields(PartResult) if item.name != WEIGHTS}
    plain["csv"] = stored["csv"].tobytes()
    plain["direct"] = int(stored["direct"])
    return PartResult(**plain, weights=weights)
