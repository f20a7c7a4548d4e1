"""From the rows of a file to chloride profiles, with every problem of the rows at once."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.evidence.profiles.chloride_profiles import Profiles
from stripwise.evidence.tables.reading import LINE, Reading

__all__ = ["profiles_of"]

Array = NDArray[np.float64]

HALF_LIMIT = 0.5
"""Share of the detection limit that stands for a reading below it; common practice, no source."""

HIGHEST = {"pct": (5.0, "5 %"), "pct_binder": (25.0, "25 %"), "kg_m3": (120.0, "120 kg/m3")}
"""Contents above which the unit is taken for wrong; common practice, no source."""

TOUCH = 1e-6
"""Layers that overlap by less than this are taken to touch [mm]."""


def profiles_of(reading: Reading) -> Profiles:
    """Sort the rows into profiles and check that they can be such.

    Parameters
    ----------
    reading
        A file of the kind "profiles".

    Returns
    -------
    The `Profiles`, specimens in the order of the file and layers by depth.

    Raises
    ------
    EvidenceError
        With every problem of the rows.
    """
    rows = reading.data.copy()
    if "depth_from_mm" not in rows:
        rows["depth_from_mm"] = rows["depth_to_mm"] = rows["depth_mm"]
        reversed_rows = np.zeros(len(rows), dtype=bool)
    else:
        reversed_rows = (rows["depth_from_mm"] >= rows["depth_to_mm"]).to_numpy()
    for name in ("chloride", "initial"):
        if f"{name}_below" in rows:
            rows[name] = np.where(rows[f"{name}_below"], HALF_LIMIT * rows[name], rows[name])
    if "initial" not in rows:
        rows["initial"] = np.nan
    rows["code"], names = pd.factorize(rows["specimen"])
    rows = rows.sort_values(["code", "depth_from_mm"], kind="stable", ignore_index=True)
    _check(rows, reading, reversed_rows)
    place = rows.groupby("code").cumcount().to_numpy()
    code = rows["code"].to_numpy()
    shape = (len(names), int(place.max()) + 1)

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
        basis=reading.bases["chloride"],
        file=reading.name,
    )


def _check(rows: pd.DataFrame, reading: Reading, reversed_rows: NDArray[np.bool_]) -> None:
    problems = reading.problems()
    head = {name: reading.headers.get(name, name) for name in rows.columns}
    same = rows["code"].eq(rows["code"].shift())
    for at in np.flatnonzero(reversed_rows):
        row = reading.data.iloc[at]
        problems.add(
            f"must be above {head['depth_from_mm']} of its row",
            line=int(row[LINE]),
            about=f"specimen {row['specimen']}",
            column=head["depth_to_mm"],
            found=float(row["depth_to_mm"]),
        )
    if not reversed_rows.any():
        points = (rows["depth_from_mm"] == rows["depth_to_mm"]).to_numpy()
        gap = rows["depth_from_mm"] - rows["depth_to_mm"].shift()
        overlap = same & np.where(points, gap <= 0.0, gap < -TOUCH)
        for at in np.flatnonzero(overlap):
            before, row = rows.iloc[at - 1], rows.iloc[at]
            problems.add(
                "overlaps another layer of its specimen; every depth belongs to one layer",
                line=int(row[LINE]),
                about=f"specimen {row['specimen']}, also line {before[LINE]}",
                column=head.get("depth_mm", head["depth_from_mm"]),
                found=float(row["depth_from_mm"]),
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
                found=row[name],
            )
    if "initial" in reading.bases and reading.bases["initial"] != reading.bases["chloride"]:
        problems.add(f"{head['initial']} must have the unit of {head['chloride']}")
    limit, words = HIGHEST[reading.bases["chloride"]]
    for at in np.flatnonzero(rows["chloride"] > limit):
        row = rows.iloc[at]
        problems.add(
            f"must be at most {words}, by the unit of the column; check the unit",
            line=int(row[LINE]),
            about=f"specimen {row['specimen']}",
            column=head["chloride"],
            found=float(row["chloride"]),
        )
    if "chloride_below" in rows:
        nothing = rows.groupby("specimen", sort=False)["chloride_below"].all()
        for name in nothing.index[nothing]:
            problems.add(
                "every reading is below detection; such a profile holds no diffusivity, leave "
                "it out",
                about=f"specimen {name}",
                column=head["chloride"],
            )
    problems.raise_all()
