"""What the best and the worst option of each choice do to the probability."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter, NullLocator

from stripwise.report.figures import sheet, style
from stripwise.report.figures.label_placement import LINE_SPACING, wrap_text
from stripwise.report.pages.choice_text import CHOICE_NAMES, choice_spans, option_text, planned_row
from stripwise.studies.rank.choice_tables import ChoiceTables
from stripwise.units import formatting
from stripwise.units.caution import DURABILITY_ONLY

__all__ = ["plot_choices"]

NAME_WIDTH_MM = 34.0
TEXT_WIDTH_MM = 33.0
"""Room inside the axes for the words at each end of a line."""
ROW_MM = 12.0
TOP_MM = 9.0
LOG_FROM = 8.0
"""Ratio of the largest to the smallest probability from which the axis is logarithmic."""
BEST, WORST = style.PALETTE[0], style.PALETTE[1]


def plot_choices(
    tables: ChoiceTables,
    *,
    strategy: str,
    life: float,
    allowed: float,
    units: str,
    ax: Axes | None = None,
) -> Axes:
    """Plot what each choice alone does to the probability at the target life, the widest first.

    `strategy` is the one from which options are changed one by one; `life` is the target life [yr],
    `allowed` the probability allowed within it.
    """
    rows = choice_spans(tables)
    now = float(planned_row(tables)["probability"])
    widest = rows[0]
    best, worst = widest.rows.iloc[0], widest.rows.iloc[-1]
    title = (
        f"From the plan, {CHOICE_NAMES[widest.name]} moves most: "
        f"{formatting.percent(float(best['probability']))} with {option_text(best, units=units)}, "
        f"{formatting.percent(float(worst['probability']))} with {option_text(worst, units=units)}"
    )
    note = (
        f"Probability that the bars are depassivated within {formatting.years(life)} if one choice "
        f"alone is changed and all else stays as in {strategy}. Blue: best option; orange: worst; "
        f"small: others. {DURABILITY_ONLY}"
    )
    if ax is None:
        ax = sheet.new_axes(
            height=ROW_MM * len(rows) + TOP_MM,
            left=NAME_WIDTH_MM,
            right=6.0,
            bottom=11.0,
            title=title,
            note=note,
        )
    sheet.style_axes(ax)
    ax.spines["left"].set_visible(False)
    _set_scale(ax, [*tables.options["probability"].astype(float), allowed])
    ax.set_ylim(len(rows) - 0.5, -0.5 - TOP_MM / ROW_MM)
    for y, reach in enumerate(rows):
        p = reach.rows["probability"].to_numpy(dtype=float)
        ax.plot(
            [p[0], p[-1]],
            [y, y],
            color=style.LIGHT_GREY,
            lw=4.0,
            solid_capstyle="round",
            gid=f"span-{y}",
            zorder=1,
        )
        ax.plot(
            p[1:-1],
            np.full(max(len(p) - 2, 0), y),
            "o",
            ms=3.4,
            color=style.GREY,
            mew=0,
            gid=f"others-{y}",
            zorder=3,
        )
        for end, color, side in ((0, BEST, -1), (-1, WORST, 1)):
            ax.plot(
                [p[end]],
                [y],
                "o",
                ms=7.0,
                color=color,
                mec="white",
                mew=0.7,
                zorder=4,
                gid=f"{'best' if end == 0 else 'worst'}-{y}",
            )
            _label_end(ax, float(p[end]), y, option_text(reach.rows.iloc[end], units=units), side)
    _draw_planned_and_allowed(ax, now, allowed)
    names = [
        "\n".join(
            wrap_text(
                CHOICE_NAMES[reach.name].capitalize(),
                size=style.TEXT_SIZE,
                width=(NAME_WIDTH_MM - 3.0) * sheet.POINTS_PER_MM,
            )
        )
        for reach in rows
    ]
    ax.set_yticks(range(len(rows)), names, parse_math=False)
    ax.tick_params(axis="y", length=0)
    ax.set_xlabel(f"Probability within {formatting.years(life)}", fontsize=style.TEXT_SIZE)
    sheet.headline(ax, title, note=note)
    return ax


def _set_scale(ax: Axes, values: list[float]) -> None:
    """Leave room for labels at both ends; a logarithmic axis where the values differ much."""
    width = sheet.axes_size(ax)[0]
    share = min(TEXT_WIDTH_MM * sheet.POINTS_PER_MM / width, 0.36)
    shown = np.array([v for v in values if np.isfinite(v)])
    positive = shown[shown > 0.0]
    low, high = float(shown.min()), float(shown.max())
    if positive.size == shown.size and high > LOG_FROM * low:
        ends = np.log10([low, high])
        room = share / (1.0 - 2.0 * share) * (ends[1] - ends[0])
        ax.set_xscale("log")
        ax.set_xlim(10.0 ** (ends[0] - room), 10.0 ** (ends[1] + room))
        ticks = LogLocator(subs=(1.0, 2.0, 5.0)).tick_values(*ax.get_xlim())
        ax.set_xticks([x for x in ticks if ax.get_xlim()[0] <= x <= 1.0])
        ax.xaxis.set_minor_locator(NullLocator())
        ax.xaxis.set_minor_formatter(NullFormatter())
    else:
        room = share / (1.0 - 2.0 * share) * max(high - low, 1e-12)
        ax.set_xlim(low - room, high + room)
        ax.set_xticks(
            [
                float(x)
                for x in ax.get_xticks()
                if max(low - room, 0.0) <= x <= min(high + room, 1.0)
            ]
        )
    ax.xaxis.set_major_formatter(
        FuncFormatter(lambda x, _: formatting.percent(float(x)) if 0.0 <= x <= 1.0 else "")
    )


def _label_end(ax: Axes, x: float, y: int, text: str, side: int) -> None:
    room = (TEXT_WIDTH_MM - 3.0) * sheet.POINTS_PER_MM
    lines = wrap_text(
        f"{formatting.no_break_spaces(text)}: {formatting.no_break_spaces(formatting.percent(x))}",
        width=room,
        size=style.TEXT_SIZE,
    )
    sheet.annotate(
        ax,
        "\n".join(lines),
        (x, y),
        offset=(side * 6.0, 0.0),
        size=style.TEXT_SIZE,
        ha="right" if side < 0 else "left",
        va="center",
        color=style.TEXT_COLOR,
        linespacing=LINE_SPACING,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6},
        zorder=5,
    )


def _draw_planned_and_allowed(ax: Axes, now: float, allowed: float) -> None:
    """Mark what is planned and what is allowed, named to the outer side of each other."""
    left, right = ("planned", "allowed") if now <= allowed else ("allowed", "planned")
    top = ax.get_ylim()[1]
    for name, x, color, pattern in (
        ("planned", now, style.GREY, "-"),
        ("allowed", allowed, style.TARGET_COLOR, (0, (4, 2))),
    ):
        ax.axvline(x, color=color, lw=1.0, ls=pattern, gid=name, zorder=2)
        side = -1 if name == left else 1
        assert name in (left, right)
        text = "as planned" if name == "planned" else "allowed"
        sheet.annotate(
            ax,
            formatting.no_break_spaces(f"{text} {formatting.percent(x)}"),
            (x, top),
            offset=(side * 4.0, -3.0),
            size=style.TEXT_SIZE,
            ha="right" if side < 0 else "left",
            va="top",
            color=color,
            fontweight="bold" if name == "allowed" else "normal",
        )
