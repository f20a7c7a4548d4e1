"""What the report of fitted profiles says about a skin that curing changed, on a core."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from stripwise.distributions.distribution import Distribution
from stripwise.evidence.profiles.chloride_profiles import ProfileFits
from stripwise.evidence.profiles.layered_fit import LAYERED, SKIN_ONLY, LayeredFits
from stripwise.report.components import Column, Figure, Paragraph, Section, Table, numeric
from stripwise.report.figures import sheet
from stripwise.report.figures.dot_interval import DotRow, plot_dot_intervals
from stripwise.report.files import input_toml
from stripwise.report.prose import sentence
from stripwise.units import formatting
from stripwise.units.formatting import diffusivity, number

__all__ = [
    "plot_skins",
    "skin_depth_toml",
    "skin_findings",
    "skin_record",
    "skin_section",
]

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
        else (f"fitted, {formatting.interval(depth.low, depth.high, _mm)}")
    )
    names = {
        c: [n for n, k in zip(layered.strategies, layered.choice, strict=True) if k == c]
        for c in MODEL_NAMES
    }
    texts = []
    if names[LAYERED]:
        texts.append(
            f"A skin of {_mm(depth.value)} ({origin}) on a core of another diffusivity is "
            f"supported for {formatting.join_with_and(names[LAYERED][:6])}."
        )
    if names[SKIN_ONLY]:
        texts.append(
            f"The exposure of {formatting.join_with_and(names[SKIN_ONLY][:6])} was too short to pass "
            f"the {_mm(depth.value)} that curing changed, so that their Dₐ is that of the skin."
        )
    if names["uniform"]:
        texts.append(
            f"The profiles of {formatting.join_with_and(names['uniform'][:6])} show no skin of their own: one "
            "diffusivity describes them as well."
        )
    if not depth.bounded:
        texts.append(
            "The profiles do not tell how deep the skin is, so that none is accepted; give its "
            "depth by --affected-depth."
        )
    if reference in names[LAYERED]:
        texts.append(
            f"The reference {reference} shows a skin too: the penalties divide by its Dₐ over "
            "the whole profile, and are too small for a wall whose core is that of the reference."
        )
    return tuple(texts)


def skin_section(fits: ProfileFits, layered: LayeredFits) -> Section:
    """Lay out the section on skin and core, with figure "skin" where a strategy is layered."""

    def own(name: str) -> NDArray[np.bool_]:
        return np.array([s == name for s in fits.profiles.strategies]) & layered.identifiable

    def gain(place: int) -> str:
        if not own(layered.strategies[place]).any():
            return ""
        return number(float(layered.aicc_uniform[place] - layered.aicc_layered[place]), 2)

    names, all_of = layered.strategies, fits.profiles.strategies
    table = Table(
        f"Skin of {_mm(layered.depth.value)} on a core, geometric means in 10⁻¹² m²/s. "
        "Gain: by how much the criterion falls against one diffusivity; a skin is accepted above 2.",
        (
            Column("Strategy", write=lambda k: names[k]),
            numeric(
                "Usable specimens",
                write=lambda k: f"{int(own(names[k]).sum())} of {all_of.count(names[k])}",
            ),
            numeric("D of the skin", write=lambda k: _mean(layered.skin[own(names[k])])),
            numeric("D of the core", write=lambda k: _mean(layered.core[own(names[k])])),
            numeric("Gain", write=gain),
            Column("Supported", write=lambda k: MODEL_NAMES[layered.choice[k]]),
        ),
        range(len(names)),
    )
    about = Paragraph(sentence("skin.about"))
    if LAYERED not in layered.choice:
        return Section("Skin and core", (about, table))
    drawing = sheet.draw(plot_skins, fits, layered)
    return Section("Skin and core", (about, Figure("skin", drawing, "Data: layered.csv."), table))


def plot_skins(fits: ProfileFits, layered: LayeredFits, *, ax: Axes | None = None) -> Axes:
    """Plot the diffusivities of skin and core of every layered strategy."""
    rows, worst = [], ("", 0.0)
    chosen = [n for n, c in zip(layered.strategies, layered.choice, strict=True) if c == LAYERED]
    for name in chosen[:MAX_STRATEGIES]:
        own = np.array([s == name for s in fits.profiles.strategies]) & layered.identifiable
        means = []
        for part, values in (("skin", layered.skin), ("core", layered.core)):
            logs = np.log(1e12 * values[own])
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
                    number(float(np.exp(mean))),
                    tuple((1e12 * values[own])[:MAX_DOTS]),
                )
            )
        ratio = float(np.exp(means[0] - means[1]))
        worst = max(worst, (name, ratio), key=lambda item: item[1])
    title = (
        f"The skin of {worst[0]} lets chloride in {number(worst[1], 2)} times as fast as its core"
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
    return diffusivity(float(np.exp(np.log(values).mean()))) if values.size else ""


def _mm(length: float) -> str:
    return formatting.length(length, units="SI")
