"""How a figure becomes a sheet of paper: axes placed in mm, a headline, reproducible files."""

from __future__ import annotations

import io
import math
import warnings
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from stripwise.errors import InputError
from stripwise.report.figures import style
from stripwise.report.figures.font_fallback import substitute_missing_glyphs
from stripwise.report.figures.label_placement import LINE_SPACING, wrap_text
from stripwise.units import formatting
from stripwise.units.drawing_steps import inch_fraction

__all__ = [
    "NARROW_MM",
    "POINTS_PER_MM",
    "annotate",
    "axes_size",
    "cover_ticks",
    "draw",
    "draw_on",
    "figure_files",
    "fit_axes",
    "headline",
    "new_axes",
    "new_canvas",
    "parent_figure",
    "png",
    "region",
    "style_axes",
    "style_context",
    "svg",
]

POINTS_PER_MM = 72.0 / formatting.MM_PER_INCH

NARROW_MM = 98.0
"""Width of a figure whose least text is 9 px high on a telephone of 390 px."""

MARGIN_MM = 1.0
INCH_STEPS = (0.125, 0.25, 0.5, 1.0, 2.0)
MOST_INCH_TICKS = 8
FITTING_STEPS, FITTING_TOLERANCE, LEAST_SHARE = 3, 0.002, 0.1
"""Trials to fit an axes, what counts as fitting, and the least it shrinks to, of the figure."""
TITLE_GAP = 5.0
"""Space between headline, note and axes [pt]."""

DRAWING_DEFAULTS = {
    name: value
    for name, value in mpl.rcParamsDefault.items()
    if not name.startswith(("backend", "interactive", "toolbar", "webagg", "savefig.directory"))
}
"""Settings of matplotlib itself that a user may have changed and that a figure depends on."""


@contextmanager
def style_context() -> Iterator[None]:
    """Draw and save with the settings of `style`, whatever the user's own matplotlib settings."""
    with mpl.rc_context(), warnings.catch_warnings():
        # A name may hold characters that the font lacks: the SVG keeps them as text, and the PNG
        # sees to them itself; neither is a fault of the run.
        warnings.filterwarnings("ignore", message=r"Glyph .* missing from font", append=False)
        settings: Any = mpl.rcParams
        settings.update(DRAWING_DEFAULTS | style.SETTINGS)
        yield


def draw(plot: Callable[..., Axes], *data: Any, **options: Any) -> Figure:
    """Return the figure that a plotting function draws, in the style of `style`."""
    with style_context():
        return parent_figure(plot(*data, **options))


def new_axes(
    *,
    height: float,
    left: float,
    right: float,
    bottom: float,
    title: str,
    note: str,
    width: float = style.WIDTH_MM,
) -> Axes:
    """Make a figure with one axes and room [mm] for its headline; return the axes."""
    top = _headline_height(title, note, width) / POINTS_PER_MM + 2.0
    total = bottom + height + top
    figure = Figure(figsize=(width / formatting.MM_PER_INCH, total / formatting.MM_PER_INCH))
    return figure.add_axes(
        (
            left / width,
            bottom / total,
            1.0 - (left + right) / width,
            height / total,
        )
    )


def new_canvas(
    *, height: float, left: float, right: float, bottom: float, title: str, note: str
) -> tuple[Figure, float]:
    """Make a figure with its headline and room [mm] for panels; return it and its height [mm]."""
    whole = new_axes(height=height, left=left, right=right, bottom=bottom, title=title, note=note)
    headline(whole, title, note=note)
    whole.set_axis_off()
    figure = parent_figure(whole)
    return figure, float(figure.get_size_inches()[1]) * formatting.MM_PER_INCH


def axes_size(ax: Axes) -> tuple[float, float]:
    """Return width and height of the axes [pt]."""
    box = ax.get_position()
    figure = ax.get_figure(root=True)
    if figure is None:  # an axes that was removed from its figure
        return 0.0, 0.0
    width, height = figure.get_size_inches()
    return float(box.width * width * 72.0), float(box.height * height * 72.0)


def parent_figure(ax: Axes) -> Figure:
    """Return the figure that an axes stands on; InputError if it was removed from it."""
    figure = ax.get_figure(root=True)
    if figure is None:
        raise InputError("axes", "stands on no figure")
    return figure


