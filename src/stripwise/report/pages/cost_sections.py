"""What the report of a design says about money."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import matplotlib.figure
import numpy as np

from stripwise.report.components import (
    Cell,
    Column,
    Figure,
    GroupRow,
    Paragraph,
    Section,
    Table,
    numeric,
)
from stripwise.report.prose import sentence
from stripwise.scenario.model import Scenario
from stripwise.studies.design.cost_tables import CHEAPEST_PAIR, DRAWN_STRATEGY
from stripwise.studies.design.design_result import DesignResult
from stripwise.units.formatting import (
    confidence,
    duration,
    interval,
    join_with_and,
    length,
    number,
    percent,
    years,
)

__all__ = ["cost_sections"]

COST_GROUPS = {
    "strategy": "Strategies at the scenario's cover",
    DRAWN_STRATEGY: "Strategies, each at the cover to draw",
    CHEAPEST_PAIR: "Cheapest pair of each curing after stripping that meets the limit",
}

SMALLEST_COST = 0.005
"""Cost per m2 below which nothing is spent."""

Row = Mapping[Any, Any]


def cost_sections(
    result: DesignResult, figures: Mapping[str, matplotlib.figure.Figure]
) -> Iterable[Section]:
    """Lay out what each option costs; nothing without prices."""
    scenario = result.scenario
    cost = scenario.cost
    if cost is None or result.cost is None:
        return
    yield Section(
        "What it costs",
        (
            Figure("cost", figures["cost"], "Expected present cost of the face. Data: cost.csv."),
            _cost_table(result),
        ),
    )
    yield Section(
        "When the choice changes",
        (
            Paragraph(
                f"The cheapest of {_chosen_from(result)}, as one price at a time changes and the "
                "others stay."
            ),
            _break_even_table(result),
        ),
        level=3,
        keep=True,
    )
    parts = ", in the parts that the scenario gives" * (
        len(cost.instalments) > 1 or cost.instalments[0][0] > 0
    )
    yield Section(
        "First cost against probability",
        (
            Figure(
                "pareto",
                figures["pareto"],
                "Data: pareto.csv.",
            ),
            Paragraph(sentence("design.repair", parts=parts), "note"),
        ),
        level=3,
    )


def _money(value: float) -> str:
    return number(value) if value >= SMALLEST_COST else "0"


def _cost_table(result: DesignResult) -> Table:
    scenario, cost = result.scenario, result.scenario.cost
    assert cost is not None
    assert result.cost is not None

    def write(mm: float) -> str:
        return length(mm, units=scenario.units)

    rows: list[Row | GroupRow] = []
    for kind, title in COST_GROUPS.items():
        own = cost.shown(result.cost[result.cost["kind"] == kind]).to_dict("records")
        rows += [GroupRow(title), *own] if own else []

    def option(row: Row) -> str:
        if row["kind"] != CHEAPEST_PAIR:
            return str(row["option"])
        return "no curing after stripping" if row["follow_up"] == "none" else str(row["follow_up"])

    lowest = write(float(result.design["nominal_cover_mm"].min()))
    return Table(
        f"{cost.unit}. In grey: uncertainty range (95 %). Cover counts beyond {lowest}. "
        f"Repairs: {_repair_text(scenario)}, at a real discount rate of {percent(cost.rate)} a year, "
        f"until {years(cost.horizon)}.",
        (
            Column("Option", write=option),
            numeric("Cover", "nominal_cover_mm", write, kind="tight"),
            numeric("Strip age", "strip_age_h", duration, kind="tight"),
            numeric("Probability", "probability", percent, kind="tight"),
            Column(
                "Meets the limit", "meets_target", lambda text: Cell(text, kind=text.split()[0])
            ),
            numeric("Confidence", "confidence", confidence),
            numeric("Forms", "forms", _money),
            numeric("Curing after stripping", "follow_up_curing", _money),
            numeric("Cover", "cover", _money),
            numeric("Repairs to expect", "repair", _money),
            numeric(
                "In all",
                write=lambda r: Cell(
                    _money(r["cost"]), interval(r["know_low"], r["know_high"], _money)
                ),
                kind="tight",
            ),
        ),
        rows,
    )


def _repair_text(scenario: Scenario) -> str:
    cost = scenario.cost
    assert cost is not None
    price = cost.text(cost.repair)
    if cost.instalments == ((0.0, 1.0),):
        return f"{price} at depassivation"
    parts = [
        f"{percent(share)} {years(after)} after depassivation" for after, share in cost.instalments
    ]
    return f"{price}, {join_with_and(parts)}"


def _break_even_table(result: DesignResult) -> Table:
    assert result.choice is not None
    cost = result.scenario.cost
    assert cost is not None

    def at(key: str) -> Any:
        return lambda row: cost.text(row[key], str(row["unit"]))

    def side(name: str) -> Any:
        return lambda row: (
            f"{name} {at(f'changes_{name}')(row)}: {row[f'choice_{name}']}"
            if np.isfinite(row[f"changes_{name}"])
            else "no change"
        )

    return Table(
        "",
        (
            Column("What changes", "parameter"),
            numeric("Now", write=at("value"), kind="tight"),
            Column("Choice now", "choice"),
            Column("Below", write=side("below")),
            Column("Above", write=side("above")),
            Column(
                "Looked at",
                write=lambda r: f"{at('looked_from')(r)} to {at('looked_to')(r)}",
                kind="tight",
            ),
        ),
        result.choice.to_dict("records"),
    )


def _chosen_from(result: DesignResult) -> str:
    assert result.cost is not None
    if result.cost["kind"].eq("strategy at drawn cover").any():
        return "the strategies, each at the cover that the drawing holds"
    return "the strategies at the scenario's cover, none of which meets the target in the range"
