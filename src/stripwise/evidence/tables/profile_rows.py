"""Which chloride profiles the rows of a file make."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.evidence.profiles.chloride_profiles import Profiles
from stripwise.evidence.tables.data_file import LINE, DataFile

__all__ = ["MAX_CONTENT", "build_profiles", "padded_column"]

Array = NDArray[np.float64]
Places = NDArray[np.intp]

DETECTION_LIMIT_FACTOR = 0.5
"""Share of the detection limit that stands for a reading below it; common practice, no source."""

MAX_CONTENT = {"pct": (5.0, "5 %"), "pct_binder": (25.0, "25 %"), "kg_m3": (120.0, "120 kg/m3")}
"""Contents above which the unit must be wrong; common practice, no source."""

OVERLAP_TOLERANCE = 1e-6
"""Layers that overlap by less than this count as touching [mm]."""


def build_profiles(data_file: DataFile, *, keep_limits: bool = False) -> Profiles:
    """Sort the rows of a file of kind profiles into checked profiles, layers by depth.

    A reading below a limit of detection becomes a share of it, unless `keep_limits` leaves the
    limit, for a use that knows what it means.
    """
    rows = data_file.data.copy()
    if "depth_from_mm" not in rows:
        rows["depth_from_mm"] = rows["depth_to_mm"] = rows["depth_mm"]
        reversed_rows = np.zeros(len(rows), dtype=bool)
    else:
        reversed_rows = (rows["depth_from_mm"] >= rows["depth_to_mm"]).to_numpy()
    for name in () if keep_limits else ("chloride", "initial"):
        if f"{name}_below" in rows:
            rows[name] = np.where(
                rows[f"{name}_below"], DETECTION_LIMIT_FACTOR * rows[name], rows[name]
            )
    if "initial" not in rows:
        rows["initial"] = np.nan
    rows, names = _by_specimen(rows)
    _check(rows, data_file, reversed_rows, undetected=keep_limits)
    code, place, shape = _places(rows)

    def padded(column: str) -> Array:
        table = np.zeros(shape)
        table[code, place] = rows[column].to_numpy(dtype=float)
        return table

    present = np.zeros(shape, dtype=bool)
    present[code, place] = True
    first = rows.groupby("code").first()  # skips what is missing
    return Profiles(
        specimens=tuple(str(name) for name in names),
        strategies=tuple(str(name) for name in first["strategy"]),
        upper=padded("depth_from_mm"),
        lower=padded("depth_to_mm"),
        content=padded("chloride"),
        present=present,
        exposure=first["exposure_d"].to_numpy(dtype=float),
        initial=first["initial"].to_numpy(dtype=float),
        basis=data_file.bases["chloride"],
        file=data_file.name,
    )


def padded_column(data_file: DataFile, column: str) -> Array:
    """Return a column of numbers in the order of `build_profiles`, (g, k), 0 where there is none."""
    rows = data_file.data.copy()
    if "depth_from_mm" not in rows:
        rows["depth_from_mm"] = rows["depth_mm"]
    rows, _ = _by_specimen(rows)
    code, place, shape = _places(rows)
    table = np.zeros(shape)
    table[code, place] = rows[column].to_numpy(dtype=float)
    return table


def _by_specimen(rows: pd.DataFrame) -> tuple[pd.DataFrame, pd.Index[str]]:
    """Sort rows by specimen, in the order of the file, and depth."""
    rows["code"], names = pd.factorize(rows["specimen"])
    return rows.sort_values(["code", "depth_from_mm"], kind="stable", ignore_index=True), names


def _places(rows: pd.DataFrame) -> tuple[Places, Places, tuple[int, int]]:
    """Return specimen and layer of each row, and how many of both there are."""
    code: Places = np.asarray(rows["code"], dtype=np.intp)
    place: Places = np.asarray(rows.groupby("code").cumcount(), dtype=np.intp)
    return code, place, (int(code.max()) + 1, int(place.max()) + 1)


def _check(
    rows: pd.DataFrame,
    data_file: DataFile,
    reversed_rows: NDArray[np.bool_],
    *,
    undetected: bool,
) -> None:
    problems = data_file.problems()
    head = {name: data_file.headers.get(name, name) for name in rows.columns}
    same = rows["code"].eq(rows["code"].shift())
    for at in np.flatnonzero(reversed_rows):
        row = data_file.data.iloc[at]
        problems.add(
            f"must be above {head['depth_from_mm']} of its row",
            line=int(row[LINE]),
            about=f"specimen {row['specimen']}",
            column=head["depth_to_mm"],
            found=data_file.typed("depth_to_mm", row["depth_to_mm"]),
        )
    if not reversed_rows.any():
        depth = "depth_mm" if "depth_mm" in head else "depth_from_mm"
        points = (rows["depth_from_mm"] == rows["depth_to_mm"]).to_numpy()
        gap = rows["depth_from_mm"] - rows["depth_to_mm"].shift()
        overlap = same & np.where(points, gap <= 0.0, gap < -OVERLAP_TOLERANCE)
        for at in np.flatnonzero(overlap):
            before, row = rows.iloc[at - 1], rows.iloc[at]
            problems.add(
                "overlaps another layer of its specimen; every depth belongs to one layer",
                line=int(row[LINE]),
                about=f"specimen {row['specimen']}, also line {before[LINE]}",
                column=head[depth],
                found=data_file.typed(depth, row["depth_from_mm"]),
            )
    for name, rule in (
        ("strategy", "a specimen has one strategy; rename the specimen or mend the strategy"),
        ("exposure_d", "a specimen has one exposure; give the other one a name of its own"),
        ("initial", "a specimen has one initial content"),
    ):
        value = rows[name]
        first = rows.groupby("code")[name].transform("first")
        for at in np.flatnonzero(value.ne(first) & ~(value.isna())):
            row = rows.iloc[at]
            problems.add(
                rule,
                line=int(row[LINE]),
                about=f"specimen {row['specimen']}",
                column=head[name],
                found=data_file.typed(name, row[name]),
            )
    if "initial" in data_file.bases and data_file.bases["initial"] != data_file.bases["chloride"]:
        problems.add(f"{head['initial']} must have the unit of {head['chloride']}")
    limit, words = MAX_CONTENT[data_file.bases["chloride"]]
    contents = ("chloride", "initial")
    above = [(key, row) for key in contents for row in np.flatnonzero(rows[key] > limit)]
    for name, at in above:
        row = rows.iloc[at]
        problems.add(
            f"must be at most {words}, by the unit of the column; check the unit",
            line=int(row[LINE]),
            about=f"specimen {row['specimen']}",
            column=head[name],
            found=data_file.typed(name, row[name]),
        )
    if "chloride_below" in rows and not undetected:
        all_below = rows.groupby("specimen", sort=False)["chloride_below"].all()
        for name in all_below.index[all_below]:
            problems.add(
                "every reading is below detection; such a profile holds no diffusivity, leave "
                "it out",
                about=f"specimen {name}",
                column=head["chloride"],
            )
    problems.raise_all()
