"""What drives the answer over time, what drives failure, and how the indices converged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from stripwise.report.figures import sheet, style
from stripwise.report.figures.choices_figure import plot_choices
from stripwise.report.figures.label_placement import wrap_text
from stripwise.report.figures.line_ends import (
    LEADER_MM,
    LineEnd,
    label_line_ends,
)
from stripwise.risk.sensitivity.quantities_of_interest import FAILURE, MARGIN
from stripwise.studies.rank.rank_study import Ranking
from stripwise.units import formatting

__all__ = [
    "draw_ranking_figures",
    "input_labels",
    "plot_convergence",
    "plot_importance_factors",
    "plot_total_indices",
    "plot_variance_shares",
]

Array = NDArray[np.float64]

MOST_INPUTS = 6
"""Most inputs that are drawn in a colour of their own."""
LABEL_WIDTH_MM = 50.0
HEIGHT_MM = 74.0
ROW_MM = 5.6
FACTOR_LABEL_WIDTH_MM = 62.0


def draw_ranking_figures(ranking: Ranking) -> dict[str, Figure]:
    """Draw every figure that a ranking has data for, by the name of its file."""
    with sheet.style_context():
        figures = {}
        target = ranking.scenario.target
        if ranking.choices.top:
            chart = plot_choices(
                ranking.choices,
                strategy=ranking.strategy,
                life=target.service_life,
                allowed=target.probability,
                units=ranking.scenario.units,
            )
            figures["choices"] = sheet.parent_figure(chart)
        if len(ranking.ages) > 1 and _index_curves(ranking, MARGIN, "first"):
            figures["shares"] = sheet.parent_figure(plot_variance_shares(ranking))
        for quantity, name in ((MARGIN, "margin"), (FAILURE, "failure")):
            if len(ranking.ages) > 1 and _index_curves(ranking, quantity, "total"):
                figures[f"total-{name}"] = sheet.parent_figure(
                    plot_total_indices(ranking, quantity)
                )
        if len(_importance_rows(ranking)):
            figures["factors"] = sheet.parent_figure(plot_importance_factors(ranking))
        for quantity, name in ((MARGIN, "margin"), (FAILURE, "failure")):
            if len(ranking.sample.steps) > 1 and len(_convergence_rows(ranking, quantity)):
                figures[f"convergence-{name}"] = sheet.parent_figure(
                    plot_convergence(ranking, quantity)
                )
    return figures


def input_labels(ranking: Ranking) -> dict[str, str]:
    """Return the words for a reader of each input, by name."""
    return {item.name: item.label for item in ranking.scenario.inputs}


@dataclass(frozen=True, slots=True)
class _IndexCurve:
    """Index of one input over age."""

    label: str
    age: Array
    mean: Array
    low: Array
    high: Array

    def value_at(self, age: float) -> float:
        return float(np.interp(age, self.age, self.mean))


def _index_curves(ranking: Ranking, quantity: str, kind: str) -> list[_IndexCurve]:
    """List the indices of single inputs over age, the largest at the target life first."""
    table = ranking.indices
    rows = table[
        (table["quantity"] == quantity) & (table["input"] != "") & (table["input2"] == "")
    ].dropna(subset=[kind])
    labels = input_labels(ranking)
    curves = []
    for name, unsorted in rows.groupby("input", sort=False):
        own = unsorted.sort_values("age_yr")
        values = [
            own[c].to_numpy(dtype=float)
            for c in ("age_yr", kind, f"{kind}_low95", f"{kind}_high95")
        ]
        curves.append(_IndexCurve(labels.get(str(name), str(name)), *values))
    life = ranking.scenario.target.service_life
    return sorted(curves, key=lambda curve: -curve.value_at(life))


def plot_variance_shares(ranking: Ranking, *, ax: Axes | None = None) -> Axes:
    """Plot how the variance of the depth margin is shared out over time, as stacked areas."""
    curves = _index_curves(ranking, MARGIN, "first")
    shown, rest = curves[:MOST_INPUTS], curves[MOST_INPUTS:]
    age = shown[0].age
    layers = [np.maximum(curve.mean, 0.0) for curve in shown]
    labels = [curve.label for curve in shown]
    if rest:
        layers.append(np.maximum(np.sum([curve.mean for curve in rest], axis=0), 0.0))
        labels.append(f"{len(rest)} more input{'s' if len(rest) > 1 else ''}")
    tops = np.cumsum(layers, axis=0)
    note = (
        "Share of the variance of the depth margin (cover minus chloride front) that each input "
        f"explains alone, {ranking.strategy}. White: interactions of inputs. "
        "Estimates below 0 are drawn as 0 here and stand as they came in sensitivity.csv."
    )
    early, late = (shown[int(np.argmax([c.mean[i] for c in shown]))].label for i in (0, -1))
    title = (
        f"What drives the depth margin: {late} at all ages"
        if early == late
        else f"What drives the depth margin: {early} at first, {late} later"
    )
    ax = _prepare_axes(ax, title, note)
    for position, (layer, top) in enumerate(zip(layers, tops, strict=True)):
        color = style.PALETTE[position] if position < MOST_INPUTS else style.LIGHT_GREY
        ax.fill_between(
            age,
            100.0 * (top - layer),
            100.0 * top,
            color=color,
            linewidth=0.4,
            alpha=0.75,
            edgecolor="white",
            gid=f"layer-{position}",
        )
    ends = [
        100.0 * float(top[-1] - 0.5 * layer[-1]) for layer, top in zip(layers, tops, strict=True)
    ]
    ax.set_xlim(float(age[0]), float(age[-1]))
    ax.set_ylim(0.0, 100.0)
    _draw_service_life(ax, ranking)
    colors = [style.PALETTE[i] if i < MOST_INPUTS else style.GREY for i in range(len(layers))]
    _label_curves(ax, ends, labels, colors)
    _label_axes(ax, "Share of the variance [%]")
    sheet.headline(ax, title, note=note)
    return ax


def plot_total_indices(ranking: Ranking, quantity: str, *, ax: Axes | None = None) -> Axes:
    """Plot the total index of each input over time; `quantity` is "depth margin" or "failure"."""
    curves = _index_curves(ranking, quantity, "total")
    shown = curves[:MOST_INPUTS]
    what = "whether the steel is depassivated" if quantity == FAILURE else "the depth margin"
    note = (
        f"Total index: share of the variance of {what} that would be left if every other input "
        f"were known, {ranking.strategy}. Bands: 95 % sampling interval. Totals add up to more "
        "than 100 % where inputs interact."
    )
    if len(curves) > MOST_INPUTS:
        note += f" {len(curves) - MOST_INPUTS} smaller not drawn."
    life = formatting.years(ranking.scenario.target.service_life)
    title = f"{quantity.capitalize()}, with interactions: {shown[0].label} matters most at {life}"
    ax = _prepare_axes(ax, title, note)
    top = 0.0
    for position, curve in enumerate(shown):
        color, pattern = style.line_style(position)
        ax.fill_between(
            curve.age,
            100 * curve.low,
            100 * curve.high,
            color=color,
            alpha=style.BAND_OPACITY,
            linewidth=0,
            gid=f"band-{position}",
        )
        ax.plot(
            curve.age,
            100 * curve.mean,
            color=color,
            linestyle=pattern,
            lw=1.4,
            gid=f"total-{position}",
        )
        top = max(top, 100.0 * float(np.nanmax(curve.high)))
    ax.set_xlim(float(ranking.ages[0]), float(ranking.ages[-1]))
    ax.set_ylim(min(0.0, 100.0 * min(float(np.nanmin(c.low)) for c in shown)), 1.08 * top)
    _draw_service_life(ax, ranking)
    _label_curves(
        ax,
        [100.0 * float(c.mean[-1]) for c in shown],
        [c.label for c in shown],
        [style.line_style(i)[0] for i in range(len(shown))],
    )
    _label_axes(ax, "Total index [%]")
    sheet.headline(ax, title, note=note)
    return ax


def plot_importance_factors(ranking: Ranking, *, ax: Axes | None = None) -> Axes:
    """Plot the importance factors of failure at the target life."""
    rows = _importance_rows(ranking)
    correlated = bool(rows["alpha_squared"].isna().any())
    column = "gamma_squared" if correlated else "alpha_squared"
    rows = rows.sort_values(column, ascending=False)
    labels = [input_labels(ranking).get(name, name) for name in rows["input"]]
    life = ranking.scenario.target.service_life
    symbol = "γ²" if correlated else "α²"
    title = f"What drives failure: {labels[0]} ({formatting.percent(float(rows[column].iloc[0]))})"
    note = (
        f"Importance factors {symbol} at the design point, the most probable way to depassivate "
        f"within {formatting.years(life)}, {ranking.strategy}. They add up to 100 %. "
        "Filled: a larger value speeds failure; open: a larger value holds it off."
    )
    label_width = (FACTOR_LABEL_WIDTH_MM - 3.0) * sheet.POINTS_PER_MM
    if ax is None:
        ax = sheet.new_axes(
            height=ROW_MM * len(rows),
            left=FACTOR_LABEL_WIDTH_MM,
            right=14.0,
            bottom=11.0,
            title=title,
            note=note,
        )
    sheet.style_axes(ax)
    ax.set_xlim(0.0, max(100.0 * 1.1 * float(rows[column].max()), 1.0))
    ax.set_ylim(len(rows) - 0.4, -0.6)
    for y, (share, score) in enumerate(zip(rows[column], rows["design_score"], strict=True)):
        face = style.PALETTE[0] if score > 0 else "white"
        ax.barh(
            y, 100.0 * share, height=0.55, facecolor=face, edgecolor=style.PALETTE[0], linewidth=0.8
        )
        sheet.annotate(
            ax, formatting.percent(float(share)), (100.0 * share, y), offset=(4.0, 0.0), va="center"
        )
    ax.set_yticks(
        range(len(rows)),
        parse_math=False,
        labels=[
            "\n".join(wrap_text(label, width=label_width, size=style.TEXT_SIZE)) for label in labels
        ],
    )
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_visible(False)
    ax.set_xlabel("Importance factor [%]", fontsize=style.TEXT_SIZE)
    sheet.headline(ax, title, note=note)
    return ax


def plot_convergence(ranking: Ranking, quantity: str, *, ax: Axes | None = None) -> Axes:
    """Plot total indices of "depth margin" or "failure" against the size of the sample."""
    rows = _convergence_rows(ranking, quantity)
    last = rows[rows["points_per_repeat"] == rows["points_per_repeat"].max()]
    order = list(last.sort_values("total", ascending=False)["input"])[:MOST_INPUTS]
    step = ranking.sample.last
    title = (
        f"How the indices of the {quantity} settled"
        if ranking.sample.reached
        else f"How the indices of the {quantity} settled; some of the ranking are still wide"
    )
    life = float(rows["age_yr"].iloc[0])
    note = (
        f"Total indices at {formatting.years(life)}, {ranking.strategy}, as the sample was "
        f"doubled; bars: 95 % interval over {ranking.run['repeats']} independent "
        f"scramblings. In all {formatting.count(step.runs)} model runs; the widest interval of the ranking is "
        f"{formatting.number(step.width)}."
    )
    ax = _prepare_axes(ax, title, note)
    ends = []
    for position, name in enumerate(order):
        own = rows[rows["input"] == name].sort_values("points_per_repeat")
        color, pattern = style.line_style(position)
        x = own["points_per_repeat"].to_numpy(dtype=float) * 2.0 ** (0.06 * (position - 2.5))
        y, low, high = (
            100.0 * own[c].to_numpy(dtype=float) for c in ("total", "total_low95", "total_high95")
        )
        ax.errorbar(
            x,
            y,
            yerr=[y - low, high - y],
            color=color,
            linestyle=pattern,
            lw=1.0,
            marker="o",
            ms=3.0,
            capsize=2.0,
            elinewidth=0.9,
        )
        ends.append(float(y[-1]))
    sizes = sorted(rows["points_per_repeat"].unique())
    ax.set_xscale("log", base=2)
    ax.set_xticks(sizes, labels=[formatting.count(n) for n in sizes])
    ax.minorticks_off()
    ax.set_xlim(sizes[0] / 1.25, sizes[-1] * 1.25)
    ax.set_ylim(bottom=min(0.0, ax.get_ylim()[0]))
    names = input_labels(ranking)
    _label_curves(
        ax,
        ends,
        [names.get(n, n) for n in order],
        [style.line_style(i)[0] for i in range(len(order))],
    )
    ax.set_xlabel("Base points per scrambling", fontsize=style.TEXT_SIZE)
    ax.set_ylabel("Total index [%]", fontsize=style.TEXT_SIZE)
    sheet.headline(ax, title, note=note)
    return ax


def _convergence_rows(ranking: Ranking, quantity: str) -> pd.DataFrame:
    table = ranking.convergence
    return table[(table["quantity"] == quantity) & (table["input"] != "")].dropna(subset=["total"])


def _importance_rows(ranking: Ranking) -> pd.DataFrame:
    form = ranking.form
    return form[form["age_yr"] == ranking.scenario.target.service_life]


def _prepare_axes(ax: Axes | None, title: str, note: str) -> Axes:
    if ax is None:
        ax = sheet.new_axes(
            height=HEIGHT_MM, left=15.0, right=LABEL_WIDTH_MM, bottom=12.0, title=title, note=note
        )
    sheet.style_axes(ax)
    return ax


def _label_axes(ax: Axes, y: str) -> None:
    ax.set_xlabel("Age since first exposure [yr]", fontsize=style.TEXT_SIZE)
    ax.set_ylabel(y, fontsize=style.TEXT_SIZE)


def _draw_service_life(ax: Axes, ranking: Ranking) -> None:
    life = ranking.scenario.target.service_life
    late = life > 0.5 * float(ranking.ages[-1])
    ax.axvline(life, color=style.TARGET_COLOR, lw=0.9, ls=(0, (4, 2)), gid="service-life")
    sheet.annotate(
        ax,
        f"service life {formatting.years(life)}",
        (life, ax.get_ylim()[1]),
        offset=(-3.0 if late else 3.0, -2.5),
        va="top",
        ha="right" if late else "left",
        color=style.TARGET_COLOR,
        bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.8},
    )


def _label_curves(ax: Axes, ends: list[float], labels: list[str], colors: list[str]) -> None:
    room = (LABEL_WIDTH_MM - LEADER_MM - 1.0) * sheet.POINTS_PER_MM
    texts = ["\n".join(wrap_text(text, width=room, size=style.TEXT_SIZE)) for text in labels]
    label_line_ends(ax, list(map(LineEnd, ends, texts, colors)), touching=False)
