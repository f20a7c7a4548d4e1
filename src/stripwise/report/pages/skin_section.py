"""What the report of fitted profiles says about a skin that curing changed, on a core."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from numpy.typing import NDArray

from stripwise.distributions.distribution import distribution, fixed
from stripwise.evidence.profiles.chloride_profiles import Fits
from stripwise.evidence.profiles.layered_fit import LAYERED, SKIN_ONLY, Layered
from stripwise.report import formatting
from stripwise.report.components import Grid, Section, input_text
from stripwise.report.figures.dot_interval import DotRow, plot_dots

__all__ = [
    "depth_file",
    "plot_skins",
    "skin_findings",
    "skin_method",
    "skin_record",
    "skin_section",
    "skin_table",
]

E12 = 1e12
NORMAL_975 = 1.959963984540054
SHOWN = 12
"""Most strategies in the figure."""
MOST_ROWS = 60

CHOICE = {
    LAYERED: "skin on a core",
    SKIN_ONLY: "skin only: the profiles end in it",
    "uniform": "one diffusivity",
}


def skin_table(fits: Fits, layered: Layered) -> pd.DataFrame:
    """Tabulate the two-layer fits, one row a specimen.

    Parameters
    ----------
    fits, layered
        The uniform and the two-layer fits.

    Returns
    -------
    DataFrame: specimen, strategy, model, skin_depth_mm, skin_m2_s, skin_se, core_m2_s, core_se,
    ratio, ratio_log_se, surface_pct (or the unit of the profiles), rmse, notes.
    """
    names = fits.profiles.strategies
    return pd.DataFrame(
        {
            "specimen": fits.profiles.specimens,
            "strategy": names,
            "model": [layered.choice_of(name) for name in names],
            "skin_depth_mm": layered.depth.value,
            "skin_m2_s": layered.skin,
            "skin_se": layered.skin_se,
            "core_m2_s": layered.core,
            "core_se": layered.core_se,
            "ratio": layered.ratio,
            "ratio_log_se": layered.ratio_log_se,
            f"surface_{fits.profiles.basis}": layered.surface,
            "rmse": layered.rmse,
            "notes": [_note(layered, row) for row in range(len(names))],
        }
    )


def _note(layered: Layered, row: int) -> str:
    if not layered.tells[row]:
        return "too few layers in the skin or behind it within the chloride's reach"
    if layered.at_bound[row]:
        return "ratio of skin to core at the end of its range, core not told"
    return ""


def skin_findings(layered: Layered, *, reference: str | None) -> tuple[str, ...]:
    """Say whether the profiles show a skin.

    Parameters
    ----------
    layered
        The two-layer fits.
    reference
        Strategy whose penalty is 1; None without one.

    Returns
    -------
    The sentences.
    """
    depth = layered.depth
    how = (
        "given"
        if np.isnan(depth.low)
        else (f"fitted, {formatting.interval(depth.low, depth.high, formatting.number)} mm")
    )
    by = {
        c: [n for n, k in zip(layered.strategies, layered.choice, strict=True) if k == c]
        for c in CHOICE
    }
    texts = []
    if by[LAYERED]:
        texts.append(
            f"A skin of {formatting.number(depth.value)} mm ({how}) on a core of another diffusivity is "
            f"supported for {formatting.listing(by[LAYERED][:6])}."
        )
    if by[SKIN_ONLY]:
        texts.append(
            f"The exposure of {formatting.listing(by[SKIN_ONLY][:6])} was too short to leave the "
            f"{formatting.number(depth.value)} mm that curing changed: D_a is the skin's."
        )
    if by["uniform"]:
        texts.append(
            f"The profiles of {formatting.listing(by['uniform'][:6])} support no skin of their own: one "
            "diffusivity describes them as well."
        )
    if not depth.told:
        texts.append(
            "The profiles do not tell how deep the skin is, so that none is taken up; give its "
            "depth by --affected-depth."
        )
    if reference in by[LAYERED]:
        texts.append(
            f"The reference {reference} shows a skin too: the penalties divide by its D_a over "
            "the whole profile, and are too small for a wall whose core is that of the reference."
        )
    return tuple(texts)


def skin_section(fits: Fits, layered: Layered) -> Section:
    """Lay out the section on skin and core.

    Parameters
    ----------
    fits, layered
        The uniform and the two-layer fits.

    Returns
    -------
    The section, with figure "skin" where a strategy is layered.
    """
    rows = []
    for place, name in enumerate(layered.strategies):
        own = np.array([s == name for s in fits.profiles.strategies]) & layered.tells
        one, both = layered.criterion_uniform[place], layered.criterion_layered[place]
        rows.append(
            (
                name,
                f"{int(own.sum())} of {fits.profiles.strategies.count(name)}",
                _mean(layered.skin[own]),
                _mean(layered.core[own]),
                formatting.number(float(one - both), 2) if own.any() else "",
                CHOICE[layered.choice[place]],
            )
        )
    grid = Grid(
        f"Skin of {formatting.number(layered.depth.value)} mm on a core, geometric means in 10⁻¹² m²/s. "
        "Gain: how far the criterion falls against one diffusivity; above 2 the skin is taken up.",
        ("Strategy", "Specimens that tell", "D of the skin", "D of the core", "Gain", "Supported"),
        tuple(rows),
        frozenset({1, 2, 3, 4}),
    )
    return Section(
        "Skin and core",
        (
            "Curing changes the outer millimetres. Where a profile reaches behind them it can tell "
            "two diffusivities; where the exposure was shorter it measures the skin alone. The "
            "penalties then belong to the skin: give the scenario affected_depth.",
        ),
        "skin" if LAYERED in layered.choice else "",
        "Data: layered.csv." if LAYERED in layered.choice else "",
        (grid,),
    )


def plot_skins(fits: Fits, layered: Layered, *, ax: Axes | None = None) -> Axes:
    """Plot the diffusivities of skin and core of every layered strategy.

    Parameters
    ----------
    fits, layered
        The uniform and the two-layer fits.
    ax
        Axes to draw on; a new figure of print size if None.

    Returns
    -------
    The axes.
    """
    rows, worst = [], ("", 0.0)
    chosen = [n for n, c in zip(layered.strategies, layered.choice, strict=True) if c == LAYERED]
    for name in chosen[:SHOWN]:
        own = np.array([s == name for s in fits.profiles.strategies]) & layered.tells
        means = []
        for part, values in (("skin", layered.skin), ("core", layered.core)):
            logs = np.log(values[own] * E12)
            mean, half = float(logs.mean()), np.nan
            if len(logs) > 1:
                half = float(NORMAL_975 * logs.std(ddof=1) / np.sqrt(len(logs)))
            means.append(mean)
            rows.append(
                DotRow(
                    f"{name}: {part}",
                    float(np.exp(mean)),
                    float(np.exp(mean - half)),
                    float(np.exp(mean + half)),
                    formatting.number(float(np.exp(mean))),
                    tuple((values[own] * E12)[:MOST_ROWS]),
                )
            )
        ratio = float(np.exp(means[0] - means[1]))
        worst = max(worst, (name, ratio), key=lambda item: item[1])
    title = (
        f"The skin of {worst[0]} lets chloride in {formatting.number(worst[1], 2)} times as fast as "
        "its core"
    )
    note = (
        "Small dots: specimens; dot: geometric mean; bar: its 95 % interval by the scatter between "
        "specimens alone."
    )
    if len(chosen) > SHOWN:
        note += f" The first {SHOWN} of {len(chosen)} strategies are drawn."
    return plot_dots(
        rows, title=title, note=note, label="Diffusivity [10⁻¹² m²/s]", log=False, ax=ax
    )


def skin_method() -> str:
    """Say how the two-layer fits are made and judged, with sources."""
    return (
        "Skin and core: the solution for a layer on a half-space (Carslaw and Jaeger 12.8, "
        "recalled), integrated over each layer; D of skin and core, Cs and, where it was not "
        "measured, C0 by least squares for every specimen, one depth of the skin for all. A "
        "strategy is taken as layered where Akaike's corrected criterion over its specimens "
        "(Hurvich and Tsai 1989) falls by more than 2; specimens take part with one layer in the "
        "skin and two behind it within the chloride's reach. A fitted depth has the wider of the "
        "profile-likelihood and the jackknife interval (in simulations it held the truth in about "
        "nine of ten), and its error goes into the penalties."
    )


def depth_file(layered: Layered, *, source: str) -> str:
    """Write the depth of the skin as an input for curing.affected_depth.

    Parameters
    ----------
    layered
        The two-layer fits.
    source
        Name of the file that was fitted.

    Returns
    -------
    TOML with the table ``[input]``.
    """
    depth = layered.depth
    sd = depth.log_sd
    law = (
        fixed(depth.value)
        if sd == 0.0
        else distribution(
            "lognormal",
            mean=depth.value * float(np.exp(0.5 * sd**2)),
            sd=depth.value * float(np.exp(0.5 * sd**2) * np.sqrt(np.expm1(sd**2))),
        )
    )
    return input_text(
        law,
        unit="mm",
        kind="knowledge",
        source=f"two-layer fit by stripwise of {source}",
        about=(
            "Depth of the skin that curing changed, for [curing] of a scenario:",
            'affected_depth = { from = "affected_depth.toml" }, with the penalties beside it.',
        ),
    )


def skin_record(layered: Layered) -> dict[str, object]:
    """Collect what run.json says about skin and core."""
    depth = layered.depth
    return {
        "skin_depth_mm": depth.value,
        "skin_depth_low95": depth.low,
        "skin_depth_high95": depth.high,
        "models": dict(zip(layered.strategies, layered.choice, strict=True)),
    }


def _mean(values: NDArray[np.float64]) -> str:
    return formatting.number(float(np.exp(np.log(values).mean())) * E12) if values.size else ""
