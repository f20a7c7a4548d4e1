"""Which numbers of a run the report shows, as text in its units."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripwise.report import formatting
from stripwise.studies.results import Assessment

__all__ = [
    "HandRow",
    "InputRow",
    "StrategyRow",
    "hand_rows",
    "input_rows",
    "strategy_rows",
]


ZERO_C = 273.15
"""0 degC in K."""


@dataclass(frozen=True, slots=True)
class StrategyRow:
    """One strategy as the table shows it; ranges are empty where there is none."""

    number: int
    name: str
    is_reference: bool
    strip_age: str
    follow_up: str
    effective_curing: str
    penalty: str
    penalty_sd: str
    probability: str
    probability_knowledge: str
    probability_sampling: str
    index: str
    life: str
    life_range: str
    median: str
    change: str
    change_range: str
    status: str
    meets: str


@dataclass(frozen=True, slots=True)
class InputRow:
    """One input as the table shows it."""

    label: str
    name: str
    family: str
    mean: str
    sd: str
    p05: str
    p95: str
    unit: str
    kind: str
    source: str


@dataclass(frozen=True, slots=True)
class HandRow:
    """One step of the hand check, with the result in the reader's unit where it differs."""

    words: str
    symbol: str
    formula: str
    value: str
    other: str


def strategy_rows(assessment: Assessment) -> list[StrategyRow]:
    """Write the strategies table, in the order of the scenario."""
    scenario = assessment.scenario
    table = assessment.strategies.set_index("strategy")
    horizon = scenario.sampling.horizon
    index = _index_at_life(assessment)

    def life(t: float) -> str:
        return formatting.years(t, horizon=horizon)

    rows = []
    for place, strategy in enumerate(scenario.strategies, start=1):
        row = {
            key: float(str(table.at[strategy.name, key]))
            for key in table.columns
            if key not in ("life_status", "meets_target")
        }
        life_range = formatting.interval(*_life_range(assessment, strategy.name, row), life)
        life_range = life_range.replace(" yr to more than ", " to over ")
        reached = life(row["life_at_target_yr"])
        status = str(table.at[strategy.name, "life_status"])
        rows.append(
            StrategyRow(
                number=place,
                name=strategy.name,
                is_reference=strategy.name == scenario.reference_strategy,
                strip_age=formatting.duration(row["strip_age_h"]),
                follow_up=formatting.no_break_spaces(strategy.follow_up.label),
                effective_curing=formatting.duration(row["effective_curing_h"]),
                penalty=formatting.number(row["penalty_mean"]),
                penalty_sd=formatting.number(row["penalty_sd"], 2),
                probability=formatting.percent(row["probability_at_target"]),
                probability_knowledge=_on_one_line(
                    formatting.interval(row["know_low"], row["know_high"], formatting.percent)
                ),
                probability_sampling=_on_one_line(
                    formatting.interval(
                        row["low95"], row["high95"], lambda p: f"{formatting.number(100 * p, 4)} %"
                    )
                ),
                index=formatting.index(index.get(strategy.name, np.nan)),
                life=reached,
                life_range="" if life_range == reached else _on_one_line(life_range),
                median=life(row["median_initiation_yr"]),
                change=formatting.signed_percent(row["life_change_pct"]),
                change_range=_on_one_line(
                    formatting.interval(*_change_range(row), formatting.signed_percent)
                ),
                status="" if status in ("ok", "reference", "nan") else status,
                meets=str(table.at[strategy.name, "meets_target"]),
            )
        )
    return rows


def _life_range(assessment: Assessment, name: str, row: Mapping[str, float]) -> tuple[float, float]:
    """Range of the life over the knowledge inputs, or over the sampling without them.

    At a knowledge point the probability rises with age, so the quantiles of the life are where the
    quantiles of the probability reach the target.
    """
    if not np.isfinite(row["know_high"]):
        return row["life_low95"], row["life_high95"]
    curves, level = assessment.curves, assessment.scenario.target.probability
    own = curves[curves["strategy"] == name].sort_values("age_yr")
    age = own["age_yr"].to_numpy(dtype=float)
    ends = [
        _crossing_age(age, own[k].to_numpy(dtype=float), level) for k in ("know_high", "know_low")
    ]
    return ends[0], ends[1]


def _crossing_age(
    age: NDArray[np.float64], probability: NDArray[np.float64], level: float
) -> float:
    """Age at which a rising curve first reaches a level; inf if it does not."""
    over = np.flatnonzero(probability >= level)
    if not over.size:
        return np.inf
    k = int(over[0])
    if k == 0:
        return float(age[0])
    return float(np.interp(level, probability[k - 1 : k + 1], age[k - 1 : k + 1]))


def _change_range(row: Mapping[str, float]) -> tuple[float, float]:
    """Range of a change of life over the knowledge inputs, or over the sampling without them."""
    if np.isfinite(row["life_change_know_low"]):
        return row["life_change_know_low"], row["life_change_know_high"]
    return row["life_change_low95"], row["life_change_high95"]


def input_rows(assessment: Assessment) -> list[InputRow]:
    """Write the inputs table in the units of the report."""
    units = assessment.scenario.units
    temperatures = {item.name for item in assessment.scenario.inputs if item.is_temperature}
    rows = []
    for _, item in assessment.inputs.iterrows():
        kelvin = str(item["name"]) in temperatures
        unit = "degC" if kelvin else str(item["unit"])
        fixed = item["family"] == "fixed"

        def text(
            column: str, unit: str = unit, item: object = item, zero: float = ZERO_C * kelvin
        ) -> str:
            value = float(item[column])  # type: ignore[index]
            spread = column == "sd"
            value -= 0.0 if spread else zero
            return formatting.number(
                formatting.to_display_unit(value, unit, units=units, difference=spread)
            )

        source = item["source"]
        rows.append(
            InputRow(
                label=str(item["label"]),
                name=str(item["name"]),
                family=str(item["family"]),
                mean=text("mean"),
                sd="" if fixed else text("sd"),
                p05="" if fixed else text("p05"),
                p95="" if fixed else text("p95"),
                unit=formatting.display_unit(unit, units=units),
                kind="" if fixed else str(item["kind"]),
                source=source if isinstance(source, str) else "",
            )
        )
    return rows


def hand_rows(assessment: Assessment) -> list[HandRow]:
    """Write the hand check; its formulas stay in internal units, results are given in both."""
    units = assessment.scenario.units
    rows = []
    for step in assessment.hand_check:
        if step.value == np.inf:
            rows.append(HandRow(step.words, step.symbol, step.formula, "beyond it", ""))
            continue
        own = formatting.amount(step.value, step.unit, units="SI")
        if step.unit == "mm2/yr":  # the formula's own unit, not the tidier one
            own = f"{formatting.number(step.value)} mm²/yr"
        other = formatting.amount(step.value, step.unit, units=units)
        rows.append(
            HandRow(step.words, step.symbol, step.formula, own, other if other != own else "")
        )
    return rows


def _on_one_line(text: str) -> str:
    """Keep a short interval on one line."""
    return text.replace(" ", "\N{NO-BREAK SPACE}") if len(text) < 20 else text


def _index_at_life(assessment: Assessment) -> dict[str, float]:
    life = assessment.scenario.target.service_life
    curves = assessment.curves
    rows = curves[np.isclose(curves["age_yr"], life, rtol=0, atol=1e-9)]
    return {
        str(k): float(v) for k, v in zip(rows["strategy"], rows["reliability_index"], strict=True)
    }
