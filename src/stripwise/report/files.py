"""What programs read of the results: CSV with every digit, TOML, and the record for run.json."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import pandas as pd

from stripwise.distributions.distribution import Distribution
from stripwise.errors import OutputError
from stripwise.scenario.model import Scenario
from stripwise.studies.results import Assessment
from stripwise.units.result_columns import columns, required

__all__ = [
    "csv_text",
    "declared_tables",
    "input_toml",
    "run_record",
    "scenario_record",
]


def declared_tables(tables: Mapping[str, pd.DataFrame | None]) -> dict[str, pd.DataFrame]:
    """Select the declared columns of each table, by file name; one that is None is left out.

    OutputError, with the name of the table, if a column is missing.
    """
    chosen = {}
    for name, table in tables.items():
        if table is None:
            continue
        missing = [column for column in required(name) if column not in table.columns]
        if missing:
            raise OutputError(f"{name}: the table lacks {', '.join(missing)}")
        chosen[f"{name}.csv"] = table[[one for one in columns(name) if one in table.columns]]
    return chosen


def csv_text(table: pd.DataFrame) -> str:
    """Write one table as CSV so that reading it back gives the same numbers.

    NaN is empty, infinity ``inf``.
    """
    return str(table.to_csv(index=False, lineterminator="\n"))


def input_toml(
    distribution: Distribution,
    *,
    unit: str,
    source: str,
    about: Sequence[str],
    kind: str = "scatter",
    nominal: float | None = None,
    mean_sd: float | None = None,
) -> str:
    """Write a distribution as a TOML file with one table, [input], that a scenario can name.

    A cover of a known `nominal` is written with it and its bias, in place of the mean; `mean_sd`
    is the epistemic sd of its mean.

    `unit` is spelt as in a scenario, `kind` is "scatter" or "knowledge", and `about` are lines of
    comment for the reader of the file.
    """

    def quantity(number: float) -> str:
        return f'"{number:.6g} {unit}"'

    lines = [*(f"# {line}" for line in about), "[input]"]
    if distribution.is_fixed:
        lines.append(f"value = {quantity(distribution.mean)}")
    else:
        lines += [
            f'family = "{distribution.family}"',
            *_mean_lines(distribution.parent_mean, nominal, quantity),
            f"sd = {quantity(distribution.parent_sd)}",
        ]
        if distribution.family == "beta":
            lines += [
                f"low = {quantity(distribution.low)}",
                f"high = {quantity(distribution.high)}",
            ]
    if mean_sd is not None:
        lines.append(f"mean_sd = {quantity(mean_sd)}")
    lines += [f'kind = "{kind}"', f"source = {json.dumps(source, ensure_ascii=False)}"]
    return "\n".join(lines) + "\n"


def _mean_lines(mean: float, nominal: float | None, quantity: Callable[[float], str]) -> list[str]:
    if nominal is None:
        return [f"mean = {quantity(mean)}"]
    return [f"nominal = {quantity(nominal)}", f"bias = {quantity(mean - nominal)}"]


def run_record(assessment: Assessment) -> dict[str, Any]:
    """Collect what run.json says about a run, for `strict_json.json_text`."""
    return {
        **assessment.run,
        "scenario": scenario_record(assessment.scenario),
        "inputs": assessment.inputs[columns("inputs")].to_dict("records"),
        "warnings": list(assessment.warnings),
        "verdict": list(assessment.verdict),
        "service_conditions": list(assessment.service.notes),
    }


def scenario_record(scenario: Scenario) -> dict[str, Any]:
    """Collect what run.json says about the scenario: title, file and hash, target, sample sizes."""
    target, sampling = scenario.target, scenario.sampling
    return {
        "title": scenario.title,
        "file": scenario.path.name,
        "sha256": scenario.digest,
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
