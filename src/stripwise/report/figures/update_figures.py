"""What inspections change: the answer, the curves, and contents beside those expected."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from stripwise.report.figures import sheet, style
from stripwise.report.figures.depth_panels import depth_panels
from stripwise.report.figures.dot_interval import DotRow, plot_dot_intervals
from stripwise.report.figures.line_ends import LineEnd, label_line_ends
from stripwise.report.figures.profile_figures import CONTENT_UNITS
from stripwise.studies.decision import YES
from stripwise.studies.update.update_result import ProfileBands, UpdateResult
from stripwise.studies.verdict import strategies_meet
from stripwise.units.formatting import number, percent, years

__all__ = ["contents_figure", "plot_update", "plot_updated_curves"]

NARROW_MM = 110.0
LABEL_WIDTH_MM = 40.0
HEIGHT_MM = 68.0
BEFORE_COLOR, AFTER_COLOR = style.GREY, style.PALETTE[0]
MOST_PANELS = 8
LOOKS = {
    "before": (BEFORE_COLOR, style.LINE_PATTERNS[1]),
    "after": (AFTER_COLOR, style.LINE_PATTERNS[0]),
}


def plot_update(data: UpdateResult, *, ax: Axes | None = None) -> Axes:
    """Plot the probability of every strategy before and after; full dots meet the limit."""
    target = data.case.target
    rows = []
    for row in data.strategies.to_dict("records"):
        for when in ("before", "after"):
            p = row[f"probability_{when}"]
            name = str(row["strategy"]) if when == "before" else ""
            rows.append(
                DotRow(
                    f"{name} {when}".strip(),
                    100.0 * p,
                    100.0 * row[f"know_low_{when}"],
                    100.0 * row[f"know_high_{when}"],
                    percent(p),
                    hollow=row[f"meets_target_{when}"] != YES,
                )
            )
    met = [int((data.strategies[f"meets_target_{w}"] == YES).sum()) for w in ("before", "after")]
    after = strategies_meet(met[1], of=len(data.strategies))
    return plot_dot_intervals(
        rows,
        title=f"{after} the {percent(target.probability)} limit after the inspections; "
        f"{met[0] or 'none'} before",
        note=f"Probability of depassivation within {years(target.service_life)}. Full dots meet the "
        "limit (dashed), hollow dots do not. Bars: uncertainty range (95 %).",
        label="Probability of depassivation [%]",
        mark=100.0 * target.probability,
        width=NARROW_MM,
        number_width=22.0,
        ax=ax,
    )


def plot_updated_curves(data: UpdateResult, *, ax: Axes | None = None) -> Axes:
    """Plot the curve of the reference strategy before and after, each with its range."""
    case = data.case
    own = data.curves[data.curves["strategy"] == case.reference_strategy]
    age = own["age_yr"].to_numpy(dtype=float)
    title = f"{case.reference_strategy} before and after the inspections"
    note = (
        "Probability of depassivation by age; shaded: uncertainty range (95 %). Dotted: limit at the "
        "target life."
    )
    if data.age:
        note += " Grey line: last inspection."
    if ax is None:
        ax = sheet.new_axes(
            height=HEIGHT_MM, left=15.0, right=LABEL_WIDTH_MM, bottom=12.0, title=title, note=note
        )
    sheet.style_axes(ax)
    ends, top = [], 2.0 * case.target.probability
    for when, (color, pattern) in LOOKS.items():
        curve, low, high = (
            own[f"{name}_{when}"].to_numpy(dtype=float)
            for name in ("probability", "know_low", "know_high")
        )
        ax.plot(age, 100.0 * curve, color=color, linestyle=pattern, lw=1.5, gid=f"curve-{when}")
        if np.isfinite(high).any():
            ax.fill_between(
                age,
                100.0 * low,
                100.0 * high,
                color=color,
                alpha=style.BAND_OPACITY,
                linewidth=0,
                gid=f"band-{when}",
            )
            top = max(top, 1.02 * float(np.nanmax(high)))
        top = max(top, 1.05 * float(curve.max()))
        ends.append(LineEnd(100.0 * float(curve[-1]), when, color))
    ax.set_xlim(0.0, case.sampling.horizon)
    ax.set_ylim(0.0, 100.0 * min(top, 1.0))
    life, level = case.target.service_life, 100.0 * case.target.probability
    ax.plot(
        [0.0, life, life], [level, level, 0.0], color=style.TARGET_COLOR, lw=0.9, ls=(0, (1, 2))
    )
    if data.age:
        ax.axvline(data.age, color=style.LIGHT_GREY, lw=0.9, gid="inspection")
    label_line_ends(ax, ends)
    ax.set_xlabel("Age since first exposure [yr]", fontsize=style.TEXT_SIZE)
    ax.set_ylabel("Probability [%]", fontsize=style.TEXT_SIZE)
    sheet.headline(ax, title, note=note)
    return ax


def contents_figure(data: UpdateResult) -> Figure:
    """Draw the contents of cores beside those expected before and after, a panel per face and age."""
    shown = data.profiles[:MOST_PANELS]
    title = "Contents of the cores beside what is expected of a core before and after"
    note = (
        "Bars: content of a layer; arrows: below detection. Lines: median of a core; shaded: 95 % of "
        "all cores, grey and broken before the update, blue and full after it."
    )
    if len(data.profiles) > MOST_PANELS:
        note += f" The first {MOST_PANELS} of {len(data.profiles)} faces and ages are drawn."
    figure, panels = depth_panels(
        [f"{one.strategy}, {number(one.age)} yr" for one in shown],
        columns=min(len(shown), 2),
        title=title,
        note=note,
        unit=CONTENT_UNITS["pct_binder"],
    )
    highest = max(
        max(one.bands[["before_high", "after_high"]].max().max(), one.readings["chloride"].max())
        for one in shown
    )
    for place, (ax, one) in enumerate(zip(panels, shown, strict=True)):
        _draw_panel(ax, one, place)
        ax.set_ylim(0.0, 1.05 * float(highest))
    return figure


def _draw_panel(ax: Axes, one: ProfileBands, place: int) -> None:
    depth = one.bands["depth_mm"].to_numpy(dtype=float)
    for when, (color, pattern) in LOOKS.items():
        low, middle, high = (
            one.bands[f"{when}_{name}"].to_numpy(dtype=float) for name in ("low", "mid", "high")
        )
        ax.fill_between(
            depth, low, high, color=color, alpha=style.BAND_OPACITY, lw=0, gid=f"{when}-{place}"
        )
        ax.plot(depth, middle, color=color, ls=pattern, lw=1.2)
    for row in one.readings.to_dict("records"):
        x = (row["depth_from_mm"], row["depth_to_mm"])
        marker = "v" if row["below"] else "o"
        if x[0] == x[1] or row["below"]:
            ax.plot([sum(x) / 2.0], [row["chloride"]], marker, ms=2.8, color=style.TEXT_COLOR)
        else:
            ax.plot(
                x,
                [row["chloride"]] * 2,
                color=style.TEXT_COLOR,
                lw=1.0,
                alpha=0.6,
                solid_capstyle="butt",
            )
    ax.set_xlim(0.0, float(depth[-1]))
