"""How values and their intervals are charted: one row each, name at the left, number at the right."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes

from stripwise.report.figures import sheet, style
from stripwise.report.figures.label_placement import shorten_text, wrap_text
from stripwise.units import formatting

__all__ = ["DotRow", "plot_dot_intervals"]

NAME_WIDTH_MM, NUMBER_WIDTH_MM = 44.0, 38.0
ROW_MM, LINE_MM = 7.0, 3.2
MOST_NAME_LINES = 2
SMALL_DOT_SIZE = 2.6


@dataclass(frozen=True, slots=True)
class DotRow:
    """One row of a chart.

    Attributes
    ----------
    name
        What the row is about.
    value
        The dot.
    low, high
        Ends of the interval; NaN for none.
    text
        The number as it stands at the right.
    points
        Single values, drawn small.
    hollow
        Whether the dot is a ring.
    """

    name: str
    value: float
    low: float
    high: float
    text: str
    points: tuple[float, ...] = ()
    hollow: bool = False


def plot_dot_intervals(
    rows: Sequence[DotRow],
    *,
    title: str,
    note: str,
    label: str,
    mark: float | None = None,
    log: bool = False,
    width: float = style.WIDTH_MM,
    number_width: float = NUMBER_WIDTH_MM,
    ax: Axes | None = None,
) -> Axes:
    """Plot dots with their intervals, the first row at the top.

    `label` names the axis with its unit; `mark` is the value of a vertical line, such as 1 for a
    ratio; `width` of the figure and of the numbers at its right in mm.
    """
    names = [_row_label(row.name) for row in rows]
    tallest = max(name.count("\n") for name in names)
    if ax is None:
        ax = sheet.new_axes(
            height=(ROW_MM + LINE_MM * tallest) * max(len(rows), 2) + 4.0,
            left=NAME_WIDTH_MM,
            right=number_width,
            bottom=12.0,
            title=title,
            note=note,
            width=width,
        )
    sheet.style_axes(ax)
    ax.spines["left"].set_visible(False)
    if log:
        ax.set_xscale("log")
    if mark is not None:
        ax.axvline(mark, color=style.GREY, lw=0.8, ls=(0, (3, 2)), gid="mark", zorder=1)
    height = np.arange(len(rows))[::-1]
    for y, row in zip(height, rows, strict=True):
        if row.points:
            ax.plot(
                row.points,
                np.full(len(row.points), y - 0.22),
                "o",
                ms=SMALL_DOT_SIZE,
                color=style.GREY,
                mew=0,
                gid=f"points-{y}",
                zorder=2,
            )
        if np.isfinite(row.low) and np.isfinite(row.high):
            ax.plot(
                [row.low, row.high],
                [y, y],
                color=style.PALETTE[0],
                lw=1.6,
                solid_capstyle="butt",
                gid=f"interval-{y}",
                zorder=3,
            )
        ax.plot(
            [row.value],
            [y],
            "o",
            ms=5.5,
            color="white" if row.hollow else style.PALETTE[0],
            mec=style.PALETTE[0] if row.hollow else "white",
            mew=1.4 if row.hollow else 0.6,
            gid=f"dot-{y}",
            zorder=4,
        )
        sheet.annotate(
            ax,
            row.text,
            (1.0, y),
            offset=(6.0, 0.0),
            size=style.TEXT_SIZE,
            xycoords=("axes fraction", "data"),
            va="center",
            color=style.TEXT_COLOR,
        )
    ax.set_yticks(height, names, parse_math=False)
    ax.tick_params(axis="y", length=0)
    ax.set_ylim(-0.7, len(rows) - 0.3)
    ax.set_xlabel(label, fontsize=style.TEXT_SIZE)
    sheet.headline(ax, title, note=note)
    return ax


def _row_label(text: str) -> str:
    """Break a name into at most two lines; what does not fit ends in an ellipsis."""
    room = (NAME_WIDTH_MM - 4.0) * sheet.POINTS_PER_MM
    lines = wrap_text(formatting.no_break_spaces(text), width=room, size=style.TEXT_SIZE)
    if len(lines) > MOST_NAME_LINES:
        rest = " ".join(lines[MOST_NAME_LINES - 1 :])
        last = shorten_text(rest, width=room, size=style.TEXT_SIZE)
        lines = [*lines[: MOST_NAME_LINES - 1], last]
    return "\n".join(lines)
