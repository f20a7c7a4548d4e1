"""Numbered flags beside dots, each where it covers no dot and no other flag."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes

from stripwise.report.figures import sheet, style
from stripwise.report.figures.label_placement import Box, text_width
from stripwise.report.figures.strategy_markers import on_paper

__all__ = ["Spot", "flags"]

DOT = 6.0
"""Size of a dot with its rim [pt]."""

DISTANCES = (11.0, 15.0, 20.0, 26.0, 33.0, 41.0, 50.0, 60.0)
TURNS = tuple(np.deg2rad(a) for a in (45, 135, 0, 180, 315, 225, 90, 270, 20, 160, 340, 200))


@dataclass(frozen=True, slots=True)
class Spot:
    """A dot and what its flag says: place in data, text, colour of the flag."""

    x: float
    y: float
    text: str
    colour: str = style.MARK


def flags(ax: Axes, spots: Sequence[Spot], *, taken: Sequence[Box] = ()) -> list[Box]:
    """Write a flag beside each dot, as near as it can stand without covering another.

    Dots at one place share a flag.

    Parameters
    ----------
    ax
        Axes, its limits and scales set.
    spots
        The dots.
    taken
        What is covered already on paper [pt].

    Returns
    -------
    What the flags cover on paper [pt].
    """
    width, height = sheet.axes_size(ax)
    together: dict[tuple[int, int, str], tuple[float, float, list[str]]] = {}
    for spot in spots:
        x, y = (float(v) for v in on_paper(ax, np.array([spot.x]), np.array([spot.y]))[0])
        key = (round(x), round(y), spot.colour)
        together.setdefault(key, (x, y, []))[2].append(spot.text)
    covered = [*taken, *(Box(x, y, DOT, DOT) for x, y, _ in together.values())]
    placed = []
    for (_, _, colour), (x, y, texts) in together.items():
        text = ", ".join(texts)
        box = _free(x, y, text, covered, (width, height))
        covered.append(box)
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


def _free(x: float, y: float, text: str, covered: Sequence[Box], size: tuple[float, float]) -> Box:
    wide, high = text_width(text, style.NOTE_SIZE, True) + 6.0, 1.7 * style.NOTE_SIZE
    for distance in DISTANCES:
        for turn in TURNS:
            reach = distance + 0.5 * (wide - high) * abs(float(np.cos(turn)))
            box = Box(
                x + reach * float(np.cos(turn)), y + distance * float(np.sin(turn)), wide, high
            )
            if box.inside(*size) and not any(box.overlaps(other) for other in covered):
                return box
    return Box(min(max(x, wide), size[0] - wide), min(y + 11.0, size[1] - high), wide, high)
