"""Durations of standards beside a map: a line each, named above it, with its meaning in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes

from stripwise.report import formatting
from stripwise.report.figures import sheet, style
from stripwise.report.figures.label_placement import spread, text_width
from stripwise.report.figures.strategy_markers import on_paper

__all__ = ["ReferenceLine", "draw_lines", "inside", "meaning", "name_rows"]

PATTERN = (0, (1.0, 1.6))
RISE = 5.5
"""Height of the names above the frame [pt]."""
ROW = 9.5
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


def draw_lines(ax: Axes, lines: Sequence[ReferenceLine]) -> None:
    """Draw a dotted line for each duration on the axis, its name above the frame.

    Parameters
    ----------
    ax
        Axes whose x is the strip age, its limits and scale set.
    lines
        The durations; those beyond the axis are left out.
    """
    width, height = sheet.axes_size(ax)
    shown = inside(ax.get_xlim(), lines)
    if not shown:
        return
    rows = name_rows(shown, width)
    hours = np.array([line.hours for line in shown])
    at = on_paper(ax, hours, np.full(len(hours), ax.get_ylim()[0]))[:, 0]
    wide = np.array([_name_width(line) for line in shown])
    places = np.empty_like(at)
    for row in range(rows):
        places[row::rows] = spread(
            at[row::rows], heights=wide[row::rows], low=-OVERHANG, high=width + OVERHANG
        )
    for k, (line, x, place) in enumerate(zip(shown, at, places, strict=True)):
        rise = RISE + (k % rows) * ROW
        ax.axvline(line.hours, color=style.INK, linewidth=0.9, linestyle=PATTERN, clip_on=False)
        ax.annotate(
            line.name,
            xy=(float(x) / width, 1.0),
            xycoords="axes fraction",
            xytext=(float(place) / width, 1.0 + rise / height),
            textcoords="axes fraction",
            ha="center",
            va="bottom",
            fontsize=style.NOTE_SIZE,
            color=style.INK,
            parse_math=False,
            annotation_clip=False,
            arrowprops={
                "arrowstyle": "-",
                "linewidth": 0.5,
                "color": style.INK,
                "shrinkA": 0.0,
                "shrinkB": 0.0,
            },
        )


def name_rows(lines: Sequence[ReferenceLine], width: float) -> int:
    """Return in how many rows the names of the lines stand above a panel of a width [pt]."""
    need = sum(_name_width(line) for line in lines)
    return 1 if need <= width + 2.0 * OVERHANG else 2


def _name_width(line: ReferenceLine) -> float:
    return text_width(line.name, style.NOTE_SIZE) + 5.0


def inside(limits: tuple[float, float], lines: Sequence[ReferenceLine]) -> list[ReferenceLine]:
    """Keep the durations between two strip ages, in rising order."""
    low, high = limits
    kept = [line for line in lines if low <= line.hours <= high * (1.0 + 1e-9)]
    return sorted(kept, key=lambda line: line.hours)


def meaning(lines: Sequence[ReferenceLine]) -> str:
    """Say what the lines are, each kind of duration once.

    Parameters
    ----------
    lines
        The durations.

    Returns
    -------
    One sentence; empty without lines.
    """
    kinds: dict[str, list[str]] = {}
    for line in lines:
        kinds.setdefault(line.meaning, []).append(line.name)
    if not kinds:
        return ""
    parts = [f"{formatting.listing(names)}: {text}" for text, names in kinds.items()]
    return f"Dotted lines: {'; '.join(parts)}."
