"""How the rows of an inspection file become a checked set of data."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.evidence.inspections import inspection_kinds as kinds
from stripwise.evidence.inspections.inspection_checks import (
    check_chances,
    check_errors,
    check_specimens,
    places,
    stated_effective,
    yes_no,
)
from stripwise.evidence.inspections.inspection_sets import (
    CRACK,
    DEPASSIVATION,
    CoreSet,
    CoverSet,
    DepthSet,
    InspectionSet,
    MigrationSet,
    PointCount,
    PointSet,
    SpecimenDepths,
)
from stripwise.evidence.statistics.effective_sample_size import estimate_spatial_correlation
from stripwise.evidence.tables.data_file import LINE, DataFile
from stripwise.evidence.tables.migration_rows import build_migration_tests
from stripwise.evidence.tables.profile_rows import build_profiles, padded_column
from stripwise.ingress.transformed_time import DAYS_PER_YEAR

__all__ = ["EffectivePoints", "read_set"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

LEAST_LAYERS = 3
"""Layers of a core without which the error of its readings cannot be fitted."""

LEAST_PLACED, PERMUTATION_SEED = 5, 20_261_130
"""Fewest cover readings whose places tell how alike neighbours are, and the seed of that test."""

OLDEST_TEST_D = 90.0
"""Age of concrete up to which a migration test tells the diffusivity of a scenario [d]."""

EffectivePoints = Callable[[Array, float], float]
"""Number of independent points that places (n, 2) [m] are worth, where a share of them is found."""


def read_set(
    data_file: DataFile,
    *,
    effective: EffectivePoints | None = None,
    first_exposure: date | None = None,
) -> InspectionSet:
    """Check a file of one of the kinds of inspections.

    `effective` weighs the points of a face, None where its correlation is not known;
    `first_exposure` is what dates of inspections count from.
    """
    kind = data_file.kind
    if any(column.stem == "exposure" for column in kind.columns):
        data_file = _with_exposure(data_file, first_exposure)
    if kind == kinds.CORES:
        return _cores(data_file)
    if kind == kinds.COVER_READINGS:
        return _covers(data_file)
    if kind == kinds.HALF_CELL_AREAS:
        return _areas(data_file)
    if kind == kinds.MIGRATION_TESTS:
        return _migration(data_file)
    if kind in (kinds.COLOUR_DEPTHS, kinds.CARBONATION_DEPTHS):
        return _depths(data_file)
    return _points(data_file, effective)


def _with_exposure(data_file: DataFile, first: date | None) -> DataFile:
    """Return the file with an exposure in every row, from dates where it has those."""
    data, problems = data_file.data, data_file.problems()
    head = data_file.headers
    if ("date" in data) == ("exposure_d" in data):
        problems.add(
            "needs exposure_yr or date, one of them"
            if "date" not in data
            else f"has both {head['exposure_d']} and {head['date']}; keep one of them"
        )
        problems.raise_all()
    column = "date" if "date" in data else "exposure_d"
    blank = data[column].eq("") if column == "date" else data[column].isna()
    for at in np.flatnonzero(blank):
        problems.add(
            "has no value; every row needs one",
            line=int(data[LINE].iloc[at]),
            column=head[column],
        )
    if column == "exposure_d" or problems.texts:
        problems.raise_all()
        return data_file
    if first is None:
        problems.add("needs --first-exposure, the date from which ages count", column=head["date"])
        problems.raise_all()
    assert first is not None
    days = []
    for text, line in zip(data["date"], data[LINE], strict=True):
        found = _days(str(text), first)
        if isinstance(found, str):
            problems.add(found, line=int(line), column=head["date"], found=text)
            found = np.nan
        days.append(found)
    problems.raise_all()
    return dataclasses.replace(data_file, data=data.assign(exposure_d=np.array(days)))


def _days(text: str, first: date) -> float | str:
    """Return the days from first exposure to a date, or what is wrong with it."""
    try:
        found = date.fromisoformat(text.strip())
    except ValueError:
        return "must be a date such as 2031-05-20"
    days = float((found - first).days)
    if days <= 0.0:
        return f"must lie after first exposure on {first.isoformat()}"
    return days


def _cores(data_file: DataFile) -> CoreSet:
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
    problems.raise_all()
    profiles = build_profiles(data_file, keep_limits=True)
    if not given and int(profiles.present.sum(axis=1).max()) < LEAST_LAYERS:
        problems.add(
            "needs error_pct or error_share: no core has the "
            f"{LEAST_LAYERS} layers from which the error of a reading could be fitted"
        )
    check_errors(data_file, problems)
    positions = places(data_file, problems)
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


def _depths(data_file: DataFile) -> DepthSet:
    data, problems = data_file.data, data_file.problems()
    stem = data_file.kind.key_column
    own = ["strategy", "exposure_d", *(["colour_content"] if "colour_content" in data else [])]
    check_specimens(data_file, own, problems)
    problems.raise_all()
    records = []
    for specimen, rows in data.groupby("specimen", sort=False):
        first = rows.iloc[0]
        records.append(
            SpecimenDepths(
                specimen=str(specimen),
                strategy=str(first["strategy"]),
                age=float(first["exposure_d"]) / DAYS_PER_YEAR,
                depths=rows[f"{stem}_mm"].to_numpy(dtype=float),
                error=rows["error_mm"].to_numpy(dtype=float),
                content=float(first.get("colour_content", np.nan)),
            )
        )
    return DepthSet(data_file, tuple(records), data_file.bases.get("colour_content", ""))


def _migration(data_file: DataFile) -> MigrationSet:
    data, problems = data_file.data, data_file.problems()
    check_specimens(data_file, ["error_share"], problems)
    most = data_file.typed("age_d", OLDEST_TEST_D)
    oldest = f"{OLDEST_TEST_D:g} d" if most == OLDEST_TEST_D else f"{most:g} ({OLDEST_TEST_D:g} d)"
    for at in np.flatnonzero(data["age_d"] > OLDEST_TEST_D):
        problems.add(
            f"must be at most {oldest}: an older core has aged on the wall, and its "
            "coefficient is not that of the scenario; convert it by a method that you state, and "
            "give the diffusivity in the scenario",
            line=int(data[LINE].iloc[at]),
            column=data_file.headers["age_d"],
            found=data_file.typed("age_d", float(data["age_d"].iloc[at])),
        )
    problems.raise_all()
    share = data.groupby("specimen", sort=False)["error_share"].first().to_numpy(dtype=float)
    return MigrationSet(data_file, build_migration_tests(data_file), share)


def _covers(data_file: DataFile) -> CoverSet:
    problems = data_file.problems()
    positions = places(data_file, problems)
    stated = stated_effective(data_file, problems)
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


def _areas(data_file: DataFile) -> PointSet:
    data, problems = data_file.data, data_file.problems()
    check_chances(data_file, problems)
    head = data_file.headers
    for row in data.to_dict("records"):
        wrong = {
            name: "must be a whole number"
            for name in ("points", "active_points")
            if row[name] != round(row[name])
        } | {
            name: f"must be at most {head['points']} of its row"
            for name in ("active_points", "effective_points")
            if row[name] > row["points"]
        }
        for name, rule in wrong.items():
            problems.add(
                rule,
                line=int(row[LINE]),
                about=f"area {row['area']}",
                column=head[name],
                found=row[name],
            )
    problems.raise_all()
    return PointSet(
        data_file,
        tuple(
            PointCount(
                event=DEPASSIVATION,
                strategy=str(row["strategy"]),
                age=row["exposure_d"] / DAYS_PER_YEAR,
                found=row["active_points"],
                points=row["points"],
                weight=row["effective_points"] / row["points"],
                detection=row["detection"],
                false_alarm=row["false_alarm"],
                area=str(row["area"]),
            )
            for row in data.to_dict("records")
        ),
    )


SURE: Mapping[str, float] = {"detection": 1.0, "false_alarm": 0.0}
"""Chances where the steel itself was seen."""


def _points(data_file: DataFile, effective: EffectivePoints | None) -> PointSet:
    problems, stem = data_file.problems(), data_file.kind.key_column
    if "detection" in data_file.data:
        check_chances(data_file, problems)
    data: pd.DataFrame = data_file.data.assign(
        **{name: value for name, value in SURE.items() if name not in data_file.data}
    )
    found = yes_no(data_file, stem, problems)
    positions = places(data_file, problems)
    stated = stated_effective(data_file, problems)
    problems.raise_all()
    if stated is None and (positions is None or effective is None):
        problems.add(_needs_effective("x_m and y_m, with [extent] in the scenario,"))
        problems.raise_all()
    weights = np.full(len(data), np.nan if stated is None else stated / len(data))
    if stated is None:
        assert positions is not None
        assert effective is not None
        # all points of a face together: another date or another chance makes none independent
        for strategy in data["strategy"].unique():
            face = (data["strategy"] == strategy).to_numpy()
            own = found[face]
            share = (own.sum() + 0.5) / (own.size + 1.0)
            weights[face] = effective(positions[face], float(share)) / own.size
    counts = []
    keys = ["strategy", "exposure_d", "detection", "false_alarm"]
    for place in data.groupby(keys, sort=False).indices.values():
        row, own = data.iloc[place[0]], found[place]
        counts.append(
            PointCount(
                event=CRACK if data_file.kind == kinds.CRACK_POINTS else DEPASSIVATION,
                strategy=str(row["strategy"]),
                age=float(row["exposure_d"]) / DAYS_PER_YEAR,
                found=float(own.sum()),
                points=float(own.size),
                weight=float(weights[place[0]]),
                detection=float(row["detection"]),
                false_alarm=float(row["false_alarm"]),
            )
        )
    return PointSet(data_file, tuple(counts))


def _needs_effective(places: str) -> str:
    return (
        f"needs {places} or effective_points, the number of independent points that say as much: "
        "neighbouring points fare alike"
    )
