"""How figures look: one place for colours, lines, sizes and fonts, all of them data.

Colours are the set of Okabe and Ito, "Color Universal Design" (2008; recalled), chosen so that
readers with any common colour vision tell them apart; its yellow is left out because it fades on
white paper. Line patterns repeat the distinction in grey print.
"""

from __future__ import annotations

from typing import Any

__all__ = [
    "BAND_OPACITY",
    "FONT",
    "GREY",
    "LIGHT_GREY",
    "LINE_PATTERNS",
    "MAP_SHADES",
    "MARKER_COLOR",
    "NOTE_SIZE",
    "PALETTE",
    "PNG_DPI",
    "SETTINGS",
    "TARGET_COLOR",
    "TEXT_COLOR",
    "TEXT_SIZE",
    "TITLE_SIZE",
    "WIDTH_MM",
    "line_style",
]

PALETTE = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#000000")
"""Blue, vermilion, bluish green, reddish purple, orange, sky blue, black."""

LINE_PATTERNS: tuple[Any, ...] = ("-", (0, (5, 1.6)), (0, (1.2, 1.2)), (0, (6, 1.6, 1.2, 1.6)))
"""Patterns in points on and off; each pass through the palette takes the next one."""

MAP_SHADES = ("#B8D4E8", "#D3E4F0", "#E9F1F7", "#FFFFFF")
"""From below the target to far above it: darker is worse, legible under black text."""

TEXT_COLOR = "#1A1A1A"
GREY = "#5F5F5F"
LIGHT_GREY = "#D9D9D9"
TARGET_COLOR = "#000000"
MARKER_COLOR = "#00466E"
BAND_OPACITY = 0.16

FONT = "DejaVu Sans"
"""Ships with matplotlib. Most stand-ins in a browser are narrower, so labels stay apart."""

TITLE_SIZE = 9.0
TEXT_SIZE = 7.5
NOTE_SIZE = 7.0

WIDTH_MM = 160.0
"""Text width that A4 and Letter both have with ordinary margins."""

PNG_DPI = 200

SETTINGS: dict[str, Any] = {
    "font.family": FONT,
    "font.size": TEXT_SIZE,
    "svg.fonttype": "none",
    "svg.hashsalt": "stripwise",
    "axes.unicode_minus": True,
    "axes.linewidth": 0.6,
    "text.usetex": False,
    "path.simplify": True,
}
"""matplotlib settings under which figures are drawn and saved."""


def line_style(position: int) -> tuple[str, Any]:
    """Return colour and line pattern of the strategy at that position in the scenario."""
    turn, place = divmod(position, len(PALETTE))
    return PALETTE[place], LINE_PATTERNS[turn % len(LINE_PATTERNS)]
