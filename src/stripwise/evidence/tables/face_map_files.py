"""Chloride maps from files: a table of pixels, a grid with a column per depth, or NumPy arrays."""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.errors import EvidenceError
from stripwise.evidence.face_maps.face_map import FaceMap, check_face_map
from stripwise.evidence.tables.columns import UNUSUAL, Column, normalise_name
from stripwise.evidence.tables.data_file import DataFile, read_data_file, read_data_frame
from stripwise.evidence.tables.data_kinds import FACE_MAP, FACE_MAPS
from stripwise.evidence.tables.face_map_arrays import read_arrays
from stripwise.evidence.tables.face_map_owner import CHANNELS, Owner, check_size, join_owner
from stripwise.evidence.tables.headers import Headers, match_headers
from stripwise.evidence.tables.table_problems import TableProblems
from stripwise.evidence.tables.table_text import (
    TableText,
    frame_text,
    printable_file_name,
    read_text,
)
from stripwise.units.names import name_problem

__all__ = ["build_face_maps", "face_map_file", "face_map_frame", "face_map_list"]

Array = NDArray[np.float64]

GRID_COLUMN = re.compile(
    r"(?P<channel>chloride|signal|paste)(?:_(?P<unit>pct_paste|pct_binder|pct))?"
    r"_at_(?P<depth>\d+(?:\.\d+)?)_(?P<length>mm|cm|in)"
)
"""Head of a column that holds one channel at one depth: chloride_pct_at_0.5_mm."""

LENGTHS = {"mm": 1.0, "cm": 10.0, "in": 25.4}

PIECE = 200_000
"""Rows that are read at once."""

UNEVEN = 0.02
"""Deviation of a place from an even grid, in pixels, that still counts as rounding."""

FORMS = "a table with x_mm, depth_mm and chloride_pct, a grid with columns chloride_pct_at_0.5_mm, or .npz"


def face_map_file(path: Path) -> DataFile | None:
    """Return a file that is itself a map, as a list of one; None where it is something else."""
    if path.suffix.lower() == ".npz":
        digest = hashlib.sha256(_bytes(path)).hexdigest()
    else:
        text, digest = read_text(path)
        header = next(text.rows(printable_file_name(path)), (0, []))[1]
        names = {normalise_name(cell) for cell in header}
        grid = any(GRID_COLUMN.fullmatch(_grid_name(cell)) for cell in header)
        x = any(name.startswith("x_") or name == "x" for name in names)
        if not grid and not (x and any(name.startswith(("chloride", "depth")) for name in names)):
            return None
    data = pd.DataFrame({"map_file": [path.name]})
    return DataFile(path, FACE_MAPS, data, {}, {}, (), digest)


def face_map_list(paths: Sequence[Path], *, name: str = "maps") -> DataFile:
    """Return files that are maps, all in one folder or below it, as a list of them."""
    if not paths:
        raise EvidenceError([f"{name}: is empty; give at least one map"])
    places = [path.resolve() for path in paths]
    folder = Path(os.path.commonpath([place.parent for place in places]))
    digests = [hashlib.sha256(_bytes(place)).hexdigest() for place in places]
    data = pd.DataFrame({"map_file": [str(place.relative_to(folder)) for place in places]})
    whole = hashlib.sha256("".join(digests).encode()).hexdigest()
    return DataFile(folder / name, FACE_MAPS, data, {}, {}, (), whole)


def face_map_frame(
    frame: pd.DataFrame, *, name: str = "table.csv"
) -> tuple[DataFile, tuple[FaceMap, ...]]:
    """Read the maps of a table with a row a pixel; `name` stands in messages and reports."""
    text, digest = frame_text(frame)
    line, header = next(text.rows(name), (0, []))
    faces = _from_pixels(
        Path(name),
        text,
        header,
        line=line,
        owner=Owner(),
        whole=lambda: read_data_frame(frame, kinds=[FACE_MAP], name=name).data,
    )
    listed = pd.DataFrame({"map_file": [name]})
    return DataFile(Path(name), FACE_MAPS, listed, {}, {}, (), digest), _checked(faces, name, [])


