"""When cracks follow initiation, and what one simulated face looks like."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import ListedColormap

from stripwise.report.figures import sheet, style
from stripwise.report.figures.label_placement import (
    shorten_text,
    wrap_text,
)
from stripwise.report.figures.line_ends import (
    LEADER_MM,
    LineEnd,
    label_line_ends,
)
from stripwise.studies.results import Assessment
from stripwise.units import formatting

__all__ = ["plot_cracking", "plot_face"]

LABEL_WIDTH_MM = 50.0
HEIGHT_MM = 82.0
FACE_WIDTH_MM = 140.0
TALLEST_FACE_MM = 90.0
TITLE_NAME_WIDTH_PT = 200.0


def plot_cracking(data: Assessment, *, ax: Axes | None = None) -> Axes:
    """Plot initiation (full) and the first crack (broken) for the reference and worst strategy."""
    table, lives = data.service.cracking, data.service.cracking_lives
    assert table is not None
    assert lives is not None
    names = [strategy.name for strategy in data.scenario.strategies]
    reference = names.index(data.scenario.reference_strategy)
    worst = int(np.argmax(lives["cracking_at_target"].to_numpy()))
    shown = list(dict.fromkeys([reference, worst]))
    title, note = _cracking_title(data, reference), _cracking_note(data)
    if ax is None:
        ax = sheet.new_axes(
            height=HEIGHT_MM, left=15.0, right=LABEL_WIDTH_MM, bottom=12.0, title=title, note=note
        )
    sheet.style_axes(ax)
    horizon = data.scenario.sampling.horizon
    ends = []
    top = 2.0 * data.scenario.target.probability
    for row in shown:
        own = table[table["strategy"] == names[row]]
        color, _ = style.line_style(row)
        age = own["age_yr"].to_numpy()
        for event, pattern in (("initiation", "-"), ("cracking", (0, (4, 2)))):
            curve = own[f"probability_{event}"].to_numpy()
            ax.plot(
                age, 100.0 * curve, color=color, linestyle=pattern, lw=1.5, gid=f"{event}-{row}"
            )
            top = max(top, 1.05 * float(curve.max()))
            ends.append(
                LineEnd(100.0 * float(curve[-1]), _wrapped(f"{names[row]}: {event}"), color)
            )
        band = own[["know_low", "know_high"]].to_numpy()
        if np.isfinite(band).all():
            ax.fill_between(
                age,
                100.0 * band[:, 0],
                100.0 * band[:, 1],
                color=color,
                alpha=style.BAND_OPACITY,
                linewidth=0,
                gid=f"band-{row}",
            )
            top = max(top, 1.02 * float(band.max()))
    top = min(top, 1.0)
    ax.set_xlim(0.0, horizon)
    ax.set_ylim(0.0, 100.0 * top)
    level = 100.0 * data.scenario.target.probability
    ax.axhline(level, color=style.TARGET_COLOR, lw=0.9, ls=(0, (1, 2)), gid="target", zorder=2.5)
    sheet.annotate(
        ax,
        f"target {formatting.percent(data.scenario.target.probability)}",
        (0.0, level),
        offset=(3.0, 2.5),
        va="bottom",
        ha="left",
        color=style.TARGET_COLOR,
    )
    label_line_ends(ax, ends)
    ax.set_xlabel("Age since first exposure [yr]", fontsize=style.TEXT_SIZE)
    ax.set_ylabel("Probability [%]", fontsize=style.TEXT_SIZE)
    sheet.headline(ax, title, note=note)
    return ax


def _wrapped(text: str) -> str:
    room = (LABEL_WIDTH_MM - LEADER_MM - 1.0) * sheet.POINTS_PER_MM
    return "\n".join(wrap_text(formatting.no_break_spaces(text), width=room, size=style.TEXT_SIZE))


def _cracking_title(data: Assessment, reference: int) -> str:
    lives = data.service.cracking_lives
    assert lives is not None
    row = lives.iloc[reference]
    horizon = data.scenario.sampling.horizon
    level = formatting.percent(data.scenario.target.probability)
    name = shorten_text(str(row["strategy"]), width=TITLE_NAME_WIDTH_PT, size=style.TITLE_SIZE)
    first = formatting.years(float(row["initiation_life_yr"]), horizon=horizon)
    second = formatting.years(float(row["cracking_life_yr"]), horizon=horizon)
    return f"{name}: initiation reaches {level} in {first}, the first crack in {second}"


def _cracking_note(data: Assessment) -> str:
    table = data.service.cracking
    assert table is not None
    shaded = (
        " Shaded: uncertainty range (95 %) of cracking." if table["know_high"].notna().any() else ""
    )
    return (
        "Full: depassivation. Broken: the first crack. The reference strategy and the one that "
        f"cracks most.{shaded}"
    )


def plot_face(data: Assessment, *, ax: Axes | None = None) -> Axes:
    """Draw one simulated face, depassivated cells dark."""
    face = data.service.face
    assert face is not None
    name = shorten_text(face.strategy, width=TITLE_NAME_WIDTH_PT, size=style.TITLE_SIZE)
    title = (
        f"{name}: on this face {formatting.percent(face.share)} is depassivated after "
        f"{formatting.years(face.age)}"
    )
    note = (
        "One simulated face whose share lies near the mean of all; dark: depassivated. Other faces "
        "of the same wall would show other patches and other shares."
    )
    face_height = min(FACE_WIDTH_MM * face.height / face.width, TALLEST_FACE_MM)
    if ax is None:
        ax = sheet.new_axes(
            height=face_height, left=15.0, right=10.0, bottom=12.0, title=title, note=note
        )
    sheet.style_axes(ax)
    rows, columns = face.corroded.shape
    # cells as paths: browsers refuse a raster image within the page's own drawings
    ax.pcolormesh(
        np.linspace(0.0, face.width, columns + 1),
        np.linspace(0.0, face.height, rows + 1),
        face.corroded,
        cmap=ListedColormap(["#f2efe6", style.line_style(0)[0]]),
        vmin=0,
        vmax=1,
        edgecolors="face",
        linewidth=0.2,
        gid="face",
    )
    ax.set_aspect("equal")
    ax.set_anchor("W")
    ax.set_xlabel("Along the wall [m]", fontsize=style.TEXT_SIZE)
    ax.set_ylabel("Height [m]", fontsize=style.TEXT_SIZE)
    sheet.headline(ax, title, note=note)
    return ax
