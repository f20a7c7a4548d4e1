"""What a revision of a scenario changed: a run beside the results of an earlier one."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from stripwise.errors import InputError
from stripwise.studies.results import Assessment
from stripwise.units.result_columns import columns
from stripwise.units.self_hash import holds_own_hash
from stripwise.units.source_files import SourceFile

__all__ = ["EarlierRun", "Revision", "compare_runs", "read_run"]

OPTION = "--against"
RUN_JSON = "run.json"
CHANGED = "was changed since stripwise wrote it"
COMPARED = {
    "probability_at_target": "probability",
    "meets_target": "meets_target",
    "confidence": "confidence",
    "life_at_target_yr": "life_yr",
}
"""Columns of strategies.csv that are compared, with their names before "_before" and "_now"."""
QUANTILES = ("p05", "p95")
INPUT_COLUMNS = ("family", "mean", "sd", *QUANTILES, "kind", "between_walls")
CURING = {"strip_age_h": ("strip age", 1e-9), "effective_curing_h": ("effective curing", 0.01)}
"""What tells a change of curing, with how near two values count as the same: one is sampled."""
FACTS = {
    "service_life_yr": "service life [yr]",
    "target_probability": "allowed probability",
    "reference_strategy": "reference strategy",
    "points": "points of a repeat",
    "repeats": "repeats",
    "seed": "seed",
    "horizon_yr": "horizon [yr]",
}
"""What run.json says of the scenario beside its inputs."""


@dataclass(frozen=True, slots=True)
class EarlierRun:
    """Results of a run as they lie in a folder: run.json, strategies.csv and inputs.csv."""

    folder: Path
    record: Mapping[str, Any]
    strategies: pd.DataFrame
    inputs: pd.DataFrame
    sources: tuple[SourceFile, ...]


@dataclass(frozen=True, slots=True)
class Revision:
    """Two runs side by side.

    Attributes
    ----------
    earlier
        The run that is compared with.
    table
        A row per strategy of either run, the columns of `against`.
    changes
        What, before, now, and unit of everything given that differs; empty cells where one of the
        runs lacks it.
    """

    earlier: EarlierRun
    table: pd.DataFrame
    changes: pd.DataFrame


def read_run(folder: Path) -> EarlierRun:
    """Read the results that `stripwise run` wrote to a folder.

    InputError if it holds none, or if a file was changed since.
    """
    try:
        data = (folder / RUN_JSON).read_bytes()
        record = json.loads(data)
    except (OSError, ValueError, RecursionError):
        data, record = b"", {}
    command = record.get("command") if isinstance(record, dict) else None
    if command != "run" or record.get("program") != "stripwise":
        holds = f", not those of stripwise {command}" if command else "; it holds none"
        raise InputError(OPTION, f"{folder}: must hold the results of `stripwise run`{holds}")
    hashes = record.get("sha256")
    known = hashes if isinstance(hashes, dict) else {}
    told = known.get(RUN_JSON)
    if isinstance(told, str) and not holds_own_hash(data, told):
        raise InputError(OPTION, f"{folder / RUN_JSON}: {CHANGED}")
    sources = [_source(folder, RUN_JSON, data)]
    tables = []
    for name in ("strategies.csv", "inputs.csv"):
        try:
            data = (folder / name).read_bytes()
        except OSError as error:
            raise InputError(OPTION, f"{folder / name}: cannot be read") from error
        sources.append(_source(folder, name, data))
        if sources[-1].sha256 != known.get(name):
            raise InputError(OPTION, f"{folder / name}: {CHANGED}")
        tables.append(pd.read_csv(io.BytesIO(data), keep_default_na=False, na_values=[""]))
    strategies, inputs = tables
    return EarlierRun(folder, record, strategies, inputs, tuple(sources))


def _source(folder: Path, name: str, data: bytes) -> SourceFile:
    return SourceFile(f"{folder.name}/{name}", sha256(data).hexdigest())


def compare_runs(assessment: Assessment, earlier: EarlierRun) -> Revision:
    """Put a run beside an earlier one: strategies by name, and what was given."""
    before, now = (_by(x, "strategy") for x in (earlier.strategies, assessment.strategies))
    rows = []
    for name in dict.fromkeys([*now, *before]):
        row: dict[str, Any] = {"strategy": name}
        for column, short in COMPARED.items():
            row[f"{short}_before"] = before.get(name, {}).get(column, np.nan)
            row[f"{short}_now"] = now.get(name, {}).get(column, np.nan)
        row["probability_change"] = row["probability_now"] - row["probability_before"]
        row["status"] = "gone" if name not in now else "both" if name in before else "new"
        rows.append(row)
    changes = [
        *_changed_facts(assessment, earlier.record.get("scenario", {})),
        *_changed_curing(before, now),
        *_changed_inputs(earlier.inputs, assessment.inputs),
    ]
    return Revision(
        earlier,
        pd.DataFrame(rows).reindex(columns=columns("against")),
        pd.DataFrame(changes, columns=["what", "before", "now", "unit"]),
    )


def _changed_facts(assessment: Assessment, before: Mapping[str, Any]) -> list[dict[str, Any]]:
    scenario = assessment.scenario
    now = {
        "service_life_yr": scenario.target.service_life,
        "target_probability": scenario.target.probability,
        "reference_strategy": scenario.reference_strategy,
        "points": scenario.sampling.points,
        "repeats": scenario.sampling.repeats,
        "seed": scenario.sampling.seed,
        "horizon_yr": scenario.sampling.horizon,
    }
    return [
        {"what": words, "before": before.get(key), "now": now[key], "unit": ""}
        for key, words in FACTS.items()
        if before.get(key) != now[key]
    ]


def _changed_curing(
    before: Mapping[str, Mapping[str, Any]], now: Mapping[str, Mapping[str, Any]]
) -> list[dict[str, Any]]:
    return [
        {
            "what": f"{name}, {words}",
            "before": before[name][column],
            "now": now[name][column],
            "unit": "h",
        }
        for column, (words, rtol) in CURING.items()
        for name in now
        if name in before and not _same(before[name][column], now[name][column], rtol=rtol)
    ]


def _changed_inputs(before: pd.DataFrame, now: pd.DataFrame) -> list[dict[str, Any]]:
    """List the inputs of which anything differs, and of each what does."""
    one, other = _by(before, "name"), _by(now, "name")
    found = []
    for name in dict.fromkeys([*other, *one]):
        old, new = one.get(name), other.get(name)
        shown = new or old or {}
        label = str(shown["label"])
        if old is None or new is None:
            there = ("is there", "") if new is None else ("", "is there")
            found.append({"what": label, "before": there[0], "now": there[1], "unit": ""})
            continue
        differing = [c for c in INPUT_COLUMNS if not _same(old[c], new[c])]
        if {"mean", "sd"} & set(differing):  # then the quantiles follow
            differing = [c for c in differing if c not in QUANTILES]
        for column in differing:
            words = "share between walls" if column == "between_walls" else column
            has_unit = column in ("mean", "sd", *QUANTILES) and isinstance(shown["unit"], str)
            found.append(
                {
                    "what": f"{label}, {words}",
                    "before": old[column],
                    "now": new[column],
                    "unit": shown["unit"] if has_unit else "",
                }
            )
    return found


def _by(table: pd.DataFrame, column: str) -> dict[str, dict[str, Any]]:
    """Return the rows of a table by the text in one column."""
    return {str(row[column]): {**row} for row in table.to_dict(orient="records")}  # type: ignore[dict-item]


def _same(a: Any, b: Any, *, rtol: float = 1e-9) -> bool:
    """Whether two cells agree, numbers to nine digits unless told otherwise."""
    numbers = (int, float, np.integer, np.floating)
    if isinstance(a, numbers) and isinstance(b, numbers):
        return bool(np.isclose(a, b, rtol=rtol, atol=0.0, equal_nan=True))
    return bool(a == b) or (pd.isna(a) and pd.isna(b))
