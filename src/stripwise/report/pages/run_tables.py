"""Which numbers of a run the report shows, as tables in its units."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup
from numpy.typing import NDArray

from stripwise.report.components import Cell, Column, Table, numeric
from stripwise.report.prose import sentence
from stripwise.report.render import math
from stripwise.scenario.model import Scenario
from stripwise.studies.decision import manner
from stripwise.studies.results import Assessment, HandStep
from stripwise.units import formatting
from stripwise.units.formatting import duration, interval, number, percent, years

__all__ = [
    "hand_table",
    "has_knowledge",
    "input_table",
    "scenario_inputs",
    "step_table",
    "strategy_rows",
    "strategy_table",
    "terminal_table",
]

ZERO_C = 273.15
"""0 degC in K."""

Row = Mapping[Any, Any]


def has_knowledge(assessment: Assessment) -> bool:
    """Whether the run has an uncertainty range."""
    return bool(assessment.curves["know_high"].notna().any())


def strategy_rows(assessment: Assessment) -> list[Row]:
    """Collect what the table says of each strategy, in the order of the scenario.

    Beside the columns of strategies.csv: number, is_reference, follow_up, index at the service life,
    and the ends of the intervals of life and change (the uncertainty range, or the sampling interval
    where nothing is epistemic).
    """
    scenario = assessment.scenario
    table = assessment.strategies.set_index("strategy", drop=False)
    index = _index_at_life(assessment)
    rows: list[Row] = []
    for place, strategy in enumerate(scenario.strategies, start=1):
        row: dict[Any, Any] = table.loc[strategy.name].to_dict()
        known = np.isfinite(row["life_change_know_low"])
        ends = ("know_low", "know_high") if known else ("low95", "high95")
        rows.append(
            row
            | {
                "number": place,
                "is_reference": strategy.name == scenario.reference_strategy,
                "follow_up": strategy.follow_up.label,
                "index": index.get(strategy.name, np.nan),
                "life": _life_interval(assessment, strategy.name, row),
                "change": tuple(row[f"life_change_{end}"] for end in ends),
            }
        )
    return rows


def strategy_table(assessment: Assessment) -> Table:
    """Set the strategies side by side."""
    target, horizon = assessment.scenario.target, assessment.scenario.sampling.horizon
    small = (
        "uncertainty range (95 %); sampling intervals are in strategies.csv"
        if has_knowledge(assessment)
        else "95 % sampling interval"
    )

    def life(t: float) -> str:
        return years(t, horizon=horizon)

    def reached(row: Row) -> Cell:
        ends = interval(row["life"][0], row["life"][1], life)
        return Cell(life(row["life_at_target_yr"]), ends.replace(" yr to more than ", " to over "))

    return Table(
        f"In grey: {small}. The change of life is  against the reference strategy (bold).",
        (
            numeric("No.", "number", str),
            Column(
                "Strategy",
                write=lambda r: Cell(r["strategy"], "reference" if r["is_reference"] else ""),
            ),
            _meets_column(),
            numeric("Confidence", "confidence", formatting.confidence),
            Column(
                "Strip age, curing after stripping",
                write=lambda r: Cell(duration(r["strip_age_h"]), r["follow_up"]),
            ),
            numeric("Effective curing", "effective_curing_h", duration, kind="tight"),
            numeric(
                Markup("Penalty k<sub>c</sub> mean, sd"),
                write=lambda r: Cell(number(r["penalty_mean"]), number(r["penalty_sd"], 2)),
            ),
            numeric(
                f"Probability at {years(target.service_life)}",
                write=lambda r: Cell(
                    percent(r["probability_at_target"]),
                    interval(r["know_low"], r["know_high"], percent)
                    or interval(r["low95"], r["high95"], percent),
                ),
            ),
            numeric(
                f"Index (target {formatting.index(target.reliability_index)})",
                "index",
                formatting.index,
            ),
            numeric(
                f"Years until the {percent(target.probability)} limit is exceeded", write=reached
            ),
            numeric(
                "Change of life",
                write=lambda r: Cell(
                    formatting.signed_percent(r["life_change_pct"]),
                    interval(r["change"][0], r["change"][1], formatting.signed_percent),
                ),
            ),
        ),
        strategy_rows(assessment),
        bold=lambda r: bool(r["is_reference"]),
    )


def _meets_column() -> Column:
    def cell(row: Row) -> Cell:
        answer = str(row["meets_target"])
        return Cell(
            answer, manner(answer, float(row["confidence"])), kind=answer.split(maxsplit=1)[0]
        )

    return Column("Meets the limit", write=cell)


def terminal_table(assessment: Assessment) -> Table:
    """Give probability, life and verdict of each strategy, for a terminal."""
    target, horizon = assessment.scenario.target, assessment.scenario.sampling.horizon
    return Table(
        "",
        (
            Column("strategy", write=lambda r: r["strategy"] + " (reference)" * r["is_reference"]),
            numeric(
                f"probability\nat {years(target.service_life)}", "probability_at_target", percent
            ),
            numeric(
                "uncertainty\nrange",
                write=lambda r: interval(r["know_low"], r["know_high"], percent) or formatting.DASH,
            ),
            numeric(
                f"years until\n{percent(target.probability)}",
                "life_at_target_yr",
                lambda t: years(t, horizon=horizon).replace("more than", "over"),
            ),
            numeric("confi-\ndence", "confidence", formatting.confidence),
            Column(
                "\nmeets", "meets_target", lambda text: text.replace("too close to call", "close")
            ),
        ),
        strategy_rows(assessment),
    )


def _life_interval(
    assessment: Assessment, name: str, row: Mapping[str, Any]
) -> tuple[float, float]:
    """Range of the life: the uncertainty range, or the sampling interval without one.

    At an epistemic point the probability rises with age, so the quantiles of the life are where the
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


