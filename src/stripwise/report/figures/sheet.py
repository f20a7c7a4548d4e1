"""Figures as sheets of paper: axes placed in mm, a headline, and files that are reproducible."""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from stripwise.errors import InputError
from stripwise.report import formatting
from stripwise.report.figures import style
from stripwise.report.figures.font_fallback import legible
from stripwise.report.figures.label_placement import LINE_SPACING, wrapped

__all__ = [
    "POINTS_PER_MM",
    "axes_size",
    "dress",
    "figure_files",
    "figure_of",
    "headline",
    "png",
    "sheet",
    "styled",
    "svg",
]

POINTS_PER_MM = 72.0 / style.MM_PER_INCH

MARGIN_MM = 1.0
TITLE_GAP = 5.0
"""Space between headline, note and axes [pt]."""


@contextmanager
def styled() -> Iterator[None]:
    """Draw and save with the settings of `style`, whatever the user's own matplotlib settings."""
    with mpl.rc_context(), warnings.catch_warnings():
        # A name may hold characters that the font lacks: the SVG keeps them as text, and the PNG
        # sees to them itself; neither is a fault of the run.
        warnings.filterwarnings("ignore", message=r"Glyph .* missing from font", append=False)
        mpl.rcdefaults()
        settings: Any = mpl.rcParams
        settings.update(style.SETTINGS)
        yield


def sheet(
    *, height: float, left: float, right: float, bottom: float, title: str, note: str
) -> Axes:
    """Make a figure of text width with one axes and room for its headline.

    Parameters
    ----------
    height
        Height of the axes [mm].
    left, right, bottom
        Room beside and below the axes [mm].
    title, note
        The texts that `headline` will put above it.

    Returns
    -------
    The empty axes; its figure is reached by ``.figure``.
    """
    top = _head_height(title, note) / POINTS_PER_MM + 2.0
    total = bottom + height + top
    figure = Figure(figsize=(style.WIDTH_MM / style.MM_PER_INCH, total / style.MM_PER_INCH))
    return figure.add_axes(
        (
            left / style.WIDTH_MM,
            bottom / total,
            1.0 - (left + right) / style.WIDTH_MM,
            height / total,
        )
    )


def axes_size(ax: Axes) -> tuple[float, float]:
    """Return width and height of the axes [pt]."""
    box = ax.get_position()
    figure = ax.get_figure(root=True)
    if figure is None:  # an axes that was removed from its figure
        return 0.0, 0.0
    width, height = figure.get_size_inches()
    return float(box.width * width * 72.0), float(box.height * height * 72.0)


def figure_of(ax: Axes) -> Figure:
    """Return the figure that an axes stands on.

    Parameters
    ----------
    ax
        Axes of a figure.

    Returns
    -------
    The whole figure.

    Raises
    ------
    InputError
        If the axes was removed from its figure.
    """
    figure = ax.get_figure(root=True)
    if figure is None:
        raise InputError("axes", "stands on no figure")
    return figure


def headline(ax: Axes, title: str, *, note: str) -> None:
    """Put the message and a small note above the axes, flush with the left edge of the figure.

    Parameters
    ----------
    ax
        Axes to write above.
    title
        The one message, any length.
    note
        How to read the figure.
    """
    width, _ = axes_size(ax)
    box = ax.get_position()
    whole = width / box.width if box.width else 0.0
    edge = (MARGIN_MM * POINTS_PER_MM - box.x0 * whole) / width if width else 0.0
    room = _room_for_text(whole)
    title, note = formatting.tied(title), formatting.tied(note)
    note_lines = wrapped(note, width=room, size=style.NOTE_SIZE) if note else []
    title_lines = wrapped(title, width=room, size=style.TITLE_SIZE, bold=True)
    note_height = _height(len(note_lines), style.NOTE_SIZE)
    ax.set_title(
        "\n".join(title_lines),
        loc="left",
        x=edge,
        y=1.0,
        pad=TITLE_GAP + note_height + (TITLE_GAP if note_lines else 0.0),
        fontsize=style.TITLE_SIZE,
        fontweight="bold",
        color=style.INK,
        linespacing=LINE_SPACING,
        parse_math=False,
    )
    if note_lines:
        ax.annotate(
            "\n".join(note_lines),
            xy=(edge, 1.0),
            xycoords="axes fraction",
            xytext=(0.0, TITLE_GAP),
            textcoords="offset points",
            ha="left",
            va="bottom",
            fontsize=style.NOTE_SIZE,
            color=style.GREY,
            linespacing=LINE_SPACING,
            annotation_clip=False,
            parse_math=False,
        )


def dress(ax: Axes) -> None:
    """Take away what carries no information: upper and right spine, heavy ticks."""
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        ax.spines[side].set_color(style.GREY)
        ax.spines[side].set_linewidth(0.6)
    ax.tick_params(
        labelsize=style.TEXT_SIZE, color=style.GREY, labelcolor=style.INK, length=2.5, width=0.6
    )


def svg(figure: Figure) -> str:
    """Write a figure as SVG whose text stays text and whose bytes depend on the data only.

    Parameters
    ----------
    figure
        Figure drawn under `styled`.

    Returns
    -------
    An SVG document.
    """
    buffer = io.StringIO()
    with styled():
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    return buffer.getvalue()


def png(figure: Figure) -> bytes:
    """Write a figure as PNG at print resolution.

    Parameters
    ----------
    figure
        Figure drawn under `styled`.

    Returns
    -------
    The file's bytes.
    """
    buffer = io.BytesIO()
    with styled(), legible(figure):
        figure.savefig(buffer, format="png", dpi=style.PNG_DPI, metadata={"Software": None})
    return buffer.getvalue()


def figure_files(figures: Mapping[str, Figure]) -> tuple[dict[str, str], dict[str, bytes]]:
    """Write every figure both ways, once.

    Parameters
    ----------
    figures
        Figures drawn under `styled`, by name.

    Returns
    -------
    SVG documents by name, for the page; and the bytes of figures/NAME.svg and figures/NAME.png.
    """
    vectors = {name: svg(figure) for name, figure in figures.items()}
    files = {}
    for name, figure in figures.items():
        files[f"figures/{name}.svg"] = vectors[name].encode()
        files[f"figures/{name}.png"] = png(figure)
    return vectors, files


def _room_for_text(figure_width: float) -> float:
    return figure_width - 2.0 * MARGIN_MM * POINTS_PER_MM


def _head_height(title: str, note: str) -> float:
    room = _room_for_text(style.WIDTH_MM * POINTS_PER_MM)
    title, note = formatting.tied(title), formatting.tied(note)
    title_lines = wrapped(title, width=room, size=style.TITLE_SIZE, bold=True)
    note_lines = wrapped(note, width=room, size=style.NOTE_SIZE) if note else []
    height = _height(len(title_lines), style.TITLE_SIZE) + TITLE_GAP
    return height + (_height(len(note_lines), style.NOTE_SIZE) + TITLE_GAP if note else 0.0)


def _height(lines: int, size: float) -> float:
    return lines * size * LINE_SPACING
