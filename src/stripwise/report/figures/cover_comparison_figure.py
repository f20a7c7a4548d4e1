"""What the surveyed cover changes: each strategy's probability with it and with the specified one."""

from __future__ import annotations

from collections.abc import Hashable
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from stripwise.report.components import Column, Figure, Paragraph, Section, Table, numeric
from stripwise.report.figures import sheet
from stripwise.report.figures.dot_interval import DotRow, plot_dot_intervals
from stripwise.scenario.model import Scenario
from stripwise.units import formatting

__all__ = ["comparison_findings", "comparison_section", "plot_cover_comparison"]


def plot_cover_comparison(comparison: pd.DataFrame, scenario: Scenario) -> Axes:
    """Plot every strategy's probability with both covers, from the rows of `compare_covers`."""
    rows = []
    for row in comparison.sort_values("strategy", kind="stable").to_dict("records"):
        low, high = _interval_ends(row)
        rows.append(
            DotRow(
                f"{row['strategy']} ({row['cover']})",
                100.0 * row["probability_at_target"],
                100.0 * low,
                100.0 * high,
                formatting.percent(row["probability_at_target"]),
            )
        )
    target = scenario.target
    return plot_dot_intervals(
        rows,
        title=_comparison_text(comparison, scenario),
        note=f"Probability of depassivation at {formatting.years(target.service_life)} with the "
        f"cover as specified and as surveyed; bars: uncertainty range (95 %); dashed: the "
        f"target, {formatting.percent(target.probability)}.",
        label="Probability of depassivation [%]",
        mark=100.0 * target.probability,
    )


def comparison_section(comparison: pd.DataFrame, scenario: Scenario) -> Section:
    """Write the section of the page, with the figure "probability"."""
    grid = Table(
        f"At {formatting.years(scenario.target.service_life)} from first exposure; limit state: "
        f"depassivation; target {formatting.percent(scenario.target.probability)}. Interval: 95 % over "
        "the epistemic inputs, or of the sampling where there are none.",
        (
            Column("Strategy", "strategy"),
            Column("Cover", "cover"),
            numeric(
                "Mean, sd [mm]",
                write=lambda r: ", ".join(
                    formatting.amount_without_unit(r[f"cover_{m}_mm"], "mm", units="SI")
                    for m in ("mean", "sd")
                ),
            ),
            numeric("Probability", "probability_at_target", formatting.percent),
            numeric(
                "Interval",
                write=lambda r: formatting.interval(*_interval_ends(r), formatting.percent),
            ),
            Column("Meets the limit", "meets_target"),
        ),
        comparison.sort_values("strategy", kind="stable").to_dict("records"),
    )
    drawing = sheet.draw(plot_cover_comparison, comparison, scenario)
    text = f"Scenario {scenario.path.name}, {scenario.title}; everything but the cover as there."
    return Section(
        "Probability with the surveyed cover",
        (Paragraph(text), Figure("probability", drawing, "Data: probability.csv."), grid),
    )


def comparison_findings(comparison: pd.DataFrame, scenario: Scenario) -> list[str]:
    """Say in sentences what the surveyed cover changes."""
    target = scenario.target
    return [
        f"Probability of depassivation at {formatting.years(target.service_life)}, target "
        f"{formatting.percent(target.probability)}: {_comparison_text(comparison, scenario)}.",
        _verdict_changes(comparison),
    ]


def _interval_ends(row: dict[Hashable, Any]) -> tuple[float, float]:
    low, high = float(row["know_low"]), float(row["know_high"])
    return (low, high) if np.isfinite(low) else (float(row["low95"]), float(row["high95"]))


def _comparison_text(comparison: pd.DataFrame, scenario: Scenario) -> str:
    own = comparison[comparison["strategy"] == scenario.reference_strategy].set_index("cover")
    before, after = own["probability_at_target"][["specified", "surveyed"]]
    return (
        f"{scenario.reference_strategy}: {formatting.percent(float(before))} with the specified cover, "
        f"{formatting.percent(float(after))} with the surveyed one"
    )


def _verdict_changes(comparison: pd.DataFrame) -> str:
    """Say where the survey changes the verdict."""
    by_cover = {name: rows.set_index("strategy") for name, rows in comparison.groupby("cover")}
    before, after = by_cover["specified"], by_cover["surveyed"]
    parts = [
        f"{name} ({before['meets_target'][name]} to {after['meets_target'][name]})"
        for name in before.index[before["meets_target"] != after["meets_target"]]
    ]
    if parts:
        return f"The survey changes whether the limit is met: {', '.join(parts)}."
    return "The survey changes no verdict."
