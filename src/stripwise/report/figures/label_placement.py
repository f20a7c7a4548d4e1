"""Where labels go: measuring, wrapping, merging and spreading them so that none overlap."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.ft2font import LoadFlags
from numpy.typing import ArrayLike, NDArray

from stripwise.errors import InputError
from stripwise.report.figures import style

__all__ = [
    "LINE_SPACING",
    "Box",
    "alike",
    "balanced",
    "shortened",
    "spread",
    "text_width",
    "wrapped",
]

LINE_SPACING = 1.25
"""Distance of lines in units of the font size."""

WHITE = " \t\r\n"
BREAKS = re.compile(f"[{WHITE}]+")
"""Where a line may break: not at a no-break space."""

SAFETY = 1.02
"""Hinting at low resolution makes text a little wider than its outlines."""

ELLIPSIS = "\N{HORIZONTAL ELLIPSIS}"

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle on paper by its centre and size, all in one unit."""

    x: float
    y: float
    width: float
    height: float

    def overlaps(self, other: Box) -> bool:
        """Whether the two rectangles share more than an edge."""
        return abs(self.x - other.x) < 0.5 * (self.width + other.width) and abs(
            self.y - other.y
        ) < 0.5 * (self.height + other.height)

    def inside(self, width: float, height: float) -> bool:
        """Whether it lies in the rectangle from the origin to (width, height)."""
        return (
            0.5 * self.width <= self.x <= width - 0.5 * self.width
            and 0.5 * self.height <= self.y <= height - 0.5 * self.height
        )


def spread(
    wanted: ArrayLike,
    *,
    heights: ArrayLike,
    low: float = -np.inf,
    high: float = np.inf,
) -> Array:
    """Move label centres as little as possible so that no two labels overlap.

    Parameters
    ----------
    wanted
        (k,) centres the labels would like to have, any unit.
    heights
        (k,) or scalar, height of each label with the gap it wants, same unit.
    low, high
        Ends of the room; where the labels need more than that, they overhang both ends evenly.

    Returns
    -------
    (k,) centres with the smallest sum of squared moves, in the order of `wanted`.

    Raises
    ------
    InputError
        If a centre is not finite or a height is negative.

    Notes
    -----
    With the stacked heights subtracted, "no overlap" reads "not decreasing", so the least squares
    solution is an isotonic regression; clipping it to the room keeps it optimal.

    Examples
    --------
    >>> spread([1.0, 1.0, 5.0], heights=1.0)
    array([0.5, 1.5, 5. ])
    """
    centre = np.asarray(wanted, dtype=float)
    height = np.broadcast_to(np.asarray(heights, dtype=float), centre.shape)
    if not np.all(np.isfinite(centre)) or np.any(height < 0):
        raise InputError("labels", "need finite positions and heights of at least 0")
    if centre.size == 0:
        return centre.copy()
    order = np.argsort(centre, kind="stable")
    tall = height[order]
    offset = np.cumsum(tall) - 0.5 * tall
    start = _not_decreasing(centre[order] - offset)
    need = float(tall.sum())
    start = (
        np.full_like(start, 0.5 * (low + high - need))
        if need > high - low
        else np.clip(start, low, high - need)
    )
    placed = np.empty_like(centre)
    placed[order] = start + offset
    return placed


def _not_decreasing(values: Array) -> Array:
    """Isotonic regression by pooling neighbours that violate the order."""
    means: list[float] = []
    sizes: list[int] = []
    for value in values:
        mean, size = float(value), 1
        while means and means[-1] > mean:
            left, count = means.pop(), sizes.pop()
            mean, size = (mean * size + left * count) / (size + count), size + count
        means.append(mean)
        sizes.append(size)
    return np.repeat(means, sizes)


