"""How well chloride profiles are fitted, and which penalty factors follow."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from stripwise.evidence.profiles.chloride_profiles import ProfileFits
from stripwise.evidence.profiles.fitted_curves import curve_band, skin_curve
from stripwise.evidence.profiles.layered_fit import LAYERED, LayeredFits
from stripwise.evidence.profiles.penalty_factors import ProfilePenaltyFactors
from stripwise.report.figures import sheet, style
from stripwise.report.figures.depth_panels import depth_panels
from stripwise.report.figures.dot_interval import DotRow, plot_dot_intervals
from stripwise.report.figures.label_placement import shorten_text
from stripwise.units import formatting

__all__ = ["CONTENT_UNITS", "plot_penalties", "plot_residuals", "profiles_figure", "ratio_ticks"]

CONTENT_UNITS = {
    "pct": "% by mass of concrete",
    "pct_binder": "% by mass of binder",
    "pct_paste": "% by mass of paste",
    "kg_m3": "kg per m\N{SUPERSCRIPT THREE} of concrete",
}
"""Words for the unit of the contents."""

MOST_PANELS, MOST_LINES = 12, 8
"""Most strategies drawn, and most specimens of each."""

MOST_DOTS = 60
"""Most specimens of each strategy whose residuals or diffusivities are drawn."""

LEGEND_WIDTH_MM = 46.0
KEY_WIDTH_MM = 22.0
"""Most that a specimen's name takes of its panel."""

TICKS = (0.1, 0.2, 0.3, 0.5, 0.7, 1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 7.0, 10.0, 15.0, 20.0)
PATTERNS = style.LINE_PATTERNS
MARKERS, MARKER_SYMBOLS = "os", "\N{BLACK CIRCLE}\N{BLACK SQUARE}"


def profiles_figure(fits: ProfileFits, skin: LayeredFits | None = None) -> Figure:
    """Draw the profiles with their fitted curves, a panel per strategy.

    Two-layer fits (`skin`) are drawn instead where the data support them.
    """
    names = list(dict.fromkeys(fits.profiles.strategies))[:MOST_PANELS]
    columns = min(len(names), 3) if len(names) != 4 else 2
    title = "The error function, averaged over each layer, against the measured layers"
    note = _profiles_note(fits)
    if skin is not None and LAYERED in skin.choice:
        note += " Where a skin is supported the line is that of skin and core; thin dots: uniform."
    unit = CONTENT_UNITS[fits.profiles.basis]
    figure, panels = depth_panels(names, columns=columns, title=title, note=note, unit=unit)
    shown = [place for place, name in enumerate(fits.profiles.strategies) if name in names]
    deepest = float(np.where(fits.profiles.present, fits.profiles.lower, 0.0)[shown].max())
    highest = float(max(fits.profiles.content[shown].max(), fits.surface[shown].max()))
    for ax, name in zip(panels, names, strict=True):
        _draw_panel(ax, fits, name, skin)
        ax.set_xlim(0.0, deepest)
        ax.set_ylim(0.0, 1.08 * highest)
    return figure


