"""How the reliability index depends on cover and strip age: a map, one panel per follow-up."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import ListedColormap
from matplotlib.contour import QuadContourSet
from matplotlib.figure import Figure
from numpy.typing import NDArray

from stripwise.errors import InputError
from stripwise.report.figures import sheet, style
from stripwise.report.figures.label_placement import Box, text_width
from stripwise.report.figures.reference_durations import (
    ROW_HEIGHT,
    ReferenceLine,
    draw_reference_lines,
    label_rows,
    legend_sentence,
    lines_in_range,
)
from stripwise.report.figures.strategy_markers import (
    draw_strategy_markers,
    require_map,
    strategies_off_map,
    to_axes_points,
)
from stripwise.report.pages.cover_answers import required_cover
from stripwise.studies.results import HasReliabilityMap
from stripwise.units import formatting
from stripwise.units.caution import DURABILITY_ONLY
from stripwise.units.drawing_steps import round_length_up

__all__ = ["map_figure", "plot_map", "strip_age_ticks"]

Array = NDArray[np.float64]

PANEL_HEIGHT_MM = 58.0
LEFT_MM, GAP_MM, BELOW_MM, ABOVE_MM = 14.0, 8.5, 12.0, 7.0
LINE_NAMES_MM = 5.5
TICK_HOURS = (4, 6, 8, 12, 16, 24, 36, 48, 72, 120, 168, 336, 672)
INDEX_LIMIT = 8.0
"""Index at which the map is cut, so that infinite values can be drawn."""


def map_figure(assessment: HasReliabilityMap, *, lines: Sequence[ReferenceLine] = ()) -> Figure:
    """Draw the map of every follow-up on one sheet with a common headline, in one to three columns."""
    grid = require_map(assessment)
    count = len(grid.follow_up)
    columns = 2 if count in (2, 4) else min(count, 3)
    rows = -(-count // columns)
    shown = lines_in_range((float(grid.strip_age[0]), float(grid.strip_age[-1])), lines)
    width = (style.WIDTH_MM - LEFT_MM - 3.0 - (columns - 1) * GAP_MM) / columns
    if columns == 1:
        width = 0.7 * width
    above = ABOVE_MM + _names_height(shown, width * sheet.POINTS_PER_MM) / sheet.POINTS_PER_MM
    title, note = _title(assessment), f"{_note(assessment)} {legend_sentence(shown)}".strip()
    below = (rows - 1) * (PANEL_HEIGHT_MM + BELOW_MM + above) + BELOW_MM
    figure, total = sheet.new_canvas(
        height=PANEL_HEIGHT_MM + above,
        left=LEFT_MM,
        right=3.0,
        bottom=below,
        title=title,
        note=note,
    )
    for place, label in enumerate(grid.follow_up):
        row, column = divmod(place, columns)
        bottom = below - row * (PANEL_HEIGHT_MM + BELOW_MM + above)
        ax = figure.add_axes(
            (
                (LEFT_MM + column * (width + GAP_MM)) / style.WIDTH_MM,
                bottom / total,
                width / style.WIDTH_MM,
                PANEL_HEIGHT_MM / total,
            )
        )
        plot_map(assessment, ax=ax, follow_up=label, lines=lines)
        if column:
            ax.set_ylabel("")
            ax.set_yticklabels([])
    return figure


def plot_map(
    data: HasReliabilityMap,
    *,
    ax: Axes | None = None,
    follow_up: str | None = None,
    lines: Sequence[ReferenceLine] = (),
) -> Axes:
    """Plot the reliability index over cover and strip age for one follow-up, the first if None.

    InputError if the assessment has no map, or no such follow-up on it.
    """
    grid, units = require_map(data), data.scenario.units
    label = grid.follow_up[0] if follow_up is None else follow_up
    if label not in grid.follow_up:
        raise InputError(
            "follow_up", f"= {label!r} is not on the map; it has {', '.join(grid.follow_up)}"
        )
    if ax is None:
        ax = sheet.new_axes(
            height=90.0,
            left=LEFT_MM,
            right=4.0,
            bottom=BELOW_MM,
            title=_title(data),
            note=_note(data),
        )
        sheet.headline(ax, _title(data), note=_note(data))
    index = np.clip(grid.index[grid.follow_up.index(label)], -INDEX_LIMIT, INDEX_LIMIT)
    cover = np.array([formatting.to_display_unit(c, "mm", units=units) for c in grid.cover])
    sheet.style_axes(ax)
    ax.set_xscale("log")
    ax.set_xlim(grid.strip_age[0], grid.strip_age[-1])
    ax.set_ylim(cover[0], cover[-1])
    _draw_contours(ax, grid.strip_age, cover, index=index, data=data, label=label, lines=lines)
    ticks = strip_age_ticks(grid.strip_age[0], grid.strip_age[-1], sheet.axes_size(ax)[0])
    ax.set_xticks(ticks, labels=[formatting.duration(t) for t in ticks], parse_math=False)
    ax.set_xticks([], minor=True)
    ax.set_xlabel("Strip age", fontsize=style.TEXT_SIZE)
    ax.set_ylabel(
        f"Nominal cover [{formatting.display_unit('mm', units=units)}]", fontsize=style.TEXT_SIZE
    )
    sheet.cover_ticks(ax, units=units)
    rise = 3.5 + _names_height(lines_in_range(ax.get_xlim(), lines), sheet.axes_size(ax)[0])
    sheet.annotate(
        ax,
        f"After stripping: {label}",
        (0.0, 1.0),
        offset=(0.0, rise),
        size=style.TEXT_SIZE,
        xycoords="axes fraction",
        ha="left",
        va="bottom",
        color=style.TEXT_COLOR,
    )
    return ax


def _names_height(lines: Sequence[ReferenceLine], width: float) -> float:
    """Return the height [pt] that the names of lines take above a panel of a width [pt]."""
    if not lines:
        return 0.0
    return LINE_NAMES_MM * sheet.POINTS_PER_MM + (label_rows(lines, width) - 1) * ROW_HEIGHT


def _draw_contours(
    ax: Axes,
    hours: Array,
    cover: Array,
    *,
    index: Array,
    data: HasReliabilityMap,
    label: str,
    lines: Sequence[ReferenceLine],
) -> None:
    target = data.scenario.target.reliability_index
    shades = ListedColormap(list(style.MAP_SHADES))
    edges = [-INDEX_LIMIT - 1, target - 0.5, target, target + 0.5, INDEX_LIMIT + 1]
    ax.contourf(hours, cover, index.T, levels=edges, cmap=shades)
    boxes = draw_strategy_markers(ax, hours, cover, data=data, label=label)
    draw_reference_lines(ax, lines)
    levels = [level for level in np.arange(-6.0, 8.1, 0.5) if abs(level - target) > 0.15]
    inside = [level for level in levels if index.min() < level < index.max()]
    if index.min() < target < index.max():
        bold = ax.contour(
            hours, cover, index.T, levels=[target], colors=style.TARGET_COLOR, linewidths=1.8
        )
        boxes = _label_lines(ax, bold, boxes, bold=True)
    if inside:
        thin = ax.contour(
            hours,
            cover,
            index.T,
            levels=inside,
            colors=style.GREY,
            linewidths=0.6,
            linestyles="solid",
        )
        _label_lines(ax, thin, boxes, bold=False)


def _label_lines(ax: Axes, lines: QuadContourSet, boxes: list[Box], *, bold: bool) -> list[Box]:
    """Write each level on its own line where nothing else stands; skip it if there is no room."""
    width, height = sheet.axes_size(ax)
    for level, path in zip(lines.levels, lines.get_paths(), strict=True):
        text = (
            f"target {formatting.index(float(level))}"
            if bold
            else formatting.decimals(float(level))
        )
        size = text_width(text, style.NOTE_SIZE, bold) + 4.0, style.NOTE_SIZE * 1.5
        vertices = np.asarray(path.vertices, dtype=float)
        if not len(vertices):
            continue
        points = to_axes_points(ax, vertices[:, 0], vertices[:, 1])
        for point in _label_candidates(points):
            box = Box(float(point[0]), float(point[1]), *size)
            if box.inside(width, height) and not any(box.overlaps(other) for other in boxes):
                boxes = [*boxes, box]
                ax.annotate(
                    text,
                    xy=(box.x / width, box.y / height),
                    xycoords="axes fraction",
                    ha="center",
                    va="center",
                    fontsize=style.NOTE_SIZE,
                    fontweight="bold" if bold else "normal",
                    color=style.TARGET_COLOR if bold else style.GREY,
                    parse_math=False,
                    bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 0.6},
                )
                break
    return boxes


def _label_candidates(points: Array) -> Array:
    """Points along a line, from its middle outwards, close enough to find any gap."""
    step = np.hypot(*np.diff(points, axis=0).T)
    along = np.concatenate(([0.0], np.cumsum(step)))
    places = np.linspace(0.0, along[-1], 61)
    places = places[np.argsort(np.abs(places - 0.5 * along[-1]), kind="stable")]
    return np.column_stack([np.interp(places, along, points[:, axis]) for axis in (0, 1)])


def strip_age_ticks(low: float, high: float, width: float) -> list[float]:
    """Round strip ages in the range, dropping those whose label would touch the one before."""
    kept: list[float] = []
    edge = -np.inf
    for hours in TICK_HOURS:
        if not low <= hours <= high:
            continue
        at = np.log(hours / low) / np.log(high / low) * width
        half = 0.5 * text_width(formatting.duration(hours), style.TEXT_SIZE)
        if at - half > edge + 4.0:
            kept.append(float(hours))
            edge = at + half
    return kept


def _title(data: HasReliabilityMap) -> str:
    """Cover that the shortest and the longest strip age of the first follow-up need."""
    grid, units = require_map(data), data.scenario.units
    required = required_cover(grid, data.scenario.target.reliability_index)[0]
    parts = []
    for at in (0, -1):
        hours = formatting.duration(float(grid.strip_age[at]))
        if np.isnan(required[at]):
            most = formatting.length(float(grid.cover[-1]), units=units)
            parts.append(f"stripped at {hours}, not even {most} of nominal cover is enough")
        elif required[at] <= grid.cover[0]:
            least = formatting.length(float(grid.cover[0]), units=units)
            parts.append(f"stripped at {hours}, {least} of nominal cover is enough")
        else:
            cover = formatting.length(
                round_length_up(float(required[at]), units=units), units=units
            )
            parts.append(f"stripped at {hours}, the wall needs {cover} of nominal cover")
    text = "; ".join(parts)
    after = f" (after stripping: {grid.follow_up[0]})"
    if grid.follow_up[0] == "none":
        after = " (without curing after stripping)" if len(grid.follow_up) > 1 else ""
    return text[0].upper() + text[1:] + after


def _note(data: HasReliabilityMap) -> str:
    target = data.scenario.target
    note = (
        "Lines: reliability index against depassivation within "
        f"{formatting.years(target.service_life)}; bold: target "
        f"{formatting.index(target.reliability_index)}; darker shades are worse. Dots: "
        f"strategies by their number in the table. {DURABILITY_ONLY}"
    )
    missing = strategies_off_map(data)
    if missing:
        numbers = formatting.join_with_and([str(n) for n in missing])
        why = "outside its ranges, cured otherwise after stripping or at another temperature"
        note += f" Not on the map: No. {numbers} ({why})."
    return note