def region(ax: Axes) -> tuple[float, float, float, float]:
    """Return left, bottom, right and top of what is an axes' own of its figure, as shares of it.

    The whole figure, unless the axes stands in a grid: then its cell to the middle of each gap.
    """
    spec = ax.get_subplotspec()
    if spec is None:
        return 0.0, 0.0, 1.0, 1.0
    grid = spec.get_gridspec()
    bottoms, tops, lefts, rights = (list(x) for x in grid.get_grid_positions(parent_figure(ax)))
    rows, columns = spec.rowspan, spec.colspan
    first, last = columns.start, columns.stop - 1
    upper, lower = rows.start, rows.stop - 1
    return (
        0.0 if first == 0 else 0.5 * (rights[first - 1] + lefts[first]),
        0.0 if lower == grid.nrows - 1 else 0.5 * (bottoms[lower] + tops[lower + 1]),
        1.0 if last == grid.ncols - 1 else 0.5 * (rights[last] + lefts[last + 1]),
        1.0 if upper == 0 else 0.5 * (tops[upper] + bottoms[upper - 1]),
    )


def draw_on(plot: Callable[..., Axes], ax: Axes | None) -> Axes:
    """Plot on the axes of a caller, or on a sheet in the style of the reports."""
    if ax is None:
        with style_context():
            return plot()
    fit_axes(ax, lambda trial: plot(ax=trial))
    return plot(ax=ax)


def fit_axes(ax: Axes, plot: Callable[[Axes], Axes]) -> None:
    """Shrink an axes until all that `plot` draws about it lies in its `region`.

    The plot is tried on a sheet of the same size, since its labels have a size of their own.
    """
    low = region(ax)
    for _ in range(FITTING_STEPS):
        box = ax.get_position()
        drawn = plot(_like(ax))
        trial = parent_figure(drawn)
        tight = drawn.get_tightbbox()
        if tight is None:
            return
        found = tight.transformed(trial.transFigure.inverted())
        wide = [
            max(low[0] - found.x0, 0.0),
            max(low[1] - found.y0, 0.0),
            max(found.x1 - low[2], 0.0),
            max(found.y1 - low[3], 0.0),
        ]
        if max(wide) < FITTING_TOLERANCE:
            return
        x0, y0 = box.x0 + wide[0], box.y0 + wide[1]
        x1, y1 = box.x1 - wide[2], box.y1 - wide[3]
        if x1 - x0 < LEAST_SHARE or y1 - y0 < LEAST_SHARE:
            return
        ax.set_position((x0, y0, x1 - x0, y1 - y0))


def _like(ax: Axes) -> Axes:
    """Return an empty axes that lies in a figure of its own as another lies in its own."""
    figure, spec = parent_figure(ax), ax.get_subplotspec()
    width, height = figure.get_size_inches()
    trial = Figure(figsize=(float(width), float(height)), dpi=figure.dpi)
    if spec is None:
        return trial.add_axes(ax.get_position().bounds)
    pars, grid = figure.subplotpars, spec.get_gridspec()
    trial.subplots_adjust(
        pars.left, pars.bottom, pars.right, pars.top, wspace=pars.wspace, hspace=pars.hspace
    )
    cells = trial.add_gridspec(
        grid.nrows,
        grid.ncols,
        width_ratios=grid.get_width_ratios(),
        height_ratios=grid.get_height_ratios(),
    )
    rows, columns = spec.rowspan, spec.colspan
    empty = trial.add_subplot(cells[rows.start : rows.stop, columns.start : columns.stop])
    empty.set_position(ax.get_position().bounds)
    return empty