def plot_residuals(fits: ProfileFits, *, ax: Axes | None = None) -> Axes:
    """Plot readings less fit [% of surface content] over depth, coloured by strategy."""
    names = list(dict.fromkeys(fits.profiles.strategies))[:MOST_PANELS]
    used = fits.layers.weight > 0
    share = 100.0 * (fits.profiles.content - fits.fitted) / fits.surface[:, None]
    count = int(fits.flagged.sum())
    flags = {0: "no reading is far off", 1: "one reading is far off"}
    title = f"What the fits leave: {flags.get(count, f'{count} readings are far off')}"
    note = (
        "Reading less fit, in % of the surface content of the specimen. Filled: in the fit; open: "
        "left out; ringed: flagged by the robust fit, and still in the fit. A bend that all "
        "strategies share would mean that the error function does not hold."
    )
    if max(fits.profiles.strategies.count(name) for name in names) > MOST_DOTS:
        note += f" The first {MOST_DOTS} specimens of each strategy are drawn."
    if ax is None:
        ax = sheet.new_axes(
            height=72.0, left=15.0, right=LEGEND_WIDTH_MM, bottom=12.0, title=title, note=note
        )
    sheet.style_axes(ax)
    ax.axhline(0.0, color=style.GREY, lw=0.6, zorder=1)
    middle = 0.5 * (fits.profiles.upper + fits.profiles.lower)
    drawn = np.zeros((len(used), 1), dtype=bool)
    for place, name in enumerate(names):
        color, _ = style.line_style(place)
        of_strategy = np.array([s == name for s in fits.profiles.strategies])
        of_strategy = (of_strategy & (np.cumsum(of_strategy) <= MOST_DOTS))[:, None]
        drawn |= of_strategy
        inside, outside = of_strategy & used, of_strategy & fits.profiles.present & ~used
        marker = MARKERS[place // len(style.PALETTE)]
        ax.plot(
            middle[inside],
            share[inside],
            marker,
            ms=3.2,
            mew=0,
            color=color,
            alpha=0.85,
            gid=f"residuals-{place}",
        )
        ax.plot(
            middle[outside],
            share[outside],
            marker,
            ms=3.2,
            mew=0.7,
            mfc="none",
            mec=color,
            alpha=0.85,
            gid=f"left-out-{place}",
        )
    flagged = fits.flagged & drawn
    ax.plot(
        middle[flagged],
        share[flagged],
        "o",
        ms=8.0,
        mew=0.9,
        mfc="none",
        mec=style.TEXT_COLOR,
        gid="flagged",
    )
    _strategy_legend(ax, names)
    inner = share[used & drawn]
    reach = 1.25 * float(np.abs(inner).max()) if inner.size else 1.0
    beyond = fits.profiles.present & ~used & drawn & (np.abs(share) > reach)
    ax.set_ylim(-max(reach, 1.0), max(reach, 1.0))
    if beyond.any():
        sheet.annotate(
            ax,
            f"{int(beyond.sum())} left-out readings lie beyond the axis",
            (1.0, 0.0),
            offset=(-3.0, 4.0),
            xycoords="axes fraction",
            ha="right",
            color=style.GREY,
        )
    ax.set_xlim(left=0.0)
    ax.set_xlabel("Depth of the layer's middle [mm]", fontsize=style.TEXT_SIZE)
    ax.set_ylabel("Residual [% of surface content]", fontsize=style.TEXT_SIZE)
    sheet.headline(ax, title, note=note)
    return ax


def plot_penalties(
    penalties: ProfilePenaltyFactors, fits: ProfileFits, *, ax: Axes | None = None
) -> Axes:
    """Plot the penalty factor of each strategy with its interval; specimens are small dots."""
    rows = []
    at = penalties.strategies.index(penalties.reference)
    base = np.exp(penalties.log_diffusivity.mean[at])
    median = np.exp(penalties.log_ratios.log_mean)
    order = np.argsort(-median, kind="stable")
    for place in order:
        name = penalties.strategies[place]
        own = [
            d / base
            for d, s in zip(fits.diffusivity, fits.profiles.strategies, strict=True)
            if s == name
        ]
        is_reference = place == at
        text = (
            "1 (reference)"
            if is_reference
            else formatting.value_with_interval(
                float(median[place]), float(penalties.low95[place]), float(penalties.high95[place])
            )
        )
        rows.append(
            DotRow(
                name,
                float(median[place]),
                np.nan if is_reference else float(penalties.low95[place]),
                np.nan if is_reference else float(penalties.high95[place]),
                text,
                tuple(own[:MOST_DOTS]),
            )
        )
    worst = penalties.strategies[order[0]]
    title = (
        f"{worst} has {formatting.number(float(median[order[0]]), 2)} times the diffusivity of "
        f"{penalties.reference}"
        if order[0] != at
        else f"No strategy is worse than {penalties.reference}"
    )
    chart = plot_dot_intervals(
        rows,
        title=title,
        note="Dot: penalty factor, the ratio of pooled diffusivities; bar: its 95 % interval, the "
        "reference's error included; small dots: specimens over the pooled reference.",
        label="Penalty factor: diffusivity over that of the reference",
        mark=1.0,
        log=True,
        ax=ax,
    )
    ratio_ticks(chart)
    return chart


def ratio_ticks(ax: Axes) -> None:
    """Put ticks at round ratios on a logarithmic axis."""
    low, high = ax.get_xlim()
    inside = [tick for tick in TICKS if low <= tick <= high]
    step = max(1, -(-len(inside) // 7))
    ax.set_xticks(inside[::step], [formatting.number(tick) for tick in inside[::step]])
    ax.set_xticks([], minor=True)


def _draw_panel(ax: Axes, fits: ProfileFits, name: str, skin: LayeredFits | None) -> None:
    profiles = fits.profiles
    rows = [r for r, strategy in enumerate(profiles.strategies) if strategy == name][:MOST_LINES]
    _specimen_key(ax, [profiles.specimens[row] for row in rows])
    for number, row in enumerate(rows):
        color, pattern = style.PALETTE[number % len(style.PALETTE)], PATTERNS[number // 7]
        depth = np.linspace(fits.origin_depth[row], float(profiles.lower[row].max()), 160)
        content, half = curve_band(fits, row, depth=depth)
        if skin is not None and skin.choice_for(name) == LAYERED and skin.identifiable[row]:
            ax.plot(depth, content, color=color, ls=":", lw=0.5, gid=f"uniform-{row}")
            ax.plot(
                depth,
                skin_curve(fits, skin, row, depth=depth),
                color=color,
                ls=pattern,
                lw=0.9,
                gid=f"curve-{row}",
            )
        else:
            ax.fill_between(
                depth,
                content - half,
                content + half,
                color=color,
                lw=0,
                alpha=style.BAND_OPACITY,
                gid=f"band-{row}",
            )
            ax.plot(depth, content, color=color, ls=pattern, lw=0.9, gid=f"curve-{row}")
        for layer in np.flatnonzero(profiles.present[row]):
            used = fits.layers.weight[row, layer] > 0
            x = (profiles.upper[row, layer], profiles.lower[row, layer])
            y = profiles.content[row, layer]
            if x[0] == x[1]:
                ax.plot(x[:1], [y], "o", ms=2.6, mew=0.8, mec=color, mfc=color if used else "none")
            else:
                ax.plot(
                    x,
                    (y, y),
                    color=color,
                    lw=2.0 if used else 0.8,
                    ls="-" if used else (0, (1, 1)),
                    solid_capstyle="butt",
                )
            if fits.flagged[row, layer]:
                ax.plot(
                    [0.5 * (x[0] + x[1])],
                    [y],
                    "o",
                    ms=8.0,
                    mew=0.9,
                    mfc="none",
                    mec=style.TEXT_COLOR,
                )


def _specimen_key(ax: Axes, specimens: list[str]) -> None:
    """Name the specimens of a panel at its right, each in the colour of its profile."""
    for place, specimen in enumerate(specimens):
        sheet.annotate(
            ax,
            shorten_text(specimen, width=KEY_WIDTH_MM * sheet.POINTS_PER_MM, size=style.NOTE_SIZE),
            (1.0, 1.0),
            offset=(-3.0, -(place + 0.8) * 1.3 * style.NOTE_SIZE),
            size=style.NOTE_SIZE,
            xycoords="axes fraction",
            ha="right",
            va="center",
            color=style.PALETTE[place % len(style.PALETTE)],
        )


def _profiles_note(fits: ProfileFits) -> str:
    text = (
        "Bars: content of a layer (dotted: left out of the fit). Lines: fitted curves; shaded: "
        "their 95 % bands. A colour per specimen, named in its panel."
    )
    if fits.flagged.any():
        text += " Ringed: flagged as far off."
    names = list(dict.fromkeys(fits.profiles.strategies))
    most = max(fits.profiles.strategies.count(name) for name in names[:MOST_PANELS])
    if len(names) > MOST_PANELS or most > MOST_LINES:
        text += (
            f" Drawn are the first {min(len(names), MOST_PANELS)} of {len(names)} strategies and the "
            f"first {min(most, MOST_LINES)} specimens of each."
        )
    return text


def _strategy_legend(ax: Axes, names: list[str]) -> None:
    """List the strategies beside the axes, each in its colour."""
    room = (LEGEND_WIDTH_MM - 8.0) * sheet.POINTS_PER_MM
    for place, name in enumerate(names):
        color, _ = style.line_style(place)
        text = shorten_text(name, width=room, size=style.TEXT_SIZE)
        sheet.annotate(
            ax,
            f"{MARKER_SYMBOLS[place // len(style.PALETTE)]} {text}",
            (1.0, 1.0),
            offset=(8.0, -(place + 0.6) * 1.6 * style.TEXT_SIZE),
            size=style.TEXT_SIZE,
            xycoords="axes fraction",
            va="center",
            color=color,
        )
