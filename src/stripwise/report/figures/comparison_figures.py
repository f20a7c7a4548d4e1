"""How strategies of a test compare, and how much life each costs: dots with their intervals."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from stripwise.report.figures.dot_interval import DotRow, plot_dot_intervals
from stripwise.report.figures.profile_figures import ratio_ticks
from stripwise.studies.fit.comparisons import WITH_REFERENCE, ComparedPair, Comparison
from stripwise.studies.fit.life_lost import LifeLost
from stripwise.units.formatting import percent, signed_percent, value_with_interval, years

__all__ = ["compared_pairs", "plot_comparison", "plot_life_lost"]

MOST_ROWS = 18
"""Most pairs drawn."""


def compared_pairs(comparison: Comparison) -> tuple[ComparedPair, ...]:
    """Return the pairs that answer first: alike but for one condition, else with the reference."""
    kinds = comparison.condition_kinds
    if kinds:
        return tuple(pair for kind in kinds for pair in comparison.of_kind(kind))
    return comparison.of_kind(WITH_REFERENCE) or comparison.pairs


def plot_comparison(comparison: Comparison, *, ax: Axes | None = None) -> Axes:
    """Plot the ratios of means with their simultaneous intervals, a row a pair."""
    pairs = compared_pairs(comparison)
    rows = [
        DotRow(
            f"{pair.name} / {pair.name_against}" + (f" ({pair.shared})" if pair.shared else ""),
            pair.ratio.value,
            pair.ratio.low,
            pair.ratio.high,
            value_with_interval(pair.ratio.value, pair.ratio.low, pair.ratio.high),
            hollow=pair.ratio.low <= 1.0 <= pair.ratio.high,
        )
        for pair in pairs[:MOST_ROWS]
    ]
    shown = sum(not (pair.ratio.low <= 1.0 <= pair.ratio.high) for pair in pairs)
    several = "pairs" if len(pairs) > 1 else "pair"
    note = (
        "Dot: ratio of the geometric means; bar: 95 % interval, which holds for all pairs at once; "
        "ring: no difference shown, which is not the same as no difference."
    )
    if len(pairs) > MOST_ROWS:
        note += f" The first {MOST_ROWS} of {len(pairs)} pairs."
    chart = plot_dot_intervals(
        rows,
        title=f"{shown} of {len(pairs)} {several} shown to differ in {comparison.quantity}",
        note=note,
        label=f"Ratio of the {comparison.quantity}",
        mark=1.0,
        log=True,
        ax=ax,
    )
    if comparison.margin is not None:
        for end in (1.0 / (1.0 + comparison.margin), 1.0 + comparison.margin):
            chart.axvline(end, color="0.6", lw=0.6, ls=":", gid="margin", zorder=1)
    ratio_ticks(chart)
    return chart


def plot_life_lost(lost: LifeLost, *, ax: Axes | None = None) -> Axes:
    """Plot by how much the life changes against that of the reference [%], the worst first."""
    table = lost.table[lost.table["strategy"] != lost.reference]
    known = bool(np.isfinite(table["life_change_know_low"]).any())
    ends = [
        f"life_change_{end}"
        for end in (("know_low", "know_high") if known else ("low95", "high95"))
    ]
    rows = []
    for row in table.sort_values("life_change_pct", kind="stable").to_dict("records"):
        change, low, high = (float(row[name]) for name in ("life_change_pct", *ends))
        text = value_with_interval(change, low, high, signed_percent)
        if not np.isfinite(change):
            text = "see the table"
        rows.append(DotRow(row["strategy"], change, low, high, text))
    worst = rows[0]
    target = lost.scenario.target
    title = f"No life of this wall can be set against that with {lost.reference}"
    if np.isfinite(worst.value):
        title = (
            f"{worst.name} costs most: {signed_percent(worst.value)} of the life with "
            f"{lost.reference}"
            if worst.value < 0.0
            else f"No strategy costs life against {lost.reference}"
        )
    return plot_dot_intervals(
        rows,
        title=title,
        note=f"Change of the time until {percent(target.probability)} is exceeded, against "
        f"{lost.reference} (dashed); target life {years(target.service_life)}. Bars: "
        + ("uncertainty range (95 %)." if known else "95 % sampling interval."),
        label="Change of life [%]; negative: life lost",
        mark=0.0,
        ax=ax,
    )
