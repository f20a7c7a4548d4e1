"""Figures of a ranking: shares over time, totals over time, failure, convergence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from stripwise.report import formatting
from stripwise.report.figures import sheet, style
from stripwise.report.figures.choices_figure import plot_choices
from stripwise.report.figures.label_placement import LINE_SPACING, spread, wrapped
from stripwise.risk.sensitivity.quantities_of_interest import FAILURE, MARGIN
from stripwise.studies.rank.rank_study import Ranking

__all__ = ["draw", "names_of", "plot_convergence", "plot_factors", "plot_stack", "plot_totals"]

Array = NDArray[np.float64]

SHOWN = 6
"""So many inputs get a colour of their own."""
LABEL_ROOM_MM = 50.0
HEIGHT_MM = 74.0
ROW_MM = 5.6
FACTOR_LABEL_MM = 62.0


def draw(ranking: Ranking) -> dict[str, Figure]:
    """Draw every figure that a ranking has data for.

    Parameters
    ----------
    ranking
        Results of a ranking.

    Returns
    -------
    Figures by the name of their file.
    """
    with sheet.styled():
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
            figures["choices"] = _figure_of(chart)
        if len(ranking.ages) > 1 and _curves(ranking, MARGIN, "first"):
            figures["shares"] = _figure_of(plot_stack(ranking))
        for quantity, name in ((MARGIN, "margin"), (FAILURE, "failure")):
            if len(ranking.ages) > 1 and _curves(ranking, quantity, "total"):
                figures[f"total-{name}"] = _figure_of(plot_totals(ranking, quantity))
        if len(_factors(ranking)):
            figures["factors"] = _figure_of(plot_factors(ranking))
        for quantity, name in ((MARGIN, "margin"), (FAILURE, "failure")):
            if len(ranking.sample.steps) > 1 and len(_settling(ranking, quantity)):
                figures[f"convergence-{name}"] = _figure_of(plot_convergence(ranking, quantity))
    return figures


def names_of(ranking: Ranking) -> dict[str, str]:
    """Return the words for a reader of each input, by name."""
    return {item.name: item.label for item in ranking.scenario.inputs}


@dataclass(frozen=True, slots=True)
class _Curve:
    """Index of one input over age."""

    label: str
    age: Array
    mean: Array
    low: Array
    high: Array

    def at(self, age: float) -> float:
        return float(np.interp(age, self.age, self.mean))


def _curves(ranking: Ranking, quantity: str, kind: str) -> list[_Curve]:
    """List the indices of single inputs over age, the largest at the target life first."""
    table = ranking.indices
    rows = table[
        (table["quantity"] == quantity) & (table["input"] != "") & (table["input2"] == "")
    ].dropna(subset=[kind])
    words_of = names_of(ranking)
    found = []
    for name, unsorted in rows.groupby("input", sort=False):
        own = unsorted.sort_values("age_yr")
        values = [
            own[c].to_numpy(dtype=float)
            for c in ("age_yr", kind, f"{kind}_low95", f"{kind}_high95")
        ]
        found.append(_Curve(words_of.get(str(name), str(name)), *values))
    life = ranking.scenario.target.service_life
    return sorted(found, key=lambda curve: -curve.at(life))


def plot_stack(ranking: Ranking, *, ax: Axes | None = None) -> Axes:
    """Plot how the variance of the depth margin is shared out over time, as stacked areas.

    Parameters
    ----------
    ranking
        Results of a ranking.
    ax
        Axes to draw on; a new figure of print size if None.

    Returns
    -------
    The axes.
    """
    curves = _curves(ranking, MARGIN, "first")
    shown, rest = curves[:SHOWN], curves[SHOWN:]
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
    ax = _axes(ax, title, note)
    for position, (layer, top) in enumerate(zip(layers, tops, strict=True)):
        color = style.PALETTE[position] if position < SHOWN else style.PALE
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
    _mark_life(ax, ranking)
    colors = [style.PALETTE[i] if i < SHOWN else style.GREY for i in range(len(layers))]
    _label(ax, ends, labels, colors)
    _axis_words(ax, "Share of the variance [%]")
    sheet.headline(ax, title, note=note)
    return ax


def plot_totals(ranking: Ranking, quantity: str, *, ax: Axes | None = None) -> Axes:
    """Plot the total index of each input over time with its interval.

    Parameters
    ----------
    ranking
        Results of a ranking.
    quantity
        "depth margin" or "failure".
    ax
        Axes to draw on; a new figure of print size if None.

    Returns
    -------
    The axes.
    """
    curves = _curves(ranking, quantity, "total")
    shown = curves[:SHOWN]
    what = "whether the steel is depassivated" if quantity == FAILURE else "the depth margin"
    note = (
        f"Total index: share of the variance of {what} that would be left if every other input "
        f"were known, {ranking.strategy}. Bands: 95 % sampling interval. Totals add up to more "
        "than 100 % where inputs interact."
    )
    if len(curves) > SHOWN:
        note += f" {len(curves) - SHOWN} smaller not drawn."
    life = formatting.number(ranking.scenario.target.service_life)
    title = (
        f"{quantity.capitalize()}, with interactions: {shown[0].label} matters most at {life} yr"
    )
    ax = _axes(ax, title, note)
    top = 0.0
    for position, curve in enumerate(shown):
        color, pattern = style.line_of(position)
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
    _mark_life(ax, ranking)
    _label(
        ax,
        [100.0 * float(c.mean[-1]) for c in shown],
        [c.label for c in shown],
        [style.line_of(i)[0] for i in range(len(shown))],
    )
    _axis_words(ax, "Total index [%]")
    sheet.headline(ax, title, note=note)
    return ax


def plot_factors(ranking: Ranking, *, ax: Axes | None = None) -> Axes:
    """Plot the importance factors of failure at the target life.

    Parameters
    ----------
    ranking
        Results of a ranking.
    ax
        Axes to draw on; a new figure of print size if None.

    Returns
    -------
    The axes.
    """
    rows = _factors(ranking)
    tied = bool(rows["alpha_squared"].isna().any())
    column = "gamma_squared" if tied else "alpha_squared"
    rows = rows.sort_values(column, ascending=False)
    labels = [names_of(ranking).get(name, name) for name in rows["input"]]
    life = ranking.scenario.target.service_life
    symbol = "γ²" if tied else "α²"
    title = f"What drives failure: {labels[0]} ({formatting.percent(float(rows[column].iloc[0]))})"
    note = (
        f"Importance factors {symbol} at the design point, the most probable way to depassivate "
        f"within {formatting.number(life)} yr, {ranking.strategy}. They add up to 100 %. "
        "Filled: a larger value speeds failure; open: a larger value holds it off."
    )
    wrap = (FACTOR_LABEL_MM - 3.0) * sheet.POINTS_PER_MM
    if ax is None:
        ax = sheet.sheet(
            height=ROW_MM * len(rows),
            left=FACTOR_LABEL_MM,
            right=14.0,
            bottom=11.0,
            title=title,
            note=note,
        )
    sheet.dress(ax)
    ax.set_xlim(0.0, max(100.0 * 1.1 * float(rows[column].max()), 1.0))
    ax.set_ylim(len(rows) - 0.4, -0.6)
    for y, (share, score) in enumerate(zip(rows[column], rows["design_score"], strict=True)):
        face = style.PALETTE[0] if score > 0 else "white"
        ax.barh(
            y, 100.0 * share, height=0.55, facecolor=face, edgecolor=style.PALETTE[0], linewidth=0.8
        )
        ax.annotate(
            formatting.percent(float(share)),
            xy=(100.0 * share, y),
            xytext=(4.0, 0.0),
            textcoords="offset points",
            va="center",
            fontsize=style.NOTE_SIZE,
            annotation_clip=False,
        )
    ax.set_yticks(
        range(len(rows)),
        parse_math=False,
        labels=["\n".join(wrapped(label, width=wrap, size=style.TEXT_SIZE)) for label in labels],
    )
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_visible(False)
    ax.set_xlabel("Importance factor [%]", fontsize=style.TEXT_SIZE)
    sheet.headline(ax, title, note=note)
    return ax


def plot_convergence(ranking: Ranking, quantity: str, *, ax: Axes | None = None) -> Axes:
    """Plot total indices and their intervals against the size of the sample.

    Parameters
    ----------
    ranking
        Results of a ranking.
    quantity
        "depth margin" or "failure".
    ax
        Axes to draw on; a new figure of print size if None.

    Returns
    -------
    The axes.
    """
    rows = _settling(ranking, quantity)
    last = rows[rows["points_per_repeat"] == rows["points_per_repeat"].max()]
    order = list(last.sort_values("total", ascending=False)["input"])[:SHOWN]
    step = ranking.sample.last
    title = (
        f"How the indices of the {quantity} settled"
        if ranking.sample.reached
        else f"How the indices of the {quantity} settled; some of the ranking are still wide"
    )
    life = float(rows["age_yr"].iloc[0])
    note = (
        f"Total indices at {formatting.number(life)} yr, {ranking.strategy}, as the sample was "
        f"doubled; bars: 95 % interval over {ranking.run['repeats']} independent "
        f"scramblings. In all {step.runs:,} model runs; the widest interval of the ranking is "
        f"{formatting.number(step.width)}."
    )
    ax = _axes(ax, title, note)
    ends = []
    for position, name in enumerate(order):
        own = rows[rows["input"] == name].sort_values("points_per_repeat")
        color, pattern = style.line_of(position)
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
    ax.set_xticks(sizes, labels=[f"{int(n):,}" for n in sizes])
    ax.minorticks_off()
    ax.set_xlim(sizes[0] / 1.25, sizes[-1] * 1.25)
    ax.set_ylim(bottom=min(0.0, ax.get_ylim()[0]))
    names = names_of(ranking)
    _label(
        ax, ends, [names.get(n, n) for n in order], [style.line_of(i)[0] for i in range(len(order))]
    )
    ax.set_xlabel("Base points per scrambling", fontsize=style.TEXT_SIZE)
    ax.set_ylabel("Total index [%]", fontsize=style.TEXT_SIZE)
    sheet.headline(ax, title, note=note)
    return ax


def _settling(ranking: Ranking, quantity: str) -> pd.DataFrame:
    table = ranking.convergence
    return table[(table["quantity"] == quantity) & (table["input"] != "")].dropna(subset=["total"])


def _factors(ranking: Ranking) -> pd.DataFrame:
    form = ranking.form
    return form[form["age_yr"] == ranking.scenario.target.service_life]


def _axes(ax: Axes | None, title: str, note: str) -> Axes:
    if ax is None:
        ax = sheet.sheet(
            height=HEIGHT_MM, left=15.0, right=LABEL_ROOM_MM, bottom=12.0, title=title, note=note
        )
    sheet.dress(ax)
    return ax


def _axis_words(ax: Axes, y: str) -> None:
    ax.set_xlabel("Age since first exposure [yr]", fontsize=style.TEXT_SIZE)
    ax.set_ylabel(y, fontsize=style.TEXT_SIZE)


def _mark_life(ax: Axes, ranking: Ranking) -> None:
    life = ranking.scenario.target.service_life
    late = life > 0.5 * float(ranking.ages[-1])
    ax.axvline(life, color=style.TARGET, lw=0.9, ls=(0, (4, 2)), gid="service-life")
    ax.annotate(
        f"service life {formatting.number(life)} yr",
        xy=(life, ax.get_ylim()[1]),
        xytext=(-3.0 if late else 3.0, -2.5),
        textcoords="offset points",
        va="top",
        ha="right" if late else "left",
        fontsize=style.NOTE_SIZE,
        color=style.TARGET,
        bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.8},
    )


def _label(ax: Axes, ends: list[float], labels: list[str], colors: list[str]) -> None:
    """Name curves at the right edge, spread so that no two names overlap."""
    width, height = sheet.axes_size(ax)
    room = (LABEL_ROOM_MM - 6.0) * sheet.POINTS_PER_MM
    texts = ["\n".join(wrapped(text, width=room, size=style.TEXT_SIZE)) for text in labels]
    bottom, top = ax.get_ylim()
    wanted = [(end - bottom) / (top - bottom) * height for end in ends]
    tall = [(t.count("\n") + 1) * style.TEXT_SIZE * LINE_SPACING + 2.0 for t in texts]
    centres = spread(wanted, heights=tall, low=0.0, high=height)
    edge = ax.get_xlim()[1]
    for end, text, centre, color in zip(ends, texts, centres, colors, strict=True):
        arrow: dict[str, Any] = {
            "arrowstyle": "-",
            "linewidth": 1.0,
            "color": color,
            "shrinkA": 1.0,
            "shrinkB": 0.0,
            "relpos": (0.0, 0.5),
        }
        ax.annotate(
            text,
            xy=(edge, end),
            xytext=(1.0 + 5.0 * sheet.POINTS_PER_MM / width, centre / height),
            textcoords="axes fraction",
            ha="left",
            va="center",
            fontsize=style.TEXT_SIZE,
            color=style.INK,
            linespacing=LINE_SPACING,
            annotation_clip=False,
            parse_math=False,
            arrowprops=arrow,
        )


def _figure_of(ax: Axes) -> Figure:
    figure = ax.get_figure(root=True)
    if figure is None:
        raise RuntimeError("the axes belong to no figure")
    return figure
