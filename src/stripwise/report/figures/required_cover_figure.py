"""Which nominal cover each strip age needs: the target line of every follow-up."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from stripwise.report.figures import sheet, style
from stripwise.report.figures.callouts import Callout, draw_callouts
from stripwise.report.figures.label_placement import Box, group_similar, spread_labels
from stripwise.report.figures.map_figure import strip_age_ticks
from stripwise.report.figures.strategy_markers import to_axes_points
from stripwise.report.pages.cover_answers import required_cover
from stripwise.studies.design.design_result import DesignResult
from stripwise.units import formatting
from stripwise.units.caution import DURABILITY_ONLY

__all__ = ["plot_required_cover"]

Array = NDArray[np.float64]

HEIGHT_MM = 84.0
LEFT_MM, RIGHT_MM, BOTTOM_MM = 14.0, 46.0, 12.0


def plot_required_cover(data: DesignResult, *, ax: Axes | None = None) -> Axes:
    """Plot the nominal cover that meets the target over strip age, one line per follow-up.

    The strategies stand as numbered dots at their required cover, with the uncertainty range as a
    thin bar where there is one; lines that cannot be told apart share a label.
    """
    grid, units = data.reliability_map, data.scenario.units
    title, note = _title(data), _note(data)
    if ax is None:
        ax = sheet.new_axes(
            height=HEIGHT_MM, left=LEFT_MM, right=RIGHT_MM, bottom=BOTTOM_MM, title=title, note=note
        )
        sheet.headline(ax, title, note=note)
    sheet.style_axes(ax)
    low, high = grid.cover[0], grid.cover[-1]

    def to_axis_unit(mm: Array | float) -> Array:
        return np.asarray(mm) / (formatting.MM_PER_INCH if units == "US" else 1.0)

    ax.set_xscale("log")
    ax.set_xlim(grid.strip_age[0], grid.strip_age[-1])
    ax.set_ylim(float(to_axis_unit(low)), float(to_axis_unit(high)))
    needed = required_cover(grid, data.scenario.target.reliability_index)
    occupied = _draw_lines(ax, data, to_axis_unit(needed))
    _draw_strategies(ax, data, to_axis_unit, occupied)
    ticks = strip_age_ticks(grid.strip_age[0], grid.strip_age[-1], sheet.axes_size(ax)[0])
    ax.set_xticks(ticks, labels=[formatting.duration(t) for t in ticks], parse_math=False)
    ax.set_xticks([], minor=True)
    ax.grid(axis="y", color=style.LIGHT_GREY, linewidth=0.5)
    ax.set_axisbelow(True)
    sheet.cover_ticks(ax, units=units)
    ax.set_xlabel("Strip age", fontsize=style.TEXT_SIZE)
    ax.set_ylabel(
        f"Required nominal cover [{formatting.display_unit('mm', units=units)}]",
        fontsize=style.TEXT_SIZE,
    )
    return ax


def _draw_lines(ax: Axes, data: DesignResult, needed: Array) -> list[Box]:
    """Draw and name the lines; return what they cover on paper [pt]."""
    covered: list[Box] = []
    grid = data.reliability_map
    width, height = sheet.axes_size(ax)
    clipped = np.clip(np.where(np.isnan(needed), np.inf, needed), *ax.get_ylim())
    ends, texts, colours = [], [], []
    span = ax.get_ylim()[1] - ax.get_ylim()[0]
    for group in group_similar(clipped, tolerance=0.006 * span):
        colour, pattern = style.line_style(group[0])
        row = needed[group[0]]
        inside = np.isfinite(row) & (row > ax.get_ylim()[0])
        ax.plot(
            grid.strip_age[inside],
            row[inside],
            color=colour,
            linestyle=pattern,
            linewidth=1.4,
            gid=f"required-{group[0]}",
        )
        names = formatting.join_with_and([_follow_up_text(grid.follow_up[k]) for k in group])
        if inside.any():
            hours = grid.strip_age[inside]
            fine = np.geomspace(hours[0], hours[-1], 120)
            along = np.interp(np.log(fine), np.log(hours), row[inside])
            covered += [
                Box(float(x), float(y), 2.5, 2.5) for x, y in to_axes_points(ax, fine, along)
            ]
            last = int(np.flatnonzero(inside)[-1])
            ends.append(to_axes_points(ax, grid.strip_age[[last]], row[[last]])[0])
            texts.append(names)
            colours.append(colour)
    if not ends:
        return covered
    places = spread_labels(
        [end[1] for end in ends], heights=1.35 * style.TEXT_SIZE, low=0.0, high=height
    )
    for end, place, text, colour in zip(ends, places, texts, colours, strict=True):
        ax.annotate(
            text,
            xy=(end[0] / width, end[1] / height),
            xycoords="axes fraction",
            xytext=(1.0 + 10.0 / width, float(place) / height),
            textcoords="axes fraction",
            ha="left",
            va="center",
            fontsize=style.TEXT_SIZE,
            color=colour,
            parse_math=False,
            annotation_clip=False,
            arrowprops={
                "arrowstyle": "-",
                "linewidth": 0.5,
                "color": colour,
                "shrinkA": 0.0,
                "shrinkB": 0.0,
            },
        )
    return covered


def _draw_strategies(
    ax: Axes, data: DesignResult, to_axis_unit: Callable[[float], Array], occupied: list[Box]
) -> None:
    """Mark each strategy at its required cover, where that lies in the range."""
    low, high = ax.get_ylim()
    marked: list[Callout] = []
    rows = data.required.to_dict("records")
    for number, (row, strategy) in enumerate(zip(rows, data.scenario.strategies, strict=True), 1):
        hours = data.scenario.input(strategy.strip_age_input).distribution.mean
        y = float(to_axis_unit(row["required_cover_mm"]))
        if not (ax.get_xlim()[0] <= hours <= ax.get_xlim()[1] and low < y < high):
            continue
        reference = strategy.name == data.scenario.reference_strategy
        if reference and not np.isnan(row["know_low"]):
            ends = np.clip(
                [float(to_axis_unit(row["know_low"])), float(to_axis_unit(row["know_high"]))],
                low,
                high,
            )
            ax.plot(
                [hours, hours],
                ends,
                "_-",
                color=style.MARKER_COLOR,
                linewidth=2.2,
                solid_capstyle="butt",
                ms=8.0,
                mew=1.6,
                zorder=4,
                gid=f"knowledge-{number}",
            )
            bar = to_axes_points(ax, np.array([hours, hours]), ends)
            occupied = [
                *occupied,
                Box(float(bar[0, 0]), float(bar[:, 1].mean()), 8.0, float(np.ptp(bar[:, 1]))),
            ]
        ax.plot(
            [hours],
            [y],
            "o",
            ms=4.5,
            mfc=style.MARKER_COLOR,
            mec="white",
            mew=0.6,
            zorder=5,
            clip_on=False,
        )
        marked.append(Callout(hours, y, str(number)))
    draw_callouts(ax, marked, occupied=occupied)


def _follow_up_text(label: str) -> str:
    return "no curing after stripping" if label == "none" else label


def _title(data: DesignResult) -> str:
    name = data.scenario.reference_strategy
    row = data.required[data.required["strategy"] == name].iloc[0]
    needed = float(row["required_cover_mm"])
    units = data.scenario.units
    if not np.isfinite(needed):
        return f"No cover of the range meets the target with {name}"
    if str(row["status"]).startswith("any"):
        return f"Any cover of the range meets the target with {name}"
    drawn_cover = formatting.length(float(row["drawn_cover_mm"]), units=units)
    return (
        f"{name} needs {formatting.length(needed, units=units)} of nominal cover, "
        f"{drawn_cover} on the drawing; every line is the target"
    )


def _note(data: DesignResult) -> str:
    target = data.scenario.target
    note = (
        "Lines: nominal cover at which the reliability index against depassivation within "
        f"{formatting.years(target.service_life)} is {formatting.index(target.reliability_index)}. "
        "Dots: strategies by their number in the table."
    )
    if data.required["know_low"].notna().any():
        note += " Bar with caps: the reference strategy, uncertainty range (95 %), as far as the ranges go."
    return f"{note} {DURABILITY_ONLY}"
