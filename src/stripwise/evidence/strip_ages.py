"""The equivalent age at which each pour of a strip log lost its form, and their distribution."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.curing.maturity import MATURITY_FUNCTIONS, MaturityFunction, equivalent_age
from stripwise.errors import EvidenceError, InputError
from stripwise.evidence.statistics.family_fit import FittedFamily, fit_families
from stripwise.evidence.tables.data_file import LINE, DataFile
from stripwise.evidence.tables.logger_files import TemperatureRecord, clip_record, read_logger
from stripwise.evidence.tables.slips import duration_slips
from stripwise.evidence.tables.table_problems import TableProblems
from stripwise.evidence.tables.timestamps import Zone, read_times
from stripwise.published.library import constant
from stripwise.units.names import printable, slug
from stripwise.units.result_columns import columns
from stripwise.units.source_files import SourceFile

__all__ = ["AGE_COLUMNS", "StripLog", "analyse_strip_log"]

Array = NDArray[np.float64]

MAX_STRIP_AGE = 60.0 * 24.0
"""Longest plausible strip age [h]."""

MIN_POURS = 10
"""Pours below which a warning calls the distribution of strip ages uncertain."""

AGE_COLUMNS = {
    "arrhenius": "equivalent_arrhenius_h",
    "nurse-saul": "equivalent_nurse_saul_h",
    "clock": "clock_h",
}
"""Columns of the strip ages, by maturity function."""


@dataclass(frozen=True, slots=True)
class StripLog:
    """A strip log, analysed.

    Attributes
    ----------
    pours
        One row per pour and face: clock age and equivalent ages at stripping [h], temperatures
        [degC], whether the specified age was missed.
    reference_c
        Temperature at which an hour counts as an hour [degC].
    activation_temperature
        Q of the Arrhenius function [K].
    datum_c
        T0 of the Nurse-Saul function [degC].
    function
        The function by which pours are judged and the distribution is fitted.
    specified
        Specified equivalent age at stripping [h]; None where none was given.
    distributions
        Families fitted to each of `AGE_COLUMNS`, best first; empty where fewer than two ages differ.
    warnings
        What to know before using the numbers.
    sources
        Temperature files that were read.
    """

    pours: pd.DataFrame
    reference_c: float
    activation_temperature: float
    datum_c: float
    function: MaturityFunction
    specified: float | None
    distributions: dict[str, tuple[FittedFamily, ...]]
    warnings: tuple[str, ...]
    sources: tuple[SourceFile, ...]


def analyse_strip_log(
    data_file: DataFile,
    *,
    zone: Zone | None,
    loggers: Path | None = None,
    function: MaturityFunction = "arrhenius",
    reference_c: float | None = None,
    activation_temperature: float | None = None,
    datum_c: float | None = None,
    specified: float | None = None,
    skip_bad: bool | None = None,
) -> StripLog:
    """Work out the strip age of every pour of a file of kind strip-log.

    Parameters
    ----------
    zone
        Zone of times without an offset.
    loggers
        Folder with a temperature file per pour, named after the pour.
    reference_c
        Temperature at which an hour counts as an hour [degC]; 20 unless given.
    activation_temperature, datum_c
        Q [K] and T0 [degC]; 5000 K and 0 degC unless given.
    specified
        Specified equivalent age at stripping [h].
    skip_bad
        Whether readings of loggers that cannot be used are left out.

    Raises
    ------
    EvidenceError
        If a time or temperature cannot be used; one line per problem.

    References
    ----------
    ASTM C1074, Estimating Concrete Strength by the Maturity Method: equivalent age function with
    Q 5000 K, temperature-time factor with T0 0 degC (recalled).
    """
    if reference_c is None:
        reference_c = constant("maturity.reference_temperature.europe")
    if activation_temperature is None:
        activation_temperature = constant("maturity.activation_temperature")
    if datum_c is None:
        datum_c = constant("maturity.datum_temperature")
    problems = data_file.problems()
    placed, removed = _placed_and_removed(data_file, zone, problems)
    _check_pours(data_file, placed, removed, problems)
    problems.raise_all()
    records = _TemperatureSources(data_file, zone, loggers, skip_bad)
    temperatures = _pour_temperatures(data_file, records, placed, removed, problems)
    problems.raise_all()
    data = data_file.data
    pours = pd.DataFrame(
        {
            "pour": data["pour"],
            "face": data["face"] if data_file.has("face") else "",
            "placed_utc": _utc_texts(placed),
            "removed_utc": _utc_texts(removed),
            "placed_log": data["placed"],
            "removed_log": data["removed"],
            "clock_h": np.round(removed - placed, 6),
            "temperature_source": [item.source for item in temperatures],
            "follow_up": data["follow_up"] if data_file.has("follow_up") else "",
            "misses": "",
            "notes": [item.notes for item in temperatures],
        }
    )
    # all intervals of all pours in one array, so that one call sums them
    pour_index = np.repeat(np.arange(len(temperatures)), [item.hours.size for item in temperatures])
    hours = np.concatenate([item.hours for item in temperatures])
    degrees = np.concatenate([item.degrees for item in temperatures])
    total = np.bincount(pour_index, weights=hours)
    pours["temperature_mean_degC"] = np.bincount(pour_index, weights=hours * degrees) / total
    pours["temperature_min_degC"] = pd.Series(degrees).groupby(pour_index).min()
    for name in MATURITY_FUNCTIONS:
        age = equivalent_age(
            hours,
            degrees,
            function=name,
            reference_c=reference_c,
            activation_temperature=activation_temperature,
            datum_c=datum_c,
        )
        pours[AGE_COLUMNS[name]] = np.bincount(pour_index, weights=age)
    pours = pours[columns("pours")]
    if specified is not None:
        pours["misses"] = np.where(pours[AGE_COLUMNS[function]] < specified, "yes", "no")
    distributions = {
        name: fit_families(pours[column].to_numpy(dtype=float))
        for name, column in AGE_COLUMNS.items()
    }
    return StripLog(
        pours,
        reference_c,
        activation_temperature,
        datum_c,
        function,
        specified,
        distributions,
        (*_warnings(data_file, pours), *duration_slips(pours, data[LINE]), *records.notes()),
        records.sources(),
    )


def _placed_and_removed(
    data_file: DataFile, zone: Zone | None, problems: TableProblems
) -> tuple[Array, Array]:
    """Return placing and stripping [h since 1970, UTC], read with one format of dates."""
    data, headers = data_file.data, data_file.headers
    both = read_times(
        pd.concat([data["placed"], data["removed"]], ignore_index=True),
        lines=pd.concat([data[LINE], data[LINE]], ignore_index=True),
        column=f"{headers['placed']} or {headers['removed']}",
        zone=zone,
        problems=problems,
    )
    return both[: len(data)], both[len(data) :]


def _check_pours(
    data_file: DataFile, placed: Array, removed: Array, problems: TableProblems
) -> None:
    data, headers = data_file.data, data_file.headers
    with np.errstate(invalid="ignore"):
        early, late = removed <= placed, removed - placed > MAX_STRIP_AGE
    for rows, rule in (
        (early, f"must be after {headers['placed']}"),
        (
            late,
            f"is more than {MAX_STRIP_AGE / 24.0:g} d after {headers['placed']}; check the dates",
        ),
    ):
        for pour in data[rows].to_dict("records"):
            problems.add(
                rule,
                line=pour[LINE],
                about=pour["pour"],
                column=headers["removed"],
                found=f"{pour['removed']} (placed {pour['placed']})",
            )
    keys = ["pour", *(name for name in ("face",) if data_file.has(name))]
    for row in data[data.duplicated(keys)].to_dict("records"):
        problems.add(
            "stands in an earlier row too; give each pour one row"
            + (" per face" if "face" in keys else ""),
            line=row[LINE],
            column=headers["pour"],
            found=row["pour"],
        )


@dataclass(frozen=True, slots=True)
class _Temperatures:
    """Lengths of intervals [h] and the mean temperature in each [degC], of one pour."""

    hours: Array
    degrees: Array
    source: str
    notes: str = ""


def _pour_temperatures(
    data_file: DataFile,
    records: _TemperatureSources,
    placed: Array,
    removed: Array,
    problems: TableProblems,
) -> list[_Temperatures]:
    temperatures = []
    for at, pour in enumerate(data_file.data.to_dict("records")):
        try:
            temperatures.append(records.for_pour(pour, float(placed[at]), float(removed[at])))
        except InputError as error:
            problems.add(f"{error.where}: {error.problem}", line=pour[LINE], about=pour["pour"])
        except EvidenceError as error:
            for text in error.problems:
                problems.add(text, line=pour[LINE], about=pour["pour"])
    return temperatures


class _TemperatureSources:
    """Finds the temperatures of a pour: a mean, a file it names, or a file called by its name."""

    def __init__(
        self,
        data_file: DataFile,
        zone: Zone | None,
        loggers: Path | None,
        skip_bad: bool | None,
    ) -> None:
        self._folder = data_file.path.parent
        self._zone = zone
        self._loggers = loggers
        self._skip_bad = skip_bad
        self._cache: dict[Path, dict[str, TemperatureRecord]] = {}
        self._unusable: set[Path] = set()
        if loggers is not None and not loggers.is_dir():
            raise InputError("--loggers", f"{loggers} is no folder")

    def for_pour(self, pour: dict[Any, Any], start: float, end: float) -> _Temperatures:
        """Return the temperatures of a pour from placing to stripping."""
        mean = float(pour.get("temperature_degC", np.nan))
        named = pour.get("temperature_file", "")
        if np.isfinite(mean) and named:
            raise InputError(
                "temperature", f"is given as a mean and as {printable(named)}; keep one of them"
            )
        if np.isfinite(mean):
            return _Temperatures(np.array([end - start]), np.array([mean]), "mean")
        path = self._logger_path(pour["pour"], named)
        records = self._read_records(path)
        record = records.get("") or records.get(pour["pour"])
        if record is None:
            raise InputError(
                logger_file_name(path), "has no reading of this pour in its column pour"
            )
        hours, degrees, notes = clip_record(record, start=start, end=end)
        return _Temperatures(hours, degrees, record.source, "; ".join(notes))

    def sources(self) -> tuple[SourceFile, ...]:
        """Return the files that were read so far."""
        found = (record for records in self._cache.values() for record in records.values())
        return tuple(dict.fromkeys(SourceFile(item.source, item.sha256) for item in found))

    def notes(self) -> tuple[str, ...]:
        """Return what to know about the files that were read so far."""
        found = (record for records in self._cache.values() for record in records.values())
        return tuple(dict.fromkeys(note for item in found for note in item.notes))

    def _read_records(self, path: Path) -> dict[str, TemperatureRecord]:
        if path in self._unusable:
            raise InputError(logger_file_name(path), "cannot be used; see above")
        if path not in self._cache:
            try:
                self._cache[path] = read_logger(path, zone=self._zone, skip_bad=self._skip_bad)
            except EvidenceError:
                self._unusable.add(path)
                raise
        return self._cache[path]

    def _logger_path(self, pour: str, named: str) -> Path:
        if named:
            path = (self._folder / named).resolve()
            allowed_folders = [self._folder.resolve()]
            if self._loggers is not None:
                path = path if path.exists() else (self._loggers / named).resolve()
                allowed_folders.append(self._loggers.resolve())
            if not any(path.is_relative_to(folder) for folder in allowed_folders):
                raise InputError(
                    "temperature_file",
                    f"{printable(named)} must lie in the folder of the log or of --loggers",
                )
            return path
        if self._loggers is None:
            raise InputError(
                "temperature",
                "has no value; give temperature_degC, temperature_file or --loggers DIR",
            )
        options = [
            self._loggers / f"{name}.csv"
            for name in dict.fromkeys((slug(pour), pour))
            if "/" not in name and "\\" not in name
        ]
        existing = next((path for path in options if path.is_file()), None)
        if existing is None:
            raise InputError("--loggers", f"holds no file {options[0].name} for this pour")
        return existing


def logger_file_name(path: Path) -> str:
    """Return the name of a logger's file, safe to print."""
    return printable(path.name, 100).strip('"')


