"""Which durations of standards stand on a map: a line each, named above it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes

from stripwise.report.figures import sheet, style
from stripwise.report.figures.label_placement import spread_labels, text_width
from stripwise.report.figures.strategy_markers import to_axes_points
from stripwise.units import formatting

__all__ = [
    "ReferenceLine",
    "draw_reference_lines",
    "label_rows",
    "legend_sentence",
    "lines_in_range",
]

PATTERN = (0, (1.0, 1.6))
NAME_RISE = 5.5
"""Height of the names above the frame [pt]."""
ROW_HEIGHT = 9.5
"""Height of a row of names [pt]."""
OVERHANG = 8.0
"""How far a name may stand out of the panel on either side [pt]."""


@dataclass(frozen=True, slots=True)
class ReferenceLine:
    """A duration that a standard gives.

    Attributes
    ----------
    name
        Short name that stands at the line, such as "EN class 3".
    meaning
        What the duration is, and what it is not.
    hours
        The duration [h].
    """

    name: str
    meaning: str
    hours: float


def draw_reference_lines(ax: Axes, lines: Sequence[ReferenceLine]) -> None:
    """Draw a dotted line for each duration within the axis of strip age, its name above the frame."""
    width, height = sheet.axes_size(ax)
    shown = lines_in_range(ax.get_xlim(), lines)
    if not shown:
        return
    rows = label_rows(shown, width)
    hours = np.array([line.hours for line in shown])
    line_x = to_axes_points(ax, hours, np.full(len(hours), ax.get_ylim()[0]))[:, 0]
    name_widths = np.array([_name_width(line) for line in shown])
    places = np.empty_like(line_x)
    for row in range(rows):
        places[row::rows] = spread_labels(
            line_x[row::rows], heights=name_widths[row::rows], low=-OVERHANG, high=width + OVERHANG
        )
    for k, (line, x, place) in enumerate(zip(shown, line_x, places, strict=True)):
        rise = NAME_RISE + (k % rows) * ROW_HEIGHT
        ax.axvline(
            line.hours, color=style.TEXT_COLOR, linewidth=0.9, linestyle=PATTERN, clip_on=False
        )
        ax.annotate(
            line.name,
            xy=(float(x) / width, 1.0),
            xycoords="axes fraction",
            xytext=(float(place) / width, 1.0 + rise / height),
            textcoords="axes fraction",
            ha="center",
            va="bottom",
            fontsize=style.NOTE_SIZE,
            color=style.TEXT_COLOR,
            parse_math=False,
            annotation_clip=False,
            arrowprops={
                "arrowstyle": "-",
                "linewidth": 0.5,
                "color": style.TEXT_COLOR,
                "shrinkA": 0.0,
                "shrinkB": 0.0,
            },
        )


def label_rows(lines: Sequence[ReferenceLine], width: float) -> int:
    """Return in how many rows the names of the lines stand above a panel of a width [pt]."""
    needed = sum(_name_width(line) for line in lines)
    return 1 if needed <= width + 2.0 * OVERHANG else 2


def _name_width(line: ReferenceLine) -> float:
    return text_width(line.name, style.NOTE_SIZE) + 5.0


def lines_in_range(
    limits: tuple[float, float], lines: Sequence[ReferenceLine]
) -> list[ReferenceLine]:
    """Keep the durations between two strip ages, in rising order."""
    low, high = limits
    kept = [line for line in lines if low <= line.hours <= high * (1.0 + 1e-9)]
    return sorted(kept, key=lambda line: line.hours)


def legend_sentence(lines: Sequence[ReferenceLine]) -> str:
    """Say in one sentence what the lines are, each kind of duration once; empty without lines."""
    kinds: dict[str, list[str]] = {}
    for line in lines:
        kinds.setdefault(line.meaning, []).append(line.name)
    if not kinds:
        return ""
    parts = [f"{formatting.join_with_and(names)}: {text}" for text, names in kinds.items()]
    return f"Dotted lines: {'; '.join(parts)}."
