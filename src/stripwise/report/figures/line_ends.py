"""How lines are named at the right edge of the axes, spread so that no two names overlap."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from matplotlib.axes import Axes

from stripwise.report.figures import sheet, style
from stripwise.report.figures.label_placement import LINE_SPACING, spread_labels

__all__ = ["LEADER_MM", "LineEnd", "label_height", "label_line_ends"]

LEADER_MM = 5.0
"""Length of the line between a curve's end and its name."""


class LineEnd(NamedTuple):
    """Where a line leaves the axes, its name (lines broken already), colour and identifier."""

    value: float
    text: str
    color: str
    gid: str | None = None


def label_height(text: str) -> float:
    """Return the height of a name with the room about it [pt]."""
    return (text.count("\n") + 1) * style.TEXT_SIZE * LINE_SPACING + 2.0


def label_line_ends(ax: Axes, ends: Sequence[LineEnd], *, touching: bool = True) -> None:
    """Write each name beside the axes, with a short line that ends at the name or just before it."""
    width, height = sheet.axes_size(ax)
    bottom, top = ax.get_ylim()
    centres = spread_labels(
        [(end.value - bottom) / (top - bottom) * height for end in ends],
        heights=[label_height(end.text) for end in ends],
        low=0.0,
        high=height,
    )
    for end, centre in zip(ends, centres, strict=True):
        ax.annotate(
            end.text,
            xy=(ax.get_xlim()[1], end.value),
            xytext=(1.0 + LEADER_MM * sheet.POINTS_PER_MM / width, centre / height),
            textcoords="axes fraction",
            ha="left",
            va="center",
            fontsize=style.TEXT_SIZE,
            color=style.TEXT_COLOR,
            linespacing=LINE_SPACING,
            annotation_clip=False,
            parse_math=False,
            gid=end.gid,
            arrowprops={
                "arrowstyle": "-",
                "linewidth": 1.0,
                "color": end.color,
                "shrinkA": 1.0,
                "shrinkB": 0.0,
                "relpos": (0.0, 0.5),
                **({"patchA": None} if touching else {}),
            },
        )
