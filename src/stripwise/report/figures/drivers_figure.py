"""Which uncertainty drives the answer, and which choice matters: figures of the sensitivity."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from stripwise.errors import InputError
from stripwise.report.figures import sheet, style
from stripwise.report.figures.label_placement import wrap_text
from stripwise.report.pages.variance_shares import (
    OVER_KNOWLEDGE,
    Share,
    choice_shares,
    driver_shares,
)
from stripwise.studies.results import ONLY, Assessment
from stripwise.units import formatting

__all__ = ["plot_choices", "plot_drivers"]

LABEL_WIDTH_MM = 58.0
VALUE_WIDTH_MM = 26.0
ROW_MM = 5.6
SMALLEST_DRAWN = 0.01
"""Inputs below 1 % with interactions are counted in one line instead of drawn."""


def plot_drivers(data: Assessment, *, ax: Axes | None = None) -> Axes:
    """Plot which uncertain inputs drive the depth margin at the service life."""
    _check_whole(data)
    groups, inputs, age = driver_shares(data)
    large = [s for s in inputs if s.sort_key >= SMALLEST_DRAWN or s.status]
    small = len(inputs) - len(large)
    blocks = [("By group", groups), ("By input", large)]
    title = _driver_title(groups, inputs)
    note = (
        f"Share of the variance of the depth margin (cover minus chloride front) at "
        f"{formatting.years(age)}, reference strategy. Filled: the input "
        "alone; open: with its interactions (numbers in this order); bars: 95 % sampling interval."
    )
    if small:
        note += f" {small} more input{'s' if small > 1 else ''} below 1 % not drawn."
    return _plot_shares(blocks, ax, title, note)


def _check_whole(data: Assessment) -> None:
    if ONLY in data.run:
        raise InputError("result", f'was computed with only="{data.run[ONLY]}"; assess it whole')


def plot_choices(data: Assessment, *, ax: Axes | None = None) -> Axes:
    """Plot which of the open choices moves the reliability index most."""
    _check_whole(data)
    shares = choice_shares(data)
    target = data.scenario.target
    title = "No choice can be ranked"
    if shares and shares[0].sort_key >= 0:
        best = shares[0]
        question = best.label.split("?")[0] + "?"
        title = f"The choice that matters most: {question} {formatting.percent(best.total)} of the variance"
    has_knowledge = bool((data.sensitivity["analysis"] == OVER_KNOWLEDGE).any())
    source = "uncertainty range" if has_knowledge else "sampling interval"
    note = (
        "Share of the variance of the reliability index (depassivation, within "
        f"{formatting.years(target.service_life)}, target {formatting.index(target.reliability_index)}) "
        "over the ranges in brackets. Filled: the choice alone; open: with its interactions "
        "(numbers in this order); "
        f"bars: {source} (95 %)."
    )
    return _plot_shares([("", shares)], ax, title, note)


def _plot_shares(
    blocks: list[tuple[str, list[Share]]], ax: Axes | None, title: str, note: str
) -> Axes:
    blocks = [(name, rows) for name, rows in blocks if rows]
    label_width = (LABEL_WIDTH_MM - 3.0) * sheet.POINTS_PER_MM
    places, labels, position = [], [], 0.0
    for name, rows in blocks:
        if name:
            places.append(position)
            labels.append(name)
            position += 1.0
        for share in rows:
            lines = wrap_text(share.label, width=label_width, size=style.TEXT_SIZE)
            extra = 0.35 * (len(lines) - 1)
            places.append(position + extra)
            labels.append("\n".join(lines))
            position += 1.0 + 2 * extra
        position += 0.4
    bottom = max(position, 1.0)
    if ax is None:
        ax = sheet.new_axes(
            height=ROW_MM * bottom + 1.0,
            left=LABEL_WIDTH_MM,
            right=VALUE_WIDTH_MM,
            bottom=11.0,
            title=title,
            note=note,
        )
    sheet.style_axes(ax)
    ax.set_xlim(0.0, 100.0)
    ax.set_ylim(bottom - 0.6, -0.6)
    ax.set_yticks(places, labels=labels, parse_math=False)
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_visible(False)
    ax.grid(axis="x", color=style.LIGHT_GREY, linewidth=0.5)
    ax.set_axisbelow(True)
    row = iter(range(len(places)))
    for block, (name, rows) in enumerate(blocks):
        if name:
            ax.get_yticklabels()[next(row)].set_fontweight("bold")
        for share in rows:
            _draw_share(ax, share, places[next(row)], style.PALETTE[block])
    ax.set_xlabel("Share of the variance [%]", fontsize=style.TEXT_SIZE)
    sheet.headline(ax, title, note=note)
    return ax


def _draw_share(ax: Axes, share: Share, y: float, color: str) -> None:
    if not np.isfinite(share.total) and not np.isfinite(share.first):
        text = share.status or "undefined"
        ax.text(
            1.0, y, text, va="center", fontsize=style.NOTE_SIZE, color=style.GREY, parse_math=False
        )
        return
    # The two sit a little apart, so that neither hides the other where they are equal.
    for value, low, high, shift, fill in (
        (share.first, share.first_low, share.first_high, -0.14, color),
        (share.total, share.total_low, share.total_high, 0.14, "white"),
    ):
        if not np.isfinite(value):
            continue
        if np.isfinite(low) and np.isfinite(high):
            ax.plot(
                [100 * low, 100 * high],
                [y + shift] * 2,
                color=color,
                lw=1.0,
                solid_capstyle="butt",
                clip_on=True,
            )
        ax.plot(
            [100 * value], [y + shift], "o", ms=4.2, mfc=fill, mec=color, mew=1.0, clip_on=False
        )
    sheet.annotate(
        ax,
        _indices_text(share),
        (1.0, y),
        offset=(6.0, 0.0),
        xycoords=("axes fraction", "data"),
        va="center",
        color=style.TEXT_COLOR,
    )


def _indices_text(share: Share) -> str:
    """Both numbers in words, or one where they read the same."""
    first, total = formatting.percent(share.first), formatting.percent(share.total)
    return total if first == total else f"{first} / {total}"


def _driver_title(groups: list[Share], inputs: list[Share]) -> str:
    ranked = [s for s in inputs if s.sort_key >= 0] or [s for s in groups if s.sort_key >= 0]
    if not ranked:
        return "What drives the answer cannot be ranked"
    best = ranked[0]
    share = formatting.percent(best.total)
    return f"What drives the answer most: {best.label} ({share} of the variance)"
