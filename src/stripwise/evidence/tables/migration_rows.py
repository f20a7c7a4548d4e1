"""Which migration coefficient each specimen of a file has.

Axes: g specimens.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.evidence.profiles.migration_test import migration_coefficient
from stripwise.evidence.tables.data_file import LINE, DataFile
from stripwise.evidence.tables.slips import MOST_SLIPS, is_tenfold

__all__ = ["MigrationTests", "build_migration_tests"]

Array = NDArray[np.float64]

SETTINGS = ("voltage_V", "thickness_mm", "temperature_degC", "duration_d")
RELATIVE_STEP = 1e-4
"""Relative step in depth of the central difference for error propagation."""

USUAL_COEFFICIENT = (0.1, 100.0)
"""Range of D_nssm [1e-12 m2/s] beyond which a slip is likely; a plausibility limit of this project."""

METHOD_RANGES = (
    ("voltage_V", (10.0, 60.0), "V", 1.0),
    ("duration_d", (6.0, 96.0), "h", 24.0),
)
"""Ranges of the test method (NT Build 492, 1999, table of voltages and durations, recalled)."""

USUAL_TEMPERATURE = (20.0, 25.0)
"""Range of the test method [degC] (NT Build 492, 1999, recalled)."""


@dataclass(frozen=True, slots=True)
class MigrationTests:
    """Migration coefficients of g specimens.

    Attributes
    ----------
    specimens, strategies
        g names.
    penetration, readings
        (g,) mean depth of the colour change [mm], and the number of readings in it.
    coefficient
        (g,) D_nssm [m2/s].
    log_variance
        (g,) variance of ln D_nssm by the scatter of the readings; 0 for a single reading.
    age
        (g,) age at the test [d]; NaN where the file does not say.
    settings
        Voltage, thickness, temperature, duration of each specimen.
    notes
        What a reader should know.
    """

    specimens: tuple[str, ...]
    strategies: tuple[str, ...]
    penetration: Array
    readings: NDArray[np.intp]
    coefficient: Array
    log_variance: Array
    age: Array
    settings: pd.DataFrame
    notes: tuple[str, ...]


def build_migration_tests(data_file: DataFile) -> MigrationTests:
    """Compute the migration coefficients of a file of kind migration, in the order of the file.

    The readings of penetration of one specimen are averaged.
    """
    rows = data_file.data.copy()
    if "age_d" not in rows:
        rows["age_d"] = np.nan
    rows["code"], names = pd.factorize(rows["specimen"])
    _check_rows(rows, data_file)
    groups = rows.groupby("code")
    first = groups.first()
    depth = groups["penetration_mm"].mean().to_numpy()
    count = np.asarray(groups.size(), dtype=np.intp)
    error = groups["penetration_mm"].std().fillna(0.0).to_numpy() / np.sqrt(count)

    def coefficient(x: Array) -> Array:
        voltage, thickness, temperature, duration = (first[c].to_numpy(float) for c in SETTINGS)
        return migration_coefficient(
            x, voltage=voltage, thickness=thickness, temperature=temperature, hours=24.0 * duration
        )

    coefficients = coefficient(depth)
    _check_coefficients(coefficients, first, names, data_file)
    with np.errstate(invalid="ignore", divide="ignore"):
        forward, backward = (
            coefficient(depth * (1.0 + RELATIVE_STEP)),
            coefficient(depth * (1.0 - RELATIVE_STEP)),
        )
        slope = np.log(forward / backward) / (2.0 * RELATIVE_STEP)
    return MigrationTests(
        specimens=tuple(str(name) for name in names),
        strategies=tuple(str(name) for name in first["strategy"]),
        penetration=depth,
        readings=count,
        coefficient=coefficients * 1e-12,
        log_variance=np.nan_to_num((slope * error / depth) ** 2),
        age=first["age_d"].to_numpy(dtype=float),
        settings=first[list(SETTINGS)].reset_index(drop=True),
        notes=(*_tenfold_readings(rows), *_notes(first, names, coefficients)),
    )


def _check_rows(rows: pd.DataFrame, data_file: DataFile) -> None:
    problems = data_file.problems()
    for name in ("strategy", *SETTINGS, "age_d"):
        value = rows[name]
        first = rows.groupby("code")[name].transform("first")
        for at in np.flatnonzero(value.ne(first) & ~value.isna()):
            problems.add(
                "a specimen has one test; give the other one a name of its own",
                line=int(rows[LINE].iloc[at]),
                about=f"specimen {rows['specimen'].iloc[at]}",
                column=data_file.headers[name],
                found=data_file.typed(name, value.iloc[at]),
            )
    for at in np.flatnonzero(rows["penetration_mm"] >= rows["thickness_mm"]):
        problems.add(
            "reaches through the specimen, which then tells no coefficient; leave it out",
            line=int(rows[LINE].iloc[at]),
            about=f"specimen {rows['specimen'].iloc[at]}",
            column=data_file.headers["penetration_mm"],
            found=data_file.typed("penetration_mm", rows["penetration_mm"].iloc[at]),
        )
    problems.raise_all()


def _check_coefficients(
    coefficients: Array, first: pd.DataFrame, names: pd.Index, data_file: DataFile
) -> None:
    problems = data_file.problems()
    for at in np.flatnonzero(~np.isfinite(coefficients)):
        problems.add(
            "is too small for the equation of the test at this voltage and thickness; check the "
            "units, or test longer",
            line=int(first[LINE].iloc[at]),
            about=f"specimen {names[int(at)]}",
            column=data_file.headers["penetration_mm"],
            found=data_file.typed("penetration_mm", first["penetration_mm"].iloc[at]),
        )
    problems.raise_all()


def _tenfold_readings(rows: pd.DataFrame) -> tuple[str, ...]:
    """Tell readings about a power of ten from the median of their strategy, with their lines."""
    depth = rows["penetration_mm"]
    ratio = depth / rows.groupby("strategy")["penetration_mm"].transform("median")
    slips = rows[is_tenfold(ratio)]
    return tuple(
        f"Line {int(row[LINE])}, specimen {row['specimen']}: the penetration "
        f"{row['penetration_mm']:g} mm is about a power of ten from the others of its strategy; is "
        "the decimal point in its place?"
        for row in slips.head(MOST_SLIPS).to_dict("records")
    )


def _notes(first: pd.DataFrame, names: pd.Index, coefficients: Array) -> tuple[str, ...]:
    notes = []
    lowest, highest = USUAL_COEFFICIENT
    unlikely = (coefficients < lowest) | (coefficients > highest)
    if unlikely.any():
        at = int(np.argmax(unlikely))
        notes.append(
            f"Specimens with a coefficient outside {lowest:g} to {highest:g} e-12 m2/s: "
            f"{int(unlikely.sum())}, the first {names[at]} with {coefficients[at]:.3g}e-12 m2/s. "
            "Check the units and the columns."
        )
    for key, (least, most), unit, factor in METHOD_RANGES:
        value = factor * first[key].to_numpy(dtype=float)
        off = np.flatnonzero((value < least) | (value > most))
        if off.size:
            notes.append(
                f"Specimens tested outside the {least:g} to {most:g} {unit} of NT Build 492: "
                f"{off.size}, the first {names[int(off[0])]} on line {int(first[LINE].iloc[off[0]])} "
                f"with {value[off[0]]:g} {unit}."
            )
    swapped = (first["voltage_V"].between(*USUAL_TEMPERATURE)) & (
        first["temperature_degC"] > USUAL_TEMPERATURE[1]
    )
    if swapped.any():
        at = int(np.argmax(swapped.to_numpy()))
        notes.append(
            f"Voltage and temperature look swapped for {int(swapped.sum())} specimens, the first "
            f"{names[at]} on line {int(first[LINE].iloc[at])}; check the columns."
        )
    low, high = USUAL_TEMPERATURE
    outside = (first["temperature_degC"] < low) | (first["temperature_degC"] > high)
    if outside.any():
        notes.append(
            f"Specimens tested outside {low:g} to {high:g} degC, the range of the method: "
            f"{int(outside.sum())}, the first {names[int(np.argmax(outside.to_numpy()))]}."
        )
    ages = first["age_d"].dropna().unique()
    if len(ages) == 0:
        notes.append(
            "The file does not give the age at the test (age_d). The coefficient holds at that age, "
            "and a scenario needs it as diffusivity_age."
        )
    elif len(ages) > 1:
        notes.append(
            f"Ages at the test run from {ages.min():g} to {ages.max():g} d: the coefficient falls "
            "with age, and strategies tested at different ages cannot be compared."
        )
    return tuple(notes)
