"""Where numbered callouts go: beside their points, covering no point and no other callout."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes

from stripwise.report.figures import sheet, style
from stripwise.report.figures.label_placement import Box, text_width
from stripwise.report.figures.strategy_markers import to_axes_points

__all__ = ["Callout", "draw_callouts"]

DOT_SIZE = 6.0
"""Size of a point with its rim [pt]."""

DISTANCES = (11.0, 15.0, 20.0, 26.0, 33.0, 41.0, 50.0, 60.0)
ANGLES = tuple(np.deg2rad(a) for a in (45, 135, 0, 180, 315, 225, 90, 270, 20, 160, 340, 200))


@dataclass(frozen=True, slots=True)
class Callout:
    """A point in data coordinates, and text and colour of the box that names it."""

    x: float
    y: float
    text: str
    colour: str = style.MARKER_COLOR


def draw_callouts(
    ax: Axes, callouts: Sequence[Callout], *, occupied: Sequence[Box] = ()
) -> list[Box]:
    """Write a callout beside each point, as near as it can stand without covering another.

    Points at one place share a callout. `occupied` is what is covered already on paper [pt]; returned
    is what the callouts cover.
    """
    width, height = sheet.axes_size(ax)
    merged: dict[tuple[int, int, str], tuple[float, float, list[str]]] = {}
    for callout in callouts:
        x, y = (
            float(v) for v in to_axes_points(ax, np.array([callout.x]), np.array([callout.y]))[0]
        )
        key = (round(x), round(y), callout.colour)
        merged.setdefault(key, (x, y, []))[2].append(callout.text)
    blocked = [*occupied, *(Box(x, y, DOT_SIZE, DOT_SIZE) for x, y, _ in merged.values())]
    placed = []
    for (_, _, colour), (x, y, texts) in merged.items():
        text = ", ".join(texts)
        box = _free_box(x, y, text, blocked, (width, height))
        blocked.append(box)
        placed.append(box)
        ax.annotate(
            text,
            xy=(x / width, y / height),
            xycoords="axes fraction",
            xytext=(box.x / width, box.y / height),
            textcoords="axes fraction",
            ha="center",
            va="center",
            fontsize=style.NOTE_SIZE,
            fontweight="bold",
            color="white",
            parse_math=False,
            zorder=6,
            bbox={"boxstyle": "square,pad=0.2", "facecolor": colour, "edgecolor": "none"},
            arrowprops={
                "arrowstyle": "-",
                "linewidth": 0.7,
                "color": colour,
                "shrinkA": 0.0,
                "shrinkB": 0.0,
            },
        )
    return placed


def _free_box(
    x: float, y: float, text: str, blocked: Sequence[Box], size: tuple[float, float]
) -> Box:
    box_width, box_height = text_width(text, style.NOTE_SIZE, True) + 6.0, 1.7 * style.NOTE_SIZE
    for distance in DISTANCES:
        for angle in ANGLES:
            reach = distance + 0.5 * (box_width - box_height) * abs(float(np.cos(angle)))
            box = Box(
                x + reach * float(np.cos(angle)),
                y + distance * float(np.sin(angle)),
                box_width,
                box_height,
            )
            if box.inside(*size) and not any(box.overlaps(other) for other in blocked):
                return box
    return Box(
        min(max(x, box_width), size[0] - box_width),
        min(y + 11.0, size[1] - box_height),
        box_width,
        box_height,
    )
