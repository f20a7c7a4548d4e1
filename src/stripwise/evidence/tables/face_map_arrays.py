"""Chloride maps from NumPy arrays (.npz) with their scales."""

from __future__ import annotations

import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from stripwise.errors import EvidenceError
from stripwise.evidence.face_maps.face_map import FaceMap
from stripwise.evidence.tables.data_kinds import FACE_MAP_ARRAYS
from stripwise.evidence.tables.face_map_owner import CHANNELS, Owner, check_size, join_owner
from stripwise.evidence.tables.headers import match_headers
from stripwise.evidence.tables.table_problems import TableProblems
from stripwise.evidence.tables.table_text import printable_file_name

__all__ = ["read_arrays"]


def read_arrays(path: Path, owner: Owner) -> FaceMap:
    """Read NumPy arrays: chloride (depth, x) and perhaps signal and paste, with their scales."""
    name = printable_file_name(path)
    _check_array_sizes(path, name)
    try:
        with np.load(path, allow_pickle=False) as stored:
            arrays = {key: stored[key] for key in stored.files}
    except (OSError, ValueError, zipfile.BadZipFile, KeyError) as error:
        raise EvidenceError([f"{name}: is no file of NumPy arrays (.npz): {error}"]) from error
    keys = list(arrays)
    problems = TableProblems(name)
    headers = match_headers(
        keys, filled=range(len(keys)), line=0, kind=FACE_MAP_ARRAYS, problems=problems
    )
    problems.raise_all()
    values: dict[str, Any] = {}
    for place, (column, key) in headers.used.items():
        array = arrays[keys[place]]
        if not column.measure.number:
            values[column.stem] = str(array)
            continue
        if array.dtype.kind not in "biuf":
            raise EvidenceError([f"{name}: {key}: must hold numbers"])
        scale, offset = headers.scales[column.stem]
        values[column.stem] = array.astype(float) * scale + offset
    if "chloride" not in values or values["chloride"].ndim != 2:
        raise EvidenceError([f"{name}: needs chloride_pct, an array of depth by x; has {keys}"])
    down = _scale(values, "pixel_depth", name)
    across = _scale(values, "pixel_x", name)
    shape = values["chloride"].shape
    channels = {c: values[c] for c in CHANNELS if c in values}
    for channel, grid in channels.items():
        if grid.shape != shape:
            raise EvidenceError(
                [f"{name}: {channel} has the shape {grid.shape}, and chloride {shape}"]
            )
    top = float(values.get("top", 0.0))
    found: dict[str, Any] = {
        key: str(values[key]) if key in ("specimen", "strategy") else float(values[key])
        for key in ("specimen", "strategy", "exposure", "initial")
        if key in values
    }
    return join_owner(
        found,
        depth=top + down * (np.arange(shape[0]) + 0.5),
        position=across * (np.arange(shape[1]) + 0.5),
        channels=channels,
        basis=headers.bases["chloride"],
        owner=owner,
        name=name,
    )


def _scale(values: Mapping[str, Any], key: str, name: str) -> float:
    """Return the size of a pixel [mm] in one direction."""
    size = values.get(key, values.get("pixel"))
    if size is None:
        raise EvidenceError([f"{name}: needs pixel_mm, the size of a pixel, or {key}_mm"])
    number = float(np.asarray(size).ravel()[0]) if np.asarray(size).size == 1 else np.nan
    if not 0.0 < number <= 10.0:
        raise EvidenceError([f"{name}: {key}_mm = {number:g}: must be above 0 and at most 10 mm"])
    return number


def _check_array_sizes(path: Path, name: str) -> None:
    """Read the shapes before the arrays, so that nothing large is made room for."""
    try:
        with zipfile.ZipFile(path) as archive:
            for member in archive.namelist():
                with archive.open(member) as stream:
                    version = np.lib.format.read_magic(stream)
                    read = (
                        np.lib.format.read_array_header_1_0
                        if version == (1, 0)
                        else np.lib.format.read_array_header_2_0
                    )
                    shape, _, dtype = read(stream)
                check_size(shape, f"{name}: {member.removesuffix('.npy')}")
                if dtype.hasobject:
                    raise EvidenceError([f"{name}: {member}: holds objects; save plain numbers"])
    except (OSError, ValueError, zipfile.BadZipFile) as error:
        raise EvidenceError([f"{name}: is no file of NumPy arrays (.npz): {error}"]) from error