def headline(ax: Axes, title: str, *, note: str) -> None:
    """Put the message and a small note above the axes, flush with the left edge of the figure.

    The message is the label of the figure too, and so its text alternative.
    """
    parent_figure(ax).set_label(title)
    width, _ = axes_size(ax)
    box = ax.get_position()
    figure_width = width / box.width if box.width else 0.0
    left, _, right, _ = region(ax)
    edge = (MARGIN_MM * POINTS_PER_MM - (box.x0 - left) * figure_width) / width if width else 0.0
    room = _usable_width((right - left) * figure_width)
    title, note = formatting.no_break_spaces(title), formatting.no_break_spaces(note)
    note_lines = wrap_text(note, width=room, size=style.NOTE_SIZE) if note else []
    title_lines = wrap_text(title, width=room, size=style.TITLE_SIZE, bold=True)
    note_height = _text_height(len(note_lines), style.NOTE_SIZE)
    ax.set_title(
        "\n".join(title_lines),
        loc="left",
        x=edge,
        y=1.0,
        pad=TITLE_GAP + note_height + (TITLE_GAP if note_lines else 0.0),
        fontsize=style.TITLE_SIZE,
        fontweight="bold",
        color=style.TEXT_COLOR,
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


def annotate(
    ax: Axes,
    text: str,
    xy: tuple[float, float],
    *,
    offset: tuple[float, float],
    size: float = style.NOTE_SIZE,
    **options: Any,
) -> None:
    """Write a text at an offset [pt] from a point, outside the axes too; `$` is no formula."""
    ax.annotate(
        text,
        xy=xy,
        xytext=offset,
        textcoords="offset points",
        fontsize=size,
        annotation_clip=False,
        parse_math=False,
        **options,
    )


def style_axes(ax: Axes) -> None:
    """Hide the upper and right spine and lighten the ticks."""
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        ax.spines[side].set_color(style.GREY)
        ax.spines[side].set_linewidth(0.6)
    ax.tick_params(
        labelsize=style.TEXT_SIZE,
        color=style.GREY,
        labelcolor=style.TEXT_COLOR,
        length=2.5,
        width=0.6,
    )


def cover_ticks(ax: Axes, *, units: str) -> None:
    """Mark a vertical axis of covers in inches by eighths, quarters or more; one in mm stays."""
    if units != "US":
        return
    low, high = ax.get_ylim()
    step = next((s for s in INCH_STEPS if (high - low) / s <= MOST_INCH_TICKS), INCH_STEPS[-1])
    ticks = [step * k for k in range(math.ceil(low / step - 1e-9), int(high / step + 1e-9) + 1)]
    ax.set_yticks(ticks, labels=[inch_fraction(t) for t in ticks], parse_math=False)
    ax.set_yticks([], minor=True)


def svg(figure: Figure) -> str:
    """Write a figure drawn under `style_context` as SVG: text stays text, bytes depend on data only."""
    buffer = io.StringIO()
    with style_context():
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    return buffer.getvalue()


def png(figure: Figure) -> bytes:
    """Write a figure drawn under `style_context` as PNG at print resolution."""
    buffer = io.BytesIO()
    with style_context(), substitute_missing_glyphs(figure):
        figure.savefig(buffer, format="png", dpi=style.PNG_DPI, metadata={"Software": None})
    return buffer.getvalue()


def figure_files(
    figures: Mapping[str, Figure], *, png_too: bool = False
) -> tuple[dict[str, str], dict[str, bytes]]:
    """Write figures once: SVG by name for the page, and bytes by path (figures/NAME.svg, .png)."""
    vectors = {name: svg(figure) for name, figure in figures.items()}
    files = {}
    for name, figure in figures.items():
        files[f"figures/{name}.svg"] = vectors[name].encode()
        if png_too:
            files[f"figures/{name}.png"] = png(figure)
    return vectors, files


def _usable_width(figure_width: float) -> float:
    return figure_width - 2.0 * MARGIN_MM * POINTS_PER_MM


def _headline_height(title: str, note: str, width: float) -> float:
    room = _usable_width(width * POINTS_PER_MM)
    title, note = formatting.no_break_spaces(title), formatting.no_break_spaces(note)
    title_lines = wrap_text(title, width=room, size=style.TITLE_SIZE, bold=True)
    note_lines = wrap_text(note, width=room, size=style.NOTE_SIZE) if note else []
    height = _text_height(len(title_lines), style.TITLE_SIZE) + TITLE_GAP
    return height + (_text_height(len(note_lines), style.NOTE_SIZE) + TITLE_GAP if note else 0.0)


def _text_height(lines: int, size: float) -> float:
    return lines * size * LINE_SPACING