def alike(curves: ArrayLike, *, tolerance: float) -> list[list[int]]:
    """Group curves that cannot be told apart on paper, so that they share a label.

    Parameters
    ----------
    curves
        (s, t) values.
    tolerance
        Largest difference at any t to the first of the group.

    Returns
    -------
    Lists of row numbers, each in rising order, by first member.
    """
    rows = np.asarray(curves, dtype=float)
    groups: list[list[int]] = []
    for row in range(rows.shape[0]):
        for group in groups:
            if np.max(np.abs(rows[row] - rows[group[0]])) <= tolerance:
                group.append(row)
                break
        else:
            groups.append([row])
    return groups


def text_width(text: str, size: float, bold: bool = False) -> float:
    """Measure a line of text in the figures' font.

    Parameters
    ----------
    text
        One line.
    size
        Font size [pt].
    bold
        Whether it is set in bold.

    Returns
    -------
    Width [pt], without the little that kerning saves; a character that the font lacks counts as
    the box that stands for it, one em.
    """
    return SAFETY * size * sum(_advance(letter, bold) for letter in text)


@cache
def _advance(letter: str, bold: bool) -> float:
    """Measure one character in units of the font size."""
    weight = "bold" if bold else "normal"
    font = get_font(findfont(FontProperties(family=[style.FONT], weight=weight)))
    if not font.get_char_index(ord(letter)):
        return 1.0
    font.set_size(100.0, 72.0)
    glyph = font.load_char(ord(letter), flags=LoadFlags.NO_HINTING)
    return float(glyph.linearHoriAdvance) / 65536.0 / 100.0


def wrapped(text: str, *, width: float, size: float, bold: bool = False) -> list[str]:
    """Break a text into lines no wider than a width; a word that is too long is cut.

    Parameters
    ----------
    text
        Any text; runs of white space count as one space.
    width
        Room [pt].
    size
        Font size [pt].
    bold
        Whether it is set in bold.

    Returns
    -------
    At least one line.
    """
    lines: list[str] = []
    line = ""
    for word in BREAKS.split(text.strip(WHITE)):
        longer = f"{line} {word}" if line else word
        if text_width(longer, size, bold) <= width:
            line = longer
            continue
        if line:
            lines.append(line)
        pieces = _cut(word, width=width, size=size, bold=bold)
        lines.extend(pieces[:-1])
        line = pieces[-1]
    return [*lines, line]


def balanced(text: str, *, width: float, size: float) -> list[str]:
    """Break a text into as few lines as `wrapped` does, of lengths as even as words allow.

    Parameters
    ----------
    text
        Any text; runs of white space count as one space.
    width
        Room [pt].
    size
        Font size [pt].

    Returns
    -------
    At least one line.
    """
    lines = wrapped(text, width=width, size=size)
    longest = max(text_width(word, size) for word in BREAKS.split(text.strip(WHITE)))
    if len(lines) == 1 or longest > width:
        return lines
    low, high = longest, width
    for _ in range(8):
        middle = 0.5 * (low + high)
        even = wrapped(text, width=middle, size=size)
        if len(even) > len(lines):
            low = middle
        else:
            high, lines = middle, even
    return lines


def _cut(word: str, *, width: float, size: float, bold: bool) -> list[str]:
    pieces = [""]
    for letter in word:
        if pieces[-1] and text_width(pieces[-1] + letter, size, bold) > width:
            pieces.append("")
        pieces[-1] += letter
    return pieces


def shortened(text: str, *, width: float, size: float) -> str:
    """Cut a text to one line no wider than a width, with an ellipsis where something is missing.

    Parameters
    ----------
    text
        Any text.
    width
        Room [pt].
    size
        Font size [pt].

    Returns
    -------
    The text itself if it fits.
    """
    line = " ".join(text.split())
    if text_width(line, size) <= width:
        return line
    kept: Sequence[str] = line
    while kept and text_width("".join(kept) + ELLIPSIS, size) > width:
        kept = kept[:-1]
    return "".join(kept).rstrip() + ELLIPSIS
