"""How a study of targets is drawn: who meets which target, the cover it needs, what it costs."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from stripwise.errors import InputError
from stripwise.report.figures import sheet, style
from stripwise.report.figures.dot_interval import DotRow, plot_dot_intervals
from stripwise.report.figures.label_placement import group_similar, text_width, wrap_text
from stripwise.report.figures.line_ends import LineEnd, label_line_ends
from stripwise.studies.candidate_targets import STATED
from stripwise.studies.decision import YES
from stripwise.studies.target_costs import NO_TARGET
from stripwise.studies.target_sentences import extra_cost, over_stated_life
from stripwise.studies.target_study import TargetResult
from stripwise.studies.verdict import strategies_meet
from stripwise.units import formatting
from stripwise.units.caution import DURABILITY_ONLY

__all__ = ["draw_target_figures", "plot_passing", "plot_target_cost", "plot_target_cover"]

HEIGHT_MM = 72.0
LEFT_MM, RIGHT_MM, BOTTOM_MM = 15.0, 48.0, 12.0
LOWEST_PROBABILITY = 1e-5
MOST_NAMES = 3
"""Most strategies that one label names."""


def draw_target_figures(result: TargetResult) -> dict[str, Figure]:
    """Draw every figure that the study has data for, by the name of its file.

    Names: passing, with choices target-cover, with prices target-cost.
    """
    figures = {"passing": sheet.draw(plot_passing, result)}
    if result.scenario.choices is not None:
        figures["target-cover"] = sheet.draw(plot_target_cover, result)
    if result.costs is not None:
        figures["target-cost"] = sheet.draw(plot_target_cost, result)
    return figures


def plot_passing(data: TargetResult, *, ax: Axes | None = None) -> Axes:
    """Plot the probability of each strategy within the stated life against the targets."""
    scenario, rows = data.scenario, over_stated_life(data.scenario, data.targets)
    allowed = np.unique(rows["allowed_probability"])
    stated = rows[rows["allowed_probability"] == scenario.target.probability]
    dots = [
        DotRow(
            str(row["strategy"]),
            max(float(row["probability"]), LOWEST_PROBABILITY),
            np.nan,
            np.nan,
            f"{formatting.percent(float(row['probability']))}"
            f"{', meets it' if row['meets_target'] == YES else ''}",
        )
        for row in stated.to_dict("records")
    ]
    count = sum(row["meets_target"] == YES for row in stated.to_dict("records"))
    life = formatting.years(scenario.target.service_life)
    title = (
        f"{strategies_meet(count, of=len(dots))} the stated target of "
        f"{formatting.percent(scenario.target.probability)} within {life}"
    )
    ax = plot_dot_intervals(
        dots,
        title=title,
        note="A strategy meets every target to the right of its dot. Dashed: the stated target; "
        f"thin: the others. {DURABILITY_ONLY}",
        label=f"Probability of depassivation within {life}",
        mark=scenario.target.probability,
        log=True,
        ax=ax,
    )
    for probability in allowed:
        if probability != scenario.target.probability:
            ax.axvline(probability, color=style.LIGHT_GREY, lw=0.8, zorder=0, gid="target")
    low, high = ax.get_xlim()
    ax.set_xlim(min(low, 0.7 * allowed[0]), min(max(high, 1.3 * allowed[-1]), 1.0))
    _probability_ticks(ax, allowed, scenario.target.probability)
    return ax


def plot_target_cover(data: TargetResult, *, ax: Axes | None = None) -> Axes:
    """Plot the nominal cover that each strategy needs over the allowed probability."""
    scenario, rows = data.scenario, over_stated_life(data.scenario, data.targets)
    if scenario.choices is None:
        raise InputError("choices", "is missing; without it no cover was sought")
    units = scenario.units
    allowed = np.unique(rows["allowed_probability"])
    names = [strategy.name for strategy in scenario.strategies]
    needed = np.array(
        [rows.loc[rows["strategy"] == name, "required_cover_mm"].to_numpy() for name in names]
    )
    needed = np.vectorize(lambda mm: formatting.to_display_unit(mm, "mm", units=units))(needed)
    ends = [formatting.to_display_unit(mm, "mm", units=units) for mm in scenario.choices.cover[:2]]
    title, note = _cover_title(data, rows), _cover_note(data)
    ax = _axes(ax, title, note)
    ax.set_ylim(ends[0], ends[1])
    labels = []
    clipped = np.clip(needed, ends[0], ends[1])
    for group in group_similar(clipped, tolerance=0.006 * (ends[1] - ends[0])):
        colour, pattern = style.line_style(group[0])
        line = needed[group[0]]
        inside = np.isfinite(line)
        ax.plot(
            allowed[inside],
            line[inside],
            color=colour,
            linestyle=pattern,
            linewidth=1.4,
            gid=f"cover-{group[0]}",
        )
        if inside.any():
            text = _short_list([names[k] for k in group])
            labels.append(LineEnd(float(line[inside][-1]), text, colour))
    _finish(ax, data, allowed)
    label_line_ends(ax, labels)
    ax.set_ylabel(
        f"Required nominal cover [{formatting.display_unit('mm', units=units)}]",
        fontsize=style.TEXT_SIZE,
    )
    return ax


def plot_target_cost(data: TargetResult, *, ax: Axes | None = None) -> Axes:
    """Plot first and expected cost of the cheapest pair over the allowed probability."""
    if data.costs is None:
        raise InputError("cost", "is missing; without prices there is no cost to draw")
    rows = data.costs[data.costs["allowed_probability"].notna() & data.costs["cost"].notna()]
    rows = rows.sort_values("allowed_probability").drop_duplicates("allowed_probability")
    allowed = rows["allowed_probability"].to_numpy(dtype=float)
    assert data.scenario.cost is not None
    rows = data.scenario.cost.shown(rows)
    ax = _axes(ax, _cost_title(data), _cost_note(data))
    labels = []
    for column, words, place in (
        ("cost", "first cost and expected repairs", 0),
        ("first_cost", "first cost", 1),
    ):
        values = rows[column].to_numpy(dtype=float)
        colour, pattern = style.line_style(place)
        ax.plot(
            allowed, values, "o", ms=4.0, color=colour, mec="white", mew=0.5, gid=f"dots-{column}"
        )
        ax.plot(allowed, values, color=colour, linestyle=pattern, lw=1.4, gid=column)
        if values.size:
            width = (RIGHT_MM - 8.0) * sheet.POINTS_PER_MM
            lines = wrap_text(words, width=width, size=style.TEXT_SIZE)
            labels.append(LineEnd(float(values[-1]), "\n".join(lines), colour))
    ax.set_ylim(0.0, 1.15 * max(float(rows["cost"].max()) if len(rows) else 1.0, 1e-9))
    _finish(ax, data, allowed)
    label_line_ends(ax, labels)
    ax.set_ylabel(
        f"Cost of the cheapest pair [{data.scenario.cost.unit}]", fontsize=style.TEXT_SIZE
    )
    return ax


def _axes(ax: Axes | None, title: str, note: str) -> Axes:
    if ax is None:
        ax = sheet.new_axes(
            height=HEIGHT_MM, left=LEFT_MM, right=RIGHT_MM, bottom=BOTTOM_MM, title=title, note=note
        )
        sheet.headline(ax, title, note=note)
    sheet.style_axes(ax)
    ax.set_xscale("log")
    ax.grid(axis="y", color=style.LIGHT_GREY, linewidth=0.5)
    ax.set_axisbelow(True)
    return ax


def _finish(ax: Axes, data: TargetResult, allowed: np.ndarray) -> None:
    stated = data.scenario.target.probability
    shown = np.unique(np.append(allowed, stated))
    ax.set_xlim(0.9 * shown[0], 1.1 * shown[-1])
    ax.axvline(stated, color=style.GREY, lw=0.8, ls=(0, (3, 2)), gid="stated", zorder=1)
    rows = over_stated_life(data.scenario, data.targets)
    _probability_ticks(ax, np.unique(rows["allowed_probability"]), stated)
    life = formatting.years(data.scenario.target.service_life)
    ax.set_xlabel(f"Allowed probability within {life}", fontsize=style.TEXT_SIZE)


def _probability_ticks(ax: Axes, allowed: np.ndarray, stated: float) -> None:
    """Mark the targets, the stated one first; one whose label would touch another has none."""
    low, high = ax.get_xlim()
    width = sheet.axes_size(ax)[0] / np.log(high / low)
    kept: list[float] = []
    for p in (stated, *allowed):
        half = 0.5 * text_width(formatting.percent(float(p)), style.TEXT_SIZE) + 2.0
        if low <= p <= high and all(
            abs(np.log(p / other)) * width
            > half + 0.5 * text_width(formatting.percent(other), style.TEXT_SIZE) + 2.0
            for other in kept
        ):
            kept.append(float(p))
    kept.sort()
    ax.set_xticks(kept, labels=[formatting.percent(p) for p in kept], parse_math=False)
    ax.set_xticks([], minor=True)


def _short_list(names: list[str]) -> str:
    shown = names[:MOST_NAMES]
    more = len(names) - len(shown)
    text = formatting.join_with_and(shown) if not more else f"{', '.join(shown)} and {more} more"
    width = (RIGHT_MM - 8.0) * sheet.POINTS_PER_MM
    return "\n".join(wrap_text(text, width=width, size=style.TEXT_SIZE))


def _cover_title(data: TargetResult, rows: pd.DataFrame) -> str:
    name, units = data.scenario.reference_strategy, data.scenario.units
    own = rows[(rows["strategy"] == name) & np.isfinite(rows["required_cover_mm"])]
    if len(own) < 2:
        return f"Required nominal cover by target; few targets can be met with {name}"
    strict, weak = own.iloc[0], own.iloc[-1]
    parts = [
        f"{formatting.length(float(row['required_cover_mm']), units=units)} at "
        f"{formatting.percent(float(row['allowed_probability']))}"
        for row in (strict, weak)
    ]
    return f"{name} needs {parts[0]} and {parts[1]}"


def _cover_note(data: TargetResult) -> str:
    return (
        "Nominal cover at which a strategy just meets a target over the stated life, before it is "
        f"rounded up for the drawing. Dashed: the stated target. {DURABILITY_ONLY}"
    )


def _cost_title(data: TargetResult) -> str:
    assert data.costs is not None
    free, stated = (
        data.costs[data.costs["source"] == source].iloc[0] for source in (NO_TARGET, STATED)
    )
    text = (
        f"The expected cost is least at a probability of {formatting.percent(free['probability'])}"
    )
    if not np.isfinite(stated["cost"]):
        return f"{text}; no pair of the ranges meets the stated target"
    return f"{text}; the stated target costs {extra_cost(free, stated)}"


def _cost_note(data: TargetResult) -> str:
    return (
        "The cheapest nominal cover, strip age and curing after stripping that can be built and "
        "meets the target over the stated life. Dashed: the stated target. A low cost makes no "
        f"target acceptable. {DURABILITY_ONLY}"
    )
