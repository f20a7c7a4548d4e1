"""Where labels go: measured, wrapped, merged and spread so that none overlap."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.ft2font import LoadFlags
from numpy.typing import ArrayLike, NDArray

from stripwise.errors import InputError
from stripwise.report.figures import style

__all__ = [
    "LINE_SPACING",
    "Box",
    "group_similar",
    "shorten_text",
    "spread_labels",
    "text_width",
    "wrap_balanced",
    "wrap_text",
]

LINE_SPACING = 1.25
"""Distance of lines in units of the font size."""

WHITESPACE = " \t\r\n"
BREAKS = re.compile(f"[{WHITESPACE}]+")
"""Where a line may break: not at a no-break space."""

WIDTH_SAFETY = 1.02
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


def spread_labels(
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
    >>> spread_labels([1.0, 1.0, 5.0], heights=1.0)
    array([0.5, 1.5, 5. ])
    """
    centre = np.asarray(wanted, dtype=float)
    height = np.broadcast_to(np.asarray(heights, dtype=float), centre.shape)
    if not np.all(np.isfinite(centre)) or np.any(height < 0):
        raise InputError("labels", "need finite positions and heights of at least 0")
    if centre.size == 0:
        return centre.copy()
    order = np.argsort(centre, kind="stable")
    sorted_height = height[order]
    offset = np.cumsum(sorted_height) - 0.5 * sorted_height
    start = _isotonic_regression(centre[order] - offset)
    needed = float(sorted_height.sum())
    start = (
        np.full_like(start, 0.5 * (low + high - needed))
        if needed > high - low
        else np.clip(start, low, high - needed)
    )
    placed = np.empty_like(centre)
    placed[order] = start + offset
    return placed


def _isotonic_regression(values: Array) -> Array:
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


def group_similar(curves: ArrayLike, *, tolerance: float) -> list[list[int]]:
    """Group curves (s, t) that differ at no t by more than `tolerance` from the first of the group."""
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


@lru_cache(maxsize=10_000)
def text_width(text: str, size: float, bold: bool = False) -> float:
    """Measure a line of text in the figures' font [pt], without the little that kerning saves.

    A character that the font lacks counts as the box that stands for it, one em.
    """
    return WIDTH_SAFETY * size * sum(_glyph_width(letter, bold) for letter in text)


@cache
def _glyph_width(letter: str, bold: bool) -> float:
    """Measure one character in units of the font size."""
    weight = "bold" if bold else "normal"
    font = get_font(findfont(FontProperties(family=[style.FONT], weight=weight)))
    if not font.get_char_index(ord(letter)):
        return 1.0
    font.set_size(100.0, 72.0)
    glyph = font.load_char(ord(letter), flags=LoadFlags.NO_HINTING)
    return float(glyph.linearHoriAdvance) / 65536.0 / 100.0


def wrap_text(text: str, *, width: float, size: float, bold: bool = False) -> list[str]:
    """Break a text into lines no wider than a width [pt]; a word that is too long is cut."""
    lines: list[str] = []
    line = ""
    for word in BREAKS.split(text.strip(WHITESPACE)):
        longer = f"{line} {word}" if line else word
        if text_width(longer, size, bold) <= width:
            line = longer
            continue
        if line:
            lines.append(line)
        pieces = _split_word(word, width=width, size=size, bold=bold)
        lines.extend(pieces[:-1])
        line = pieces[-1]
    return [*lines, line]


def wrap_balanced(text: str, *, width: float, size: float) -> list[str]:
    """Break a text into as few lines as `wrap_text` does, of lengths as even as words allow."""
    lines = wrap_text(text, width=width, size=size)
    longest = max(text_width(word, size) for word in BREAKS.split(text.strip(WHITESPACE)))
    if len(lines) == 1 or longest > width:
        return lines
    low, high = longest, width
    for _ in range(8):
        middle = 0.5 * (low + high)
        rewrapped = wrap_text(text, width=middle, size=size)
        if len(rewrapped) > len(lines):
            low = middle
        else:
            high, lines = middle, rewrapped
    return lines


def _split_word(word: str, *, width: float, size: float, bold: bool) -> list[str]:
    pieces = [""]
    for letter in word:
        if pieces[-1] and text_width(pieces[-1] + letter, size, bold) > width:
            pieces.append("")
        pieces[-1] += letter
    return pieces


def shorten_text(text: str, *, width: float, size: float) -> str:
    """Cut a text to one line no wider than a width [pt], with an ellipsis where something is missing."""
    line = " ".join(text.split())
    if text_width(line, size) <= width:
        return line
    kept: Sequence[str] = line
    while kept and text_width("".join(kept) + ELLIPSIS, size) > width:
        kept = kept[:-1]
    return "".join(kept).rstrip() + ELLIPSIS