def build_face_maps(data_file: DataFile) -> tuple[FaceMap, ...]:
    """Read the maps of a list, each checked; an EvidenceError has a line per problem."""
    faces: list[FaceMap] = []
    problems: list[str] = []
    for _, row in data_file.data.iterrows():
        path = data_file.path.parent / str(row["map_file"])
        if not path.resolve().is_relative_to(data_file.path.parent.resolve()):
            problems.append(
                f"{data_file.name}: map_file = {str(row['map_file'])!r}: must lie in the folder of "
                "the list"
            )
            continue
        try:
            faces += _read(path, _owner(row, data_file.bases))
        except EvidenceError as error:
            problems += error.problems
    return _checked(faces, data_file.name, problems)


def _checked(faces: Sequence[FaceMap], file: str, problems: list[str]) -> tuple[FaceMap, ...]:
    """Return the maps; an EvidenceError has the `problems` so far and those of the maps."""
    for face in faces:
        problems += check_face_map(face)
    names = [face.specimen for face in faces]
    for name in dict.fromkeys(name for name in names if names.count(name) > 1):
        problems.append(f"{file}: specimen {name} has more than one map")
    if len({face.basis for face in faces}) > 1:
        problems.append(
            f"{file}: contents by mass of paste and of binder; give all maps in one unit"
        )
    if problems:
        raise EvidenceError(problems)
    return tuple(faces)


def _owner(row: pd.Series[Any], bases: Mapping[str, str]) -> Owner:
    def number(name: str) -> float | None:
        return float(row[name]) if name in row and np.isfinite(row[name]) else None

    return Owner(
        specimen=str(row["specimen"]) if row.get("specimen") else None,
        strategy=str(row["strategy"]) if row.get("strategy") else None,
        exposure=number("exposure_d"),
        initial=number("initial"),
    )


def _read(path: Path, owner: Owner) -> list[FaceMap]:
    if path.suffix.lower() == ".npz":
        digest = hashlib.sha256(_bytes(path)).hexdigest()
        return [read_arrays(path, replace(owner, digest=digest))]
    text, digest = read_text(path)
    owner = replace(owner, digest=digest)
    name = printable_file_name(path)
    line, header = next(text.rows(name), (0, []))
    if any(GRID_COLUMN.fullmatch(_grid_name(cell)) for cell in header):
        return [_from_grid(text, header, line=line, name=name, owner=owner)]
    return _from_pixels(
        path,
        text,
        header,
        line=line,
        owner=owner,
        whole=lambda: read_data_file(path, kinds=[FACE_MAP]).data,
    )


