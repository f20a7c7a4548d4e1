"""What the report of fitted profiles says about a skin that curing changed, on a core."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from stripwise.distributions.distribution import Distribution
from stripwise.evidence.profiles.chloride_profiles import ProfileFits
from stripwise.evidence.profiles.layered_fit import LAYERED, SKIN_ONLY, LayeredFits
from stripwise.report import formatting
from stripwise.report.components import Section, Table, input_toml
from stripwise.report.figures.dot_interval import DotRow, plot_dot_intervals

__all__ = [
    "plot_skins",
    "skin_depth_toml",
    "skin_findings",
    "skin_method",
    "skin_record",
    "skin_section",
]

E12 = 1e12
"""From m2/s to the 10⁻¹² m²/s of the page."""

NORMAL_975 = 1.959963984540054
MAX_STRATEGIES = 12
"""Most strategies in the figure."""

MAX_DOTS = 60
"""Most specimens of a strategy in the figure."""

MODEL_NAMES = {
    LAYERED: "skin on a core",
    SKIN_ONLY: "skin only: the profiles end in it",
    "uniform": "one diffusivity",
}


def skin_findings(layered: LayeredFits, *, reference: str | None) -> tuple[str, ...]:
    """Say whether the profiles show a skin."""
    depth = layered.depth
    origin = (
        "given"
        if np.isnan(depth.low)
        else (f"fitted, {formatting.interval(depth.low, depth.high, formatting.number)} mm")
    )
    names = {
        c: [n for n, k in zip(layered.strategies, layered.choice, strict=True) if k == c]
        for c in MODEL_NAMES
    }
    texts = []
    if names[LAYERED]:
        texts.append(
            f"A skin of {formatting.number(depth.value)} mm ({origin}) on a core of another diffusivity is "
            f"supported for {formatting.join_with_and(names[LAYERED][:6])}."
        )
    if names[SKIN_ONLY]:
        texts.append(
            f"The exposure of {formatting.join_with_and(names[SKIN_ONLY][:6])} was too short to leave the "
            f"{formatting.number(depth.value)} mm that curing changed: D_a is the skin's."
        )
    if names["uniform"]:
        texts.append(
            f"The profiles of {formatting.join_with_and(names['uniform'][:6])} support no skin of their own: one "
            "diffusivity describes them as well."
        )
    if not depth.bounded:
        texts.append(
            "The profiles do not tell how deep the skin is, so that none is taken up; give its "
            "depth by --affected-depth."
        )
    if reference in names[LAYERED]:
        texts.append(
            f"The reference {reference} shows a skin too: the penalties divide by its D_a over "
            "the whole profile, and are too small for a wall whose core is that of the reference."
        )
    return tuple(texts)


def skin_section(fits: ProfileFits, layered: LayeredFits) -> Section:
    """Lay out the section on skin and core, with figure "skin" where a strategy is layered."""
    rows = []
    for place, name in enumerate(layered.strategies):
        own = np.array([s == name for s in fits.profiles.strategies]) & layered.identifiable
        uniform, two_layers = layered.aicc_uniform[place], layered.aicc_layered[place]
        rows.append(
            (
                name,
                f"{int(own.sum())} of {fits.profiles.strategies.count(name)}",
                _mean(layered.skin[own]),
                _mean(layered.core[own]),
                formatting.number(float(uniform - two_layers), 2) if own.any() else "",
                MODEL_NAMES[layered.choice[place]],
            )
        )
    table = Table(
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
        (table,),
    )


def plot_skins(fits: ProfileFits, layered: LayeredFits, *, ax: Axes | None = None) -> Axes:
    """Plot the diffusivities of skin and core of every layered strategy."""
    rows, worst = [], ("", 0.0)
    chosen = [n for n, c in zip(layered.strategies, layered.choice, strict=True) if c == LAYERED]
    for name in chosen[:MAX_STRATEGIES]:
        own = np.array([s == name for s in fits.profiles.strategies]) & layered.identifiable
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
                    tuple((values[own] * E12)[:MAX_DOTS]),
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
    if len(chosen) > MAX_STRATEGIES:
        note += f" The first {MAX_STRATEGIES} of {len(chosen)} strategies are drawn."
    return plot_dot_intervals(
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


def skin_depth_toml(depth: Distribution, *, source: str) -> str:
    """Write the depth of the skin [mm] as an input for curing.affected_depth."""
    return input_toml(
        depth,
        unit="mm",
        kind="knowledge",
        source=f"two-layer fit by stripwise of {source}",
        about=(
            "Depth of the skin that curing changed, for [curing] of a scenario:",
            'affected_depth = { from = "affected_depth.toml" }, with the penalties beside it.',
        ),
    )


def skin_record(layered: LayeredFits) -> dict[str, object]:
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
