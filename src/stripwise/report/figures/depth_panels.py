"""Panels of chloride contents over depth, in rows, under one headline."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from stripwise.report.figures import sheet, style
from stripwise.report.figures.label_placement import shorten_text

__all__ = ["depth_panels"]

PANEL_MM, LEFT_MM, RIGHT_MM, GAP_MM, BELOW_MM, ABOVE_MM = 46.0, 17.0, 3.0, 7.0, 13.0, 6.0
WIDEST_MM = 92.0


def depth_panels(
    names: Sequence[str], *, columns: int, title: str, note: str, unit: str
) -> tuple[Figure, list[Axes]]:
    """Make a figure with a panel for each name, contents in a `unit` upwards and depth sideways."""
    rows = -(-len(names) // columns)
    step = PANEL_MM + BELOW_MM + ABOVE_MM
    below = (rows - 1) * step + BELOW_MM
    figure, total = sheet.new_canvas(
        height=PANEL_MM + ABOVE_MM,
        left=LEFT_MM,
        right=RIGHT_MM,
        bottom=below,
        title=title,
        note=note,
    )
    width = (style.WIDTH_MM - LEFT_MM - RIGHT_MM - (columns - 1) * GAP_MM) / columns
    width = min(width, WIDEST_MM)
    panels = []
    for place, name in enumerate(names):
        row, column = divmod(place, columns)
        ax = figure.add_axes(
            (
                (LEFT_MM + column * (width + GAP_MM)) / style.WIDTH_MM,
                (below - row * step) / total,
                width / style.WIDTH_MM,
                PANEL_MM / total,
            )
        )
        sheet.style_axes(ax)
        ax.set_title(
            shorten_text(name, width=width * sheet.POINTS_PER_MM, size=style.TEXT_SIZE),
            loc="left",
            fontsize=style.TEXT_SIZE,
            color=style.TEXT_COLOR,
            pad=3.0,
            parse_math=False,
        )
        ax.set_xlabel("Depth [mm]", fontsize=style.TEXT_SIZE)
        if column:  # all panels share one scale
            ax.tick_params(labelleft=False)
        else:
            ax.set_ylabel(f"Chloride\n[{unit}]", fontsize=style.TEXT_SIZE)
        panels.append(ax)
    return figure, panels
