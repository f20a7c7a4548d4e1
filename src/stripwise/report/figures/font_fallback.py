"""What a picture shows for a character that the figures' font lacks: another font, or an ellipsis.

An SVG keeps its text, and a browser finds a font for it. A PNG is drawn here once and for all.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache

from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, fontManager, get_font
from matplotlib.text import Text

from stripwise.report.figures import style

__all__ = ["MISSING_GLYPH_NOTE", "has_glyph", "substitute_missing_glyphs"]

ELLIPSIS = "\N{HORIZONTAL ELLIPSIS}"
MISSING_GLYPH_NOTE = f"{ELLIPSIS} stands for characters that no font here has; the SVG keeps them."

BOX_FONT = "Last Resort"
"""Family that has a box for every character; it ships with matplotlib."""

JOINERS = frozenset("\N{ZERO WIDTH JOINER}\N{VARIATION SELECTOR-15}\N{VARIATION SELECTOR-16}")
"""They join or colour what stands before them and need no glyph of their own."""


@contextmanager
def substitute_missing_glyphs(figure: Figure) -> Iterator[None]:
    """Let every text of a figure be read while it is drawn as a picture.

    What the figures' font lacks is taken from an installed font that has it; what none has becomes
    an ellipsis, and a line below the figure says so. Afterwards the figure is as it was.
    """
    changed: list[tuple[Text, str, list[str]]] = []
    note: Text | None = None
    for item in figure.findobj(Text):
        if not isinstance(item, Text):
            continue
        text = item.get_text()
        missing = {letter for letter in text if not has_glyph(letter)}
        if not missing:
            continue
        changed.append((item, text, list(item.get_fontfamily())))
        fallbacks = {letter: _fallback_font(letter) for letter in missing}
        item.set_fontfamily([style.FONT, *sorted({f for f in fallbacks.values() if f})])
        unavailable = "".join(letter for letter, font in fallbacks.items() if not font)
        if unavailable:
            item.set_text(re.sub(f"[{re.escape(unavailable)}]+", ELLIPSIS, text))
            note = note or figure.text(
                0.995,
                0.004,
                MISSING_GLYPH_NOTE,
                ha="right",
                va="bottom",
                fontsize=style.NOTE_SIZE - 1.5,
                color=style.GREY,
                parse_math=False,
            )
    try:
        yield
    finally:
        for item, text, family in changed:
            item.set_text(text)
            item.set_fontfamily(family)
        if note is not None:
            note.remove()


@cache
def has_glyph(letter: str) -> bool:
    """Return whether the figures' font has a character, or the character is white space."""
    if letter.isspace():
        return True
    font = get_font(findfont(FontProperties(family=[style.FONT])))
    return bool(font.get_char_index(ord(letter)))


@cache
def _fallback_font(letter: str) -> str:
    """Return the first installed family with an upright face that has a character, or nothing."""
    if letter in JOINERS:
        return ""
    faces = {
        entry.name: entry.fname
        for entry in fontManager.ttflist
        if entry.style == "normal" and entry.name != style.FONT and BOX_FONT not in entry.name
    }
    for name in sorted(faces):
        try:
            if get_font(faces[name]).get_char_index(ord(letter)):
                return name
        except (OSError, RuntimeError):  # removed since the list was made, or no outlines
            continue
    return ""