def _utc_texts(hours: Array) -> pd.Series[str]:
    times = pd.Timestamp(0) + pd.to_timedelta(np.round(hours * 3600.0), unit="s")
    return pd.Series(times.strftime("%Y-%m-%dT%H:%M:%SZ"))


def _warnings(data_file: DataFile, pours: pd.DataFrame) -> tuple[str, ...]:
    warnings = list(data_file.notes)
    cold = pours[pours["temperature_min_degC"] <= 0.0]
    if len(cold):
        warnings.append(
            f"Concrete at or below 0 degC before stripping: {_first_names(cold['pour'])}. The maturity "
            "functions do not hold for concrete that freezes, and frost is a matter of its own."
        )
    with_notes = pours[pours["notes"] != ""]
    warnings += [
        f"{row['pour']}: {row['notes']}." for row in with_notes.head(10).to_dict("records")
    ]
    if len(with_notes) > 10:
        warnings.append(f"{len(with_notes) - 10} more pours have notes, see pours.csv.")
    if len(pours) < MIN_POURS:
        warnings.append(
            f"{len(pours)} pours are few for a distribution: its mean and sd are uncertain, and "
            "that uncertainty is not in the file for the scenario."
        )
    if (pours["temperature_source"] == "mean").any():
        warnings.append(
            "A mean temperature gives a slightly lower age by the Arrhenius function than a logger "
            "would: the rate rises more above the mean than it falls below."
        )
    return tuple(warnings)


def _first_names(names: pd.Series[str]) -> str:
    shown = ", ".join(names.head(5))
    return shown if len(names) <= 5 else f"{shown} and {len(names) - 5} more"