def _from_pixels(
    path: Path,
    text: TableText,
    header: list[str],
    *,
    line: int,
    owner: Owner,
    whole: Callable[[], pd.DataFrame],
) -> list[FaceMap]:
    """Read a table of one pixel a row; several specimens may share it."""
    name = printable_file_name(path)
    problems = TableProblems(name)
    headers = match_headers(
        header, filled=range(len(header)), line=line, kind=FACE_MAP, problems=problems
    )
    problems.raise_all()
    if "chloride" not in headers.scales:
        raise EvidenceError([f"{name}: has no column of chloride; a map is {FORMS}"])
    table = _plain_numbers(text, headers)
    if table is None:  # something is unusual: the reader of small tables tells each place
        table = whole()
    basis = headers.bases["chloride"]
    if "specimen" not in table or not str(table["specimen"].iloc[0]):
        table["specimen"] = owner.specimen or path.stem
    faces = []
    specimens = list(dict.fromkeys(table["specimen"].unique()))
    for specimen in specimens:
        rows = table if len(specimens) == 1 else table[table["specimen"] == specimen]
        depth, down = _axis(rows["depth_mm"].to_numpy(), f"{name}: specimen {specimen}: depth_mm")
        position, across = _axis(rows["x_mm"].to_numpy(), f"{name}: specimen {specimen}: x_mm")
        shape = (depth.size, position.size)
        check_size(shape, f"{name}: specimen {specimen}")
        flat = down * position.size + across
        if np.bincount(flat, minlength=1).max() > 1:
            raise EvidenceError(
                [f"{name}: specimen {specimen}: some pixels stand twice; every place has one row"]
            )
        channels = {}
        for channel in CHANNELS:
            if channel in rows:
                grid = np.full(shape, np.nan)
                grid.ravel()[flat] = rows[channel].to_numpy()
                channels[channel] = grid
        for column in ("strategy", "exposure_d", "initial"):
            known = rows[column].dropna().to_numpy() if column in rows else np.empty(0)
            if known.size and (known != known[0]).any():
                raise EvidenceError(
                    [f"{name}: specimen {specimen}: has more than one {column.split('_')[0]}"]
                )
        found = {
            key: rows[column].iloc[0]
            for key, column in (
                ("strategy", "strategy"),
                ("exposure", "exposure_d"),
                ("initial", "initial"),
            )
            if column in rows
        }
        faces.append(
            join_owner(
                found | {"specimen": specimen},
                depth=depth,
                position=position,
                channels=channels,
                basis=basis,
                owner=owner,
                name=name,
            )
        )
    return faces


def _plain_numbers(text: TableText, headers: Headers) -> pd.DataFrame | None:
    """Read a table of plain numbers fast; None where anything in it is out of the ordinary."""
    used = {position: column for position, (column, _) in sorted(headers.used.items())}
    if any(column is UNUSUAL for column in used.values()):
        return None
    pieces: dict[str, list[Any]] = {column.canonical(): [] for column in used.values()}
    try:
        with pd.read_csv(
            text.stream(),
            sep=text.separator(),
            comment="#",
            usecols=list(used),
            header=0,
            names=range(headers.width),
            dtype={p: (float if c.measure.number else "category") for p, c in used.items()},
            chunksize=PIECE,
        ) as reader:
            for piece in reader:
                for position, column in used.items():
                    values = _plain_column(piece[position], column, headers.scales[column.stem])
                    if values is None:
                        return None
                    pieces[column.canonical()].append(values)
    except (ValueError, pd.errors.ParserError):
        return None
    columns = {
        name: pd.api.types.union_categoricals(found)
        if isinstance(found[0], pd.Categorical)
        else np.concatenate(found)
        for name, found in ((name, pieces.pop(name)) for name in list(pieces))
    }
    return pd.DataFrame(columns, copy=False)


def _plain_column(
    values: pd.Series[Any], column: Column, scale: tuple[float, float]
) -> pd.Categorical | NDArray[Any] | None:
    """Return a piece of a column in its internal unit; None where a value is unusual."""
    if not column.measure.number:
        names = values.astype("category").cat.categories
        bad = values.isna().any() or any(name_problem(str(name)) for name in names)
        return None if bad else pd.Categorical(values)
    numbers = values.to_numpy(dtype=float) * scale[0] + scale[1]
    low, high = column.usual or (column.low, column.high)
    if (
        (column.required and np.isnan(numbers).any())
        or (low is not None and (numbers < low).any())
        or (high is not None and (numbers > high).any())
    ):
        return None
    # places are told apart to 1e-6 mm; single precision is plenty for what a beam reads
    return numbers if column.required else numbers.astype(np.float32)


