"""Where the strategies lie on the map: a dot each, with their numbers spread to be legible."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from stripwise.errors import InputError
from stripwise.report.figures import sheet, style
from stripwise.report.figures.label_placement import Box, spread_labels, text_width
from stripwise.scenario.sections.follow_up_table import same_cure, same_degree
from stripwise.studies.results import HasReliabilityMap, ReliabilityMap
from stripwise.units import formatting
from stripwise.units.curing_words import strip_age

__all__ = [
    "draw_strategy_markers",
    "reasons_off_map",
    "require_map",
    "strategies_off_map",
    "to_axes_points",
]

Array = NDArray[np.float64]

LABEL_RISE, DOT_SIZE = 12.0, 5.0
"""Distance of the numbers from the dots and size of the dots [pt]."""


def to_axes_points(ax: Axes, x: Array, y: Array) -> Array:
    """Convert data x, y (k,) to positions (k, 2) from the lower left corner of the axes [pt]."""
    width, height = sheet.axes_size(ax)
    share = ax.transAxes.inverted().transform(ax.transData.transform(np.column_stack((x, y))))
    return np.asarray(share * (width, height))


def draw_strategy_markers(
    ax: Axes, hours: Array, cover: Array, *, data: HasReliabilityMap, label: str
) -> list[Box]:
    """Mark the strategies of a panel by a dot each, with their numbers spread beside it.

    `hours` (t,) are the strip ages of the map [h], `cover` (c,) its nominal covers in the unit of the
    axis, `label` names the follow-up. Returns what is covered on paper [pt].
    """
    scenario = data.scenario
    nominal = formatting.to_display_unit(scenario.nominal_cover, "mm", units=scenario.units)
    if not cover[0] <= nominal <= cover[-1]:
        return []
    numbers_at: dict[float, list[str]] = {}
    for number, strip, panel in _map_points(data):
        if panel == label and hours[0] <= strip <= hours[-1]:
            numbers_at.setdefault(round(strip, 1), []).append(str(number))
    if not numbers_at:
        return []
    width, height = sheet.axes_size(ax)
    strips = np.array(list(numbers_at))
    dots = to_axes_points(ax, strips, np.full(len(numbers_at), nominal))
    texts = [", ".join(numbers) for numbers in numbers_at.values()]
    ax.plot(
        strips,
        np.full(len(numbers_at), nominal),
        "o",
        ms=DOT_SIZE,
        mfc=style.MARKER_COLOR,
        mec="white",
        mew=0.6,
        clip_on=False,
        gid=f"strategies-{require_map(data).follow_up.index(label)}",
    )
    boxes = [Box(float(x), float(y), DOT_SIZE + 2.0, DOT_SIZE + 2.0) for x, y in dots]
    for text, dot, (x, y, wide) in zip(
        texts, dots, _place_labels(texts, dots, (width, height)), strict=True
    ):
        boxes.append(Box(x, y, wide, 1.6 * style.NOTE_SIZE))
        ax.annotate(
            text,
            xy=(dot[0] / width, dot[1] / height),
            xycoords="axes fraction",
            xytext=(x / width, y / height),
            textcoords="axes fraction",
            ha="center",
            va="center",
            fontsize=style.NOTE_SIZE,
            fontweight="bold",
            color="white",
            annotation_clip=False,
            parse_math=False,
            bbox={
                "boxstyle": "square,pad=0.2",
                "facecolor": style.MARKER_COLOR,
                "edgecolor": "none",
            },
            arrowprops={
                "arrowstyle": "-",
                "linewidth": 0.9,
                "color": style.MARKER_COLOR,
                "shrinkA": 0.0,
                "shrinkB": 0.0,
            },
        )
    return boxes


def _place_labels(
    texts: list[str], dots: Array, size: tuple[float, float]
) -> list[tuple[float, float, float]]:
    """Place the numbers in as many rows as they need, away from the nearer edge of the panel.

    Two rows stand on either side of the dots if there is room. Returns centre x, y and width
    of each [pt].
    """
    widths = np.array([text_width(text, style.NOTE_SIZE, True) + 6.0 for text in texts])
    rows = int(np.ceil(widths.sum() / size[0]))
    order = np.argsort(dots[:, 0], kind="stable")
    up = 1.0 if dots[0, 1] < (0.8 if rows == 1 else 0.5) * size[1] else -1.0
    room = 1.8 * LABEL_RISE
    # lines to two rows on one side would cross; one row on either side cannot
    both = rows == 2 and room < dots[0, 1] < size[1] - room
    places: list[tuple[float, float, float]] = [(0.0, 0.0, 0.0)] * len(texts)
    for row in range(rows):
        members = order[row::rows]
        centres = spread_labels(dots[members, 0], heights=widths[members], low=0.0, high=size[0])
        rise = (1.0, -1.0)[row] if both else 1.0 + 1.1 * row
        y = float(dots[0, 1]) + up * LABEL_RISE * rise
        for k, x in zip(members, centres, strict=True):
            places[k] = (float(x), y, float(widths[k]))
    return places


def _map_points(data: HasReliabilityMap) -> list[tuple[int, float, str]]:
    """List number, strip age [h] and follow-up of the strategies that are a point of the map.

    Their penalty is the law's, and they are as warm as the map and wet or covered as long.
    """
    scenario = data.scenario
    open_to = scenario.choices.follow_up if scenario.choices else ()
    return [
        (number, scenario.input(s.strip_age_input).distribution.mean, s.follow_up.label)
        for number, s in enumerate(scenario.strategies, start=1)
        if not s.penalty_input
        and same_degree(s.temperature, scenario.curing.temperature)
        and any(same_cure(s.follow_up, item) for item in open_to)
    ]


def strategies_off_map(data: HasReliabilityMap) -> list[int]:
    """List the strategies that lie on no panel of the map, by number from 1."""
    return sorted({number for numbers in reasons_off_map(data).values() for number in numbers})


def reasons_off_map(data: HasReliabilityMap) -> dict[str, list[int]]:
    """Say why strategies lie on no panel of the map: their numbers, from 1, by reason.

    A strategy stands under the first reason that holds.
    """
    scenario, grid = data.scenario, require_map(data)
    units = scenario.units
    nominal = scenario.nominal_cover
    warmth = scenario.curing.temperature
    open_to = scenario.choices.follow_up if scenario.choices else ()
    covers = formatting.interval(
        float(grid.cover[0]), float(grid.cover[-1]), lambda mm: formatting.length(mm, units=units)
    )
    ages = formatting.interval(float(grid.strip_age[0]), float(grid.strip_age[-1]), strip_age)
    found: dict[str, list[int]] = {}
    for number, strategy in enumerate(scenario.strategies, start=1):
        strip = scenario.input(strategy.strip_age_input).distribution.mean
        label = strategy.follow_up.label
        alike = [item for item in open_to if item.label == label and label in grid.follow_up]
        if not grid.cover[0] <= nominal <= grid.cover[-1]:
            reason = (
                f"the nominal cover, {formatting.length(nominal, units=units)}, is outside {covers}"
            )
        elif strategy.penalty_input:
            reason = "the penalty is given, not from the curing law"
        elif not same_degree(strategy.temperature, warmth):
            reason = (
                "the concrete in the forms is not at the "
                f"{formatting.temperature(warmth, units=units)} of the map"
            )
        elif not alike:
            reason = f"its curing after stripping ({label}) is not among the choices"
        elif not any(same_cure(strategy.follow_up, item) for item in alike):
            reason = f"its curing after stripping ({label}) has another temperature or face"
        elif not grid.strip_age[0] <= strip <= grid.strip_age[-1]:
            reason = f"the strip age is outside {ages}"
        else:
            continue
        found.setdefault(reason, []).append(number)
    return found


def require_map(data: HasReliabilityMap) -> ReliabilityMap:
    """Return the reliability map of a result; InputError if the scenario opens no choices."""
    if data.reliability_map is None:
        raise InputError("map", "is missing; the scenario opens no choices")
    return data.reliability_map
