"""Durations of standards beside a map: a line each, named above it, with its meaning in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes

from stripwise.report import paper, style, words
from stripwise.report.labels import spread, text_width
from stripwise.report.marks import on_paper

__all__ = ["ReferenceLine", "draw_lines", "inside", "meaning"]

PATTERN = (0, (1.0, 1.6))
RISE = 5.5
"""Height of the names above the frame [pt]."""


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
    width, height = paper.axes_size(ax)
    shown = inside(ax.get_xlim(), lines)
    if not shown:
        return
    hours = np.array([line.hours for line in shown])
    at = on_paper(ax, hours, np.full(len(hours), ax.get_ylim()[0]))[:, 0]
    wide = [text_width(line.name, style.NOTE_SIZE) + 5.0 for line in shown]
    places = spread(at, heights=wide, low=-8.0, high=width + 8.0)
    for line, x, place in zip(shown, at, places, strict=True):
        ax.axvline(line.hours, color=style.INK, linewidth=0.9, linestyle=PATTERN, clip_on=False)
        ax.annotate(line.name, xy=(float(x) / width, 1.0), xycoords="axes fraction",
                    xytext=(float(place) / width, 1.0 + RISE / height),
                    textcoords="axes fraction", ha="center", va="bottom",
                    fontsize=style.NOTE_SIZE, color=style.INK, parse_math=False,
                    annotation_clip=False,
                    arrowprops={"arrowstyle": "-", "linewidth": 0.5, "color": style.INK,
                                "shrinkA": 0.0, "shrinkB": 0.0})  # fmt: skip


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
    parts = [f"{words.listing(names)}: {text}" for text, names in kinds.items()]
    return f"Dotted lines: {'; '.join(parts)}."