def _from_grid(
    text: TableText, header: list[str], *, line: int, name: str, owner: Owner
) -> FaceMap:
    """Read a grid: a row a place along the face, a column a channel and depth."""
    own = {k: GRID_COLUMN.fullmatch(_grid_name(cell)) for k, cell in enumerate(header)}
    problems = TableProblems(name)
    others = [k for k in own if own[k] is None]
    headers = match_headers(
        [*(header[k] for k in others), "depth_mm"],
        filled=range(len(header) + 1),
        line=line,
        kind=FACE_MAP,
        problems=problems,
    )
    problems.raise_all()
    try:
        table = pd.read_csv(text.stream(), sep=text.separator(), comment="#", header=0)
        values = {k: table.iloc[:, k].to_numpy(dtype=float) for k in own if own[k] is not None}
    except (ValueError, pd.errors.ParserError) as error:
        raise EvidenceError([f"{name}: the grid must hold numbers only ({error})"]) from error
    units = {
        found["unit"] or "" for found in own.values() if found and found["channel"] == "chloride"
    }
    if len(units) != 1 or "" in units:
        raise EvidenceError(
            [f"{name}: the columns of chloride must name one unit, as chloride_pct_at_0.5_mm"]
        )
    channels, depths = {}, {}
    for channel in CHANNELS:
        columns = sorted(
            (float(found["depth"]) * LENGTHS[found["length"]], k)
            for k, found in own.items()
            if found is not None and found["channel"] == channel
        )
        if columns:
            depths[channel] = np.array([depth for depth, _ in columns])
            channels[channel] = np.array([values[k] for _, k in columns])
    first = depths["chloride"]
    if any(d.size != first.size or np.abs(d - first).max() > 1e-9 for d in depths.values()):
        raise EvidenceError([f"{name}: all channels must have columns at the same depths"])
    check_size(channels["chloride"].shape, name)
    position_column = next((others[k] for k, (c, _) in headers.used.items() if c.stem == "x"), None)
    assert position_column is not None, "required by the kind"
    scale, offset = headers.scales["x"]
    position = table.iloc[:, position_column].to_numpy(dtype=float) * scale + offset
    order = np.argsort(position)
    found = {
        column.stem: table.iloc[0, others[k]]
        for k, (column, _) in headers.used.items()
        if k < len(others) and column.stem in ("specimen", "strategy", "exposure", "initial")
    }
    if "exposure" in found:
        found["exposure"] = float(str(found["exposure"])) * headers.scales["exposure"][0]
    basis = "pct_binder" if units == {"pct_binder"} else "pct_paste"
    depth, _ = _axis(first, f"{name}: depth")
    position, _ = _axis(position[order], f"{name}: x")
    return join_owner(
        found,
        depth=depth,
        position=position,
        channels={channel: grid[:, order] for channel, grid in channels.items()},
        basis=basis,
        owner=owner,
        name=name,
    )


def _axis(values: Array, where: str) -> tuple[Array, NDArray[np.intp]]:
    """Return the places of a grid [mm] and which one each value has; they must be even."""
    if not np.isfinite(values).all():
        raise EvidenceError([f"{where}: every pixel needs a place"])
    codes, found = pd.factorize(np.round(values, 6))
    places = np.sort(found)
    index = np.searchsorted(places, found)[codes]
    if places.size < 2:
        raise EvidenceError([f"{where}: has one place only; a map has many"])
    even = np.linspace(places[0], places[-1], places.size)
    step = even[1] - even[0]
    if np.abs(places - even).max() > UNEVEN * step + 1e-6:
        at = int(np.abs(places - even).argmax())
        raise EvidenceError(
            [f"{where}: the places must be even; {places[at]:g} mm is off a grid of {step:.4g} mm"]
        )
    return even, index


def _grid_name(header: str) -> str:
    """Write the head of a column of a grid plainly, its decimal point kept."""
    text = header.strip().casefold().replace("%", "pct")
    return re.sub(r"[^0-9a-z.]+", "_", text).strip("_")


def _bytes(path: Path) -> bytes:
    name = printable_file_name(path)
    try:
        return path.read_bytes()
    except OSError as error:
        raise EvidenceError([f"{name}: cannot be read: {error.strerror or error}"]) from error
