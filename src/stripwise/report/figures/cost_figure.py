"""What each option costs: the first build and the repairs to be expected, as stacked bars."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from stripwise.errors import InputError
from stripwise.report.figures import sheet, style
from stripwise.report.figures.label_placement import shorten_text, spread_labels, text_width
from stripwise.studies.design.design_result import DesignResult
from stripwise.units import formatting
from stripwise.units.caution import DURABILITY_ONLY

__all__ = ["cost_rows", "plot_cost"]

ROW_MM = 8.5
LEFT_MM, RIGHT_MM, BOTTOM_MM = 56.0, 34.0, 11.0
PART_NAMES_MM = 7.0
PARTS = (
    ("forms", "forms", style.PALETTE[0]),
    ("follow_up_curing", "curing after", style.PALETTE[5]),
    ("cover", "extra cover", style.PALETTE[2]),
    ("repair", "repairs to expect", style.PALETTE[1]),
)


def cost_rows(data: DesignResult) -> pd.DataFrame:
    """List the options worth a bar, cheapest first: strategies, and the cheapest design point.

    Strategies stand at their drawn cover; as they are where none reaches the target in the range.
    """
    assert data.cost is not None
    drawn = data.cost[data.cost["kind"] == "strategy at drawn cover"]
    rows = drawn if not drawn.empty else data.cost[data.cost["kind"] == "strategy"]
    points = data.cost[data.cost["kind"] == "cheapest point"]
    if not points.empty:
        rows = pd.concat([rows, points.sort_values("cost").iloc[:1]])
    assert data.scenario.cost is not None
    return data.scenario.cost.shown(rows).sort_values("cost", kind="stable")


def plot_cost(data: DesignResult, *, ax: Axes | None = None) -> Axes:
    """Plot the expected present cost per area of face of every option; InputError without prices."""
    if data.cost is None or data.scenario.cost is None:
        raise InputError("cost", "is missing; without prices there is nothing to draw")
    rows = cost_rows(data)
    title, note = _title(data, rows), _note(data)
    height = ROW_MM * len(rows) + PART_NAMES_MM
    if ax is None:
        ax = sheet.new_axes(
            height=height, left=LEFT_MM, right=RIGHT_MM, bottom=BOTTOM_MM, title=title, note=note
        )
        sheet.headline(ax, title, note=note)
    sheet.style_axes(ax)
    ax.spines["left"].set_visible(False)
    rows_for_part_names = PART_NAMES_MM / ROW_MM
    ax.set_ylim(len(rows) - 0.5, -0.5 - rows_for_part_names)
    ax.set_xlim(0.0, 1.02 * float(rows["cost"].max()))
    left = np.zeros(len(rows))
    places = np.arange(len(rows))
    for column, _, colour in PARTS:
        width = rows[column].to_numpy(dtype=float)
        ax.barh(
            places,
            width,
            left=left,
            height=0.62,
            color=colour,
            edgecolor="white",
            linewidth=0.6,
            gid=f"cost-{column}",
        )
        left += width
    _label_rows(ax, data, rows)
    _label_parts(ax, rows)
    ax.set_xlabel(
        f"Expected present cost [{data.scenario.cost.unit}], horizon "
        f"{formatting.years(data.scenario.cost.horizon)}",
        fontsize=style.TEXT_SIZE,
    )
    return ax


def _label_rows(ax: Axes, data: DesignResult, rows: pd.DataFrame) -> None:
    units = data.scenario.units
    room = (LEFT_MM - 3.0) * sheet.POINTS_PER_MM
    lines = []
    for row in rows.to_dict("records"):
        cover = formatting.length(float(row["nominal_cover_mm"]), units=units)
        name = str(row["option"]) if row["kind"] != "cheapest point" else "cheapest design point"
        after = ""
        if row["kind"] == "cheapest point":
            after = f", {formatting.duration(float(row['strip_age_h']))}"
            after += "" if row["follow_up"] == "none" else f", {row['follow_up']}"
        first = shorten_text(name, width=room, size=style.TEXT_SIZE)
        lines.append(f"{first}\n{shorten_text(cover + after, width=room, size=style.NOTE_SIZE)}")
    ax.set_yticks(range(len(rows)), labels=lines, parse_math=False)
    ax.tick_params(axis="y", length=0.0, labelsize=style.NOTE_SIZE)
    for place, row in enumerate(rows.to_dict("records")):
        text = formatting.number(float(row["cost"]))
        if np.isfinite(row["know_low"]):
            text += f"  ({formatting.interval(float(row['know_low']), float(row['know_high']))})"
        sheet.annotate(
            ax,
            text,
            (float(row["cost"]), place),
            offset=(4.0, 0.0),
            ha="left",
            va="center",
            color=style.TEXT_COLOR,
        )


def _label_parts(ax: Axes, rows: pd.DataFrame) -> None:
    """Name the parts above the first bar, each as near to its own part as there is room."""
    width, _ = sheet.axes_size(ax)
    limit = ax.get_xlim()[1]
    first = rows.iloc[0]
    starts, names, colours = [], [], []
    edge = 0.0
    for column, name, colour in PARTS:
        size = float(first[column])
        if float(rows[column].max()) > 0.0:
            starts.append((edge + 0.5 * size) / limit * width)
            names.append(name)
            colours.append(colour)
        edge += size
    name_widths = [text_width(name, style.NOTE_SIZE, True) + 8.0 for name in names]
    room = width + (RIGHT_MM - 2.0) * sheet.POINTS_PER_MM
    centres = spread_labels(starts, heights=name_widths, low=0.0, high=room)
    for centre, start, name, colour in zip(centres, starts, names, colours, strict=True):
        ax.annotate(
            name,
            xy=(start / width, _axes_fraction(ax, -0.31)),
            xycoords="axes fraction",
            xytext=(
                float(centre) / width,
                _axes_fraction(ax, -0.5 - 0.55 * PART_NAMES_MM / ROW_MM),
            ),
            textcoords="axes fraction",
            ha="center",
            va="center",
            fontsize=style.NOTE_SIZE,
            fontweight="bold",
            color=colour,
            parse_math=False,
            annotation_clip=False,
            arrowprops={
                "arrowstyle": "-",
                "linewidth": 0.6,
                "color": colour,
                "shrinkA": 1.0,
                "shrinkB": 0.0,
            },
        )


def _axes_fraction(ax: Axes, y: float) -> float:
    low, high = ax.get_ylim()
    return float((y - low) / (high - low))


def _title(data: DesignResult, rows: pd.DataFrame) -> str:
    assert data.scenario.cost is not None
    strategies = rows[rows["kind"] != "cheapest point"]
    cost = data.scenario.cost
    if strategies.empty:
        return "What the cheapest design point costs in the long run"
    best = strategies.iloc[0]
    cover = formatting.length(float(best["nominal_cover_mm"]), units=data.scenario.units)
    return (
        f"In the long run {best['option']} with {cover} of nominal cover is the cheapest strategy: "
        f"{formatting.number(float(best['cost']))} {cost.unit}"
    )


def _note(data: DesignResult) -> str:
    assert data.cost is not None
    assert data.scenario.cost is not None
    note = (
        f"Real discount rate {formatting.percent(data.scenario.cost.rate)} a year. "
        f"Strategies at the cover that the drawing holds. {DURABILITY_ONLY}"
    )
    if data.cost["know_low"].notna().any():
        note += " In brackets: uncertainty range (95 %)."
    return note
