"""What programs read of the results: CSV with every digit, and a run.json of strict JSON."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from pathlib import PurePath
from typing import Any

import numpy as np
import pandas as pd

from stripwise.errors import OutputError
from stripwise.scenario.model import Scenario
from stripwise.studies.result_tables import CURVE_COLUMNS, SENSITIVITY_COLUMNS, STRATEGY_COLUMNS
from stripwise.studies.results import Assessment

__all__ = [
    "INPUT_COLUMNS",
    "csv_tables",
    "csv_text",
    "json_text",
    "run_record",
    "scenario_record",
]

INPUT_COLUMNS = [
    "name",
    "label",
    "family",
    "mean",
    "sd",
    "p05",
    "p50",
    "p95",
    "unit",
    "kind",
    "group",
    "source",
]


def csv_tables(assessment: Assessment) -> dict[str, str]:
    """Write every table of an assessment as CSV, by file name."""
    return {
        "curves.csv": csv_text(assessment.curves, columns=CURVE_COLUMNS, name="curves"),
        "strategies.csv": csv_text(
            assessment.strategies, columns=STRATEGY_COLUMNS, name="strategies"
        ),
        "sensitivity.csv": csv_text(
            assessment.sensitivity, columns=SENSITIVITY_COLUMNS, name="sensitivity"
        ),
        "inputs.csv": csv_text(assessment.inputs, columns=INPUT_COLUMNS, name="inputs"),
        **_service_tables(assessment),
    }


def _service_tables(assessment: Assessment) -> dict[str, str]:
    """Write the tables of options that the scenario asks for."""
    service = assessment.service
    tables = {
        "mechanisms": service.mechanisms,
        "cracking": service.cracking,
        "extent": service.extent,
        "layers": service.layers,
    }
    return {
        f"{name}.csv": csv_text(table, columns=list(table.columns), name=name)
        for name, table in tables.items()
        if table is not None
    }


def csv_text(table: pd.DataFrame, *, columns: Sequence[str], name: str) -> str:
    """Write one table as CSV so that reading it back gives the same numbers.

    NaN is empty, infinity ``inf``. OutputError, with the `name` of the table, if a column is missing.
    """
    missing = [column for column in columns if column not in table.columns]
    if missing:
        raise OutputError(f"{name}: the table lacks {', '.join(missing)}")
    return str(table[list(columns)].to_csv(index=False, lineterminator="\n"))


def run_record(assessment: Assessment, *, files: Sequence[str]) -> dict[str, Any]:
    """Collect what run.json says about a run that wrote `files`, for `json_text`."""
    return {
        **assessment.run,
        "scenario": scenario_record(assessment.scenario),
        "inputs": assessment.inputs[INPUT_COLUMNS].to_dict("records"),
        "warnings": list(assessment.warnings),
        "verdict": list(assessment.verdict),
        "service_conditions": list(assessment.service.notes),
        "files": list(files),
    }


def scenario_record(scenario: Scenario) -> dict[str, Any]:
    """Collect what run.json says about the scenario: title, file and hash, target, sample sizes."""
    target, sampling = scenario.target, scenario.sampling
    return {
        "title": scenario.title,
        "file": scenario.path.name,
        "sha256": scenario.digest,
        "data_files": dict(scenario.data_files),
        "exposure_class": scenario.exposure_class,
        "service_life_yr": target.service_life,
        "target_probability": target.probability,
        "target_reliability_index": target.reliability_index,
        "reference_strategy": scenario.reference_strategy,
        "strategies": [strategy.name for strategy in scenario.strategies],
        "points": sampling.points,
        "repeats": sampling.repeats,
        "seed": sampling.seed,
        "horizon_yr": sampling.horizon,
    }


def json_text(record: Mapping[str, Any]) -> str:
    """Write a record as strict JSON: NaN becomes null, infinity the text "inf".

    OutputError if a value is of a kind that JSON cannot hold.
    """
    return json.dumps(_to_builtin(record), ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def _to_builtin(value: Any) -> Any:
    if isinstance(value, np.generic | np.ndarray):
        value = value.tolist()
    if isinstance(value, Mapping):
        return {str(key): _to_builtin(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_to_builtin(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None if math.isnan(value) else str(value)
    if isinstance(value, PurePath):
        return value.as_posix()
    if value is None or isinstance(value, str | bool | int | float):
        return value
    raise OutputError(f"run.json: cannot hold a {type(value).__name__}")