def _index_at_life(assessment: Assessment) -> dict[str, float]:
    life = assessment.scenario.target.service_life
    curves = assessment.curves
    rows = curves[np.isclose(curves["age_yr"], life, rtol=0, atol=1e-9)]
    return {
        str(k): float(v) for k, v in zip(rows["strategy"], rows["reliability_index"], strict=True)
    }


def input_table(assessment: Assessment) -> Table:
    """List the inputs with their sources; fixed strip ages stand with the strategies."""
    return scenario_inputs(assessment.scenario, assessment.inputs)


def scenario_inputs(scenario: Scenario, table: pd.DataFrame, *, short: bool = False) -> Table:
    """List inputs with their sources; a `short` list leaves out quantiles and kinds."""
    units = scenario.units
    kelvin = {item.name for item in scenario.inputs if item.is_temperature}
    fixed_ages = table["name"].str.endswith(".strip_age") & (table["family"] == "fixed")

    def unit(row: Row) -> str:
        return "degC" if row["name"] in kelvin else str(row["unit"])

    def value(header: str, key: str) -> Column:
        def write(row: Row) -> str:
            if row["family"] == "fixed" and key != "mean":
                return ""
            zero = ZERO_C if row["name"] in kelvin and key != "sd" else 0.0
            return formatting.amount_without_unit(
                row[key] - zero, unit(row), units=units, difference=key == "sd"
            )

        return numeric(header, write=write)

    return Table(
        "" if short else sentence("run.inputs"),
        (
            Column("Input", "label"),
            Column("Family", "family"),
            value("Mean", "mean"),
            value("sd", "sd"),
            *(() if short else (value("5 %", "p05"), value("95 %", "p95"))),
            Column(
                "Unit",
                write=lambda r: formatting.display_unit(unit(r), units=units),
                kind="tight",
            ),
            *(() if short else (Column("Kind", write=_kind),)),
            Column(
                "Source",
                "source",
                lambda text: (isinstance(text, str) and text) or "not stated",
                kind="source",
            ),
        ),
        table[~fixed_ages].to_dict("records"),
    )


def _kind(row: Row) -> Cell:
    if row["family"] == "fixed":
        return Cell("")
    share = float(row["between_walls"])
    text = "aleatory" if share == 0.0 else "epistemic"
    if 0.0 < share < 1.0:
        text = f"{percent(share)} epistemic"
    return Cell(text, str(row["kind_reason"]))


def hand_table(assessment: Assessment) -> Table:
    """List the hand check of a run."""
    return step_table(assessment.hand_check, units=assessment.scenario.units)


def step_table(steps: Sequence[HandStep], *, units: str) -> Table:
    """List a hand calculation; its formulas stay in internal units, results are given in both."""

    def result(step: HandStep) -> Cell:
        if step.value == np.inf:
            return Cell("beyond it")
        own = formatting.amount(step.value, step.unit, units="SI")
        if step.unit == "mm2/yr":  # the formula's own unit, not the tidier one
            own = f"{number(step.value)} mm²/yr"
        other = formatting.amount(step.value, step.unit, units=units)
        return Cell(own, other if other != own else "")

    return Table(
        "",
        (
            Column("Step", write=lambda row: f"{row[0]}. {row[1].words}"),
            Column("", write=lambda row: math(row[1].symbol), kind="tight"),
            Column("Formula with numbers", write=lambda row: math(row[1].formula)),
            numeric("Result", 1, result, kind="tight"),
        ),
        list(enumerate(steps, start=1)),
    )
