"""How the rows of an inspection file become a checked set of data."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from stripwise.evidence.inspections.inspection_kinds import (
    CORES,
    COVER_READINGS,
    HALF_CELL_AREAS,
    HALF_CELL_POINTS,
)
from stripwise.evidence.inspections.inspection_sets import (
    ActiveCount,
    ActiveSet,
    CoreSet,
    CoverSet,
    InspectionSet,
)
from stripwise.evidence.statistics.effective_sample_size import estimate_spatial_correlation
from stripwise.evidence.tables.data_file import LINE, NO, YES, DataFile
from stripwise.evidence.tables.profile_rows import build_profiles, padded_column
from stripwise.evidence.tables.table_problems import TableProblems
from stripwise.ingress.transformed_time import DAYS_PER_YEAR

__all__ = ["EffectivePoints", "read_set"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

LEAST_LAYERS = 3
"""Layers of a core without which the error of its readings cannot be fitted."""

LEAST_PLACED, PERMUTATION_SEED = 5, 20_261_130
"""Fewest cover readings whose places tell how alike neighbours are, and the seed of that test."""


EffectivePoints = Callable[[Array, float], float]
"""Number of independent points that places (n, 2) [m] are worth, where a share of them is active."""


def read_set(data_file: DataFile, *, effective: EffectivePoints | None = None) -> InspectionSet:
    """Check a file of one of the kinds of inspections.

    `effective` weighs the points of a face, None where its correlation is not known.
    """
    return READERS[data_file.kind.name](data_file, effective)


def _cores(data_file: DataFile, _effective: EffectivePoints | None) -> CoreSet:
    data, problems = data_file.data, data_file.problems()
    given = {name: data_file.headers[name] for name in ("error", "error_share") if name in data}
    if len(given) == 2:
        problems.add(
            f"stands beside {given['error_share']}; give the error of a reading in one way",
            column=given["error"],
        )
    for name, header in given.items():
        for at in np.flatnonzero(data[name].isna()):
            problems.add(
                "has no value; every row needs one", line=int(data[LINE].iloc[at]), column=header
            )
    if "error" in given and data_file.bases["error"] != data_file.bases["chloride"]:
        problems.add(
            f"must have the unit of {data_file.headers['chloride']}", column=given["error"]
        )
    problems.raise_all()
    profiles = build_profiles(data_file, keep_limits=True)
    if not given and int(profiles.present.sum(axis=1).max()) < LEAST_LAYERS:
        problems.add(
            "needs error_pct or error_share: no core has the "
            f"{LEAST_LAYERS} layers from which the error of a reading could be fitted"
        )
    positions = _positions(data_file, problems)
    problems.raise_all()

    def column(name: str) -> Array | None:
        return padded_column(data_file, name) if name in data else None

    below = column("chloride_below")
    return CoreSet(
        data_file=data_file,
        profiles=profiles,
        below=np.zeros(profiles.present.shape, dtype=bool) if below is None else below > 0.0,
        error=column("error"),
        error_share=column("error_share"),
        positions=None
        if positions is None
        else np.column_stack([padded_column(data_file, f"{n}_mm")[:, 0] / 1000.0 for n in "xy"]),
    )


def _covers(data_file: DataFile, _effective: EffectivePoints | None) -> CoverSet:
    problems = data_file.problems()
    positions = _positions(data_file, problems)
    stated = _stated_effective(data_file, problems)
    problems.raise_all()
    cover = data_file.data["cover_mm"].to_numpy(dtype=float)
    effective = stated
    if effective is None:
        if positions is None or cover.size < LEAST_PLACED or np.ptp(cover) == 0.0:
            problems.add(_needs_effective(f"x_m and y_m of at least {LEAST_PLACED} readings"))
            problems.raise_all()
        assert positions is not None
        rng = np.random.default_rng(PERMUTATION_SEED)
        found = estimate_spatial_correlation(positions, cover, rng=rng)
        effective = min(found.effective_sample_size, float(cover.size))
    return CoverSet(data_file, cover, data_file.data["error_mm"].to_numpy(dtype=float), effective)


def _areas(data_file: DataFile, _effective: EffectivePoints | None) -> ActiveSet:
    data, problems = data_file.data, data_file.problems()
    _check_chances(data_file, problems)
    head = data_file.headers
    for row in data.to_dict("records"):
        line, about = int(row[LINE]), f"area {row['area']}"
        for name in ("points", "active_points"):
            if row[name] != round(row[name]):
                problems.add(
                    "must be a whole number",
                    line=line,
                    about=about,
                    column=head[name],
                    found=row[name],
                )
        for name in ("active_points", "effective_points"):
            if row[name] > row["points"]:
                problems.add(
                    f"must be at most {head['points']} of its row",
                    line=line,
                    about=about,
                    column=head[name],
                    found=row[name],
                )
    problems.raise_all()
    return ActiveSet(
        data_file,
        tuple(
            ActiveCount(
                strategy=str(row["strategy"]),
                age=row["exposure_d"] / DAYS_PER_YEAR,
                active=row["active_points"],
                points=row["points"],
                weight=row["effective_points"] / row["points"],
                detection=row["detection"],
                false_alarm=row["false_alarm"],
            )
            for row in data.to_dict("records")
        ),
    )


def _points(data_file: DataFile, effective: EffectivePoints | None) -> ActiveSet:
    data, problems = data_file.data, data_file.problems()
    _check_chances(data_file, problems)
    active = _yes_no(data_file, "active", problems)
    positions = _positions(data_file, problems)
    stated = _stated_effective(data_file, problems)
    problems.raise_all()
    if stated is None and (positions is None or effective is None):
        problems.add(_needs_effective("x_m and y_m, with [extent] in the scenario,"))
        problems.raise_all()
    keys = ["strategy", "exposure_d", "detection", "false_alarm"]
    counts = []
    for place in data.groupby(keys, sort=False).indices.values():
        row, own = data.iloc[place[0]], active[place]
        if stated is not None:
            weight = stated / len(data)
        else:
            assert positions is not None
            assert effective is not None
            share = (own.sum() + 0.5) / (own.size + 1.0)
            weight = effective(positions[place], float(share)) / own.size
        counts.append(
            ActiveCount(
                strategy=str(row["strategy"]),
                age=float(row["exposure_d"]) / DAYS_PER_YEAR,
                active=float(own.sum()),
                points=float(own.size),
                weight=weight,
                detection=float(row["detection"]),
                false_alarm=float(row["false_alarm"]),
            )
        )
    return ActiveSet(data_file, tuple(counts))


READERS: Mapping[str, Callable[[DataFile, EffectivePoints | None], InspectionSet]] = {
    CORES.name: _cores,
    COVER_READINGS.name: _covers,
    HALF_CELL_POINTS.name: _points,
    HALF_CELL_AREAS.name: _areas,
}


def _needs_effective(places: str) -> str:
    return (
        f"needs {places} or effective_points, the number of independent points that say as much: "
        "neighbouring points fare alike"
    )


def _positions(data_file: DataFile, problems: TableProblems) -> Array | None:
    """Return places (n, 2) [m]; None where the file has none."""
    data = data_file.data
    there = [name for name in ("x_mm", "y_mm") if name in data]
    if not there:
        return None
    if len(there) == 1:
        missing = "y_m" if there[0] == "x_mm" else "x_m"
        problems.add(f"needs {missing} beside it", column=data_file.headers[there[0]])
        return None
    for name in there:
        for at in np.flatnonzero(data[name].isna()):
            problems.add(
                "has no value; every row needs one",
                line=int(data[LINE].iloc[at]),
                column=data_file.headers[name],
            )
    return data[there].to_numpy(dtype=float) / 1000.0


def _stated_effective(data_file: DataFile, problems: TableProblems) -> float | None:
    """Return the one number of effective points that a file of single readings states."""
    data = data_file.data
    if "effective_points" not in data:
        return None
    header, found = data_file.headers["effective_points"], data["effective_points"]
    if found.isna().any() or found.nunique() != 1:
        problems.add("must be one number, the same in every row of the file", column=header)
        return None
    value = float(found.iloc[0])
    if value > len(data):
        problems.add(
            f"must be at most the number of readings, {len(data)}", column=header, found=value
        )
    return value


def _check_chances(data_file: DataFile, problems: TableProblems) -> None:
    data, head = data_file.data, data_file.headers
    for at in np.flatnonzero(data["detection"] < data["false_alarm"]):
        problems.add(
            f"must be at least {head['false_alarm']} of its row: a survey that finds sound steel "
            "more often than corroding steel says the opposite of what it means",
            line=int(data[LINE].iloc[at]),
            column=head["detection"],
            found=float(data["detection"].iloc[at]),
        )


def _yes_no(data_file: DataFile, name: str, problems: TableProblems) -> Flags:
    found = []
    for text, line in zip(data_file.data[name], data_file.data[LINE], strict=True):
        word = str(text).strip().casefold()
        if word not in YES | NO:
            problems.add(
                "must be yes or no", line=int(line), column=data_file.headers[name], found=text
            )
        found.append(word in YES)
    return np.array(found, dtype=bool)
