"""Which designs no other beats in both first cost and probability."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from stripwise.errors import InputError
from stripwise.report.figures import sheet, style
from stripwise.report.figures.callouts import Callout, draw_callouts
from stripwise.report.figures.label_placement import Box, text_width
from stripwise.report.figures.strategy_markers import to_axes_points
from stripwise.studies.design.cost_tables import CHEAPEST_FIRST
from stripwise.studies.design.design_result import DesignResult
from stripwise.units import formatting
from stripwise.units.caution import DURABILITY_ONLY

__all__ = ["plot_pareto"]

HEIGHT_MM = 88.0
LEFT_MM, RIGHT_MM, BOTTOM_MM = 16.0, 6.0, 12.0
LOWEST_PROBABILITY = 1e-6
MOST_DOTS = 800
"""Grey dots that are drawn; more would only make the file larger."""
DRAWN_COVER_COLOR = style.PALETTE[1]
DECADE_TICKS = (1e-6, 1e-5, 1e-4, 1e-3, 0.01, 0.1, 0.5, 1.0)
TICKS = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0)


def plot_pareto(data: DesignResult, *, ax: Axes | None = None) -> Axes:
    """Plot the cost of the first build against the probability at the target life.

    Design points that another beats in one without losing in the other are grey; strategies are
    numbered, at the scenario's cover and at the cover that a drawing would hold. InputError if the
    design has no prices.
    """
    if data.pareto is None or data.scenario.cost is None:
        raise InputError("cost", "is missing; without prices there is no first cost to draw")
    title, note = _title(data), _note(data)
    if ax is None:
        ax = sheet.new_axes(
            height=HEIGHT_MM, left=LEFT_MM, right=RIGHT_MM, bottom=BOTTOM_MM, title=title, note=note
        )
        sheet.headline(ax, title, note=note)
    table = data.scenario.cost.shown(data.pareto).assign(
        probability=data.pareto["probability"].clip(lower=LOWEST_PROBABILITY)
    )
    sheet.style_axes(ax)
    points = table[table["kind"] == "design point"]
    strategies = table[table["kind"] == "strategy"]
    drawn = table[table["kind"] == "strategy at drawn cover"]
    _limits(ax, table, data)
    dominated = points[points["dominated"]]
    front = points[~points["dominated"]].sort_values("first_cost")
    dominated = dominated.iloc[:: max(len(dominated) // MOST_DOTS, 1)]
    ax.plot(
        dominated["first_cost"],
        dominated["probability"],
        ".",
        ms=1.8,
        color=style.LIGHT_GREY,
        gid="dominated",
    )
    ax.plot(
        front["first_cost"],
        front["probability"],
        "-o",
        ms=2.6,
        lw=0.7,
        color=style.TEXT_COLOR,
        gid="not-dominated",
    )
    allowed = data.scenario.target.probability
    ax.axhline(allowed, color=style.TARGET_COLOR, linewidth=1.6)
    occupied = [_label_target(ax, data)]
    occupied += _label_front(ax, front, occupied)
    numbers = {s.name: str(n) for n, s in enumerate(data.scenario.strategies, 1)}
    marked = []
    for rows, marker, colour in (
        (strategies, "o", style.MARKER_COLOR),
        (drawn, "s", DRAWN_COVER_COLOR),
    ):
        ax.plot(
            rows["first_cost"],
            rows["probability"],
            marker,
            ms=5.0,
            mfc=colour,
            mec="white",
            mew=0.6,
            zorder=5,
            clip_on=False,
        )
        marked += [
            Callout(
                float(row["first_cost"]), float(row["probability"]), numbers[row["option"]], colour
            )
            for row in rows.to_dict("records")
        ]
    draw_callouts(ax, marked, occupied=occupied)
    ax.set_xlabel(f"Cost of the first build [{data.scenario.cost.unit}]", fontsize=style.TEXT_SIZE)
    ax.set_ylabel(
        f"Probability within {formatting.years(data.scenario.target.service_life)}",
        fontsize=style.TEXT_SIZE,
    )
    return ax


def _limits(ax: Axes, table: pd.DataFrame, data: DesignResult) -> None:
    p, first = table["probability"], table["first_cost"]
    low = min(float(p.min()), 0.5 * data.scenario.target.probability)
    high = max(float(p.max()), 2.0 * data.scenario.target.probability)
    ax.set_yscale("log")
    ax.set_ylim(0.8 * low, min(1.3 * high, 1.0))
    room = 0.05 * (float(first.max()) - float(first.min())) or 1.0
    ax.set_xlim(float(first.min()) - room, float(first.max()) + room)
    choices = DECADE_TICKS if high / low > 1000.0 else TICKS
    ticks = [t for t in choices if ax.get_ylim()[0] <= t <= ax.get_ylim()[1]]
    ax.set_yticks(ticks, labels=[formatting.percent(t) for t in ticks], parse_math=False)
    ax.set_yticks([], minor=True)


def _label_target(ax: Axes, data: DesignResult) -> Box:
    """Name the target at the right end of its line."""
    allowed = data.scenario.target.probability
    text = f"target {formatting.percent(allowed)}"
    return _write_left_of(ax, text, ax.get_xlim()[1], allowed, style.TARGET_COLOR, bold=True)


def _label_front(ax: Axes, front: pd.DataFrame, occupied: list[Box]) -> list[Box]:
    """Name the points that nothing beats, in the empty corner below their line."""
    if front.empty:
        return []
    width, height = sheet.axes_size(ax)
    text = "design points that no other beats"
    box_width, box_height = text_width(text, style.NOTE_SIZE) + 2.0, 1.3 * style.NOTE_SIZE
    for place in np.linspace(0.6, 1.0, 9):
        row = front.iloc[round(float(place) * (len(front) - 1))]
        x, y = to_axes_points(ax, np.array([row["first_cost"]]), np.array([row["probability"]]))[0]
        box = Box(float(x) - 8.0 - 0.5 * box_width, float(y) - 9.0, box_width, box_height)
        if box.inside(width, height) and not any(box.overlaps(other) for other in occupied):
            _write_in_box(ax, text, box, style.TEXT_COLOR)
            return [box]
    return []


def _write_left_of(
    ax: Axes, text: str, x: float, y: float, colour: str, *, bold: bool = False
) -> Box:
    """Write a text that ends above a point, and return what it covers on paper [pt]."""
    width, _ = sheet.axes_size(ax)
    at = to_axes_points(ax, np.array([x]), np.array([y]))[0]
    length = text_width(text, style.NOTE_SIZE, bold)
    right = min(float(at[0]), width - 2.0)
    box = Box(right - 0.5 * length, float(at[1]) + 7.0, length + 2.0, 1.3 * style.NOTE_SIZE)
    _write_in_box(ax, text, box, colour, bold=bold)
    return box


def _write_in_box(ax: Axes, text: str, box: Box, colour: str, *, bold: bool = False) -> None:
    width, height = sheet.axes_size(ax)
    ax.annotate(
        text,
        xy=(box.x / width, box.y / height),
        xycoords="axes fraction",
        ha="center",
        va="center",
        fontsize=style.NOTE_SIZE,
        color=colour,
        fontweight="bold" if bold else "normal",
        parse_math=False,
        annotation_clip=False,
        zorder=4,
        bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.3},
    )


def _title(data: DesignResult) -> str:
    assert data.pareto is not None
    assert data.scenario.cost is not None
    good = data.pareto[data.pareto["kind"] == CHEAPEST_FIRST]
    if good.empty:
        return "No pair that can be built within the ranges meets the target"
    best = good.iloc[0]
    units = data.scenario.units
    after = "" if best["follow_up"] == "none" else f", then {best['follow_up']}"
    return (
        "The cheapest first build that meets the target has "
        f"{formatting.length(float(best['nominal_cover_mm']), units=units)} of nominal cover and forms kept "
        f"{formatting.duration(float(best['strip_age_h']))}{after}: "
        f"{data.scenario.cost.text(float(best['first_cost']))}"
    )


def _note(data: DesignResult) -> str:
    return (
        "Grey: design points that another beats in first cost or in probability without losing in "
        "the other. Blue dots: strategies at the scenario's cover; orange squares: the same at the "
        "cover that the drawing holds; numbers as in the table. The first build counts forms, "
        f"curing after stripping and the cover beyond the lowest of the range. {DURABILITY_ONLY}"
    )
