"""How the probability of each strategy grows over time: the curves, and the set of a run's figures."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from stripwise.report.figures import sheet, style
from stripwise.report.figures.answer_figure import plot_answer
from stripwise.report.figures.drivers_figure import plot_choices, plot_drivers
from stripwise.report.figures.label_placement import (
    group_similar,
    shorten_text,
    text_width,
    wrap_balanced,
)
from stripwise.report.figures.line_ends import (
    LEADER_MM,
    LineEnd,
    label_height,
    label_line_ends,
)
from stripwise.report.figures.map_figure import map_figure, plot_map
from stripwise.report.figures.service_figures import plot_cracking, plot_face
from stripwise.studies.results import Assessment
from stripwise.units import formatting

__all__ = [
    "draw_run_figures",
    "plot_choices",
    "plot_cracking",
    "plot_curves",
    "plot_drivers",
    "plot_face",
    "plot_map",
]

Array = NDArray[np.float64]

LABEL_WIDTH_MM = 46.0
TITLE_NAME_WIDTH_PT = 200.0
LABEL_PLACES = 13
"""How many places along the target line its label may take."""
LOWEST_MM, HIGHEST_MM = 74.0, 170.0
"""Height of the axes of the curves, as the labels need it."""

AXIS_TOPS = (
    0.001,
    0.002,
    0.005,
    0.01,
    0.02,
    0.05,
    0.1,
    0.15,
    0.2,
    0.25,
    0.3,
    0.4,
    0.5,
    0.6,
    0.8,
    1.0,
)


def draw_run_figures(assessment: Assessment) -> dict[str, Figure]:
    """Draw every figure that an assessment has data for, by the name of its file.

    Names: answer, curves, and drivers, choices, map, cracking and face where there are any.
    """
    with sheet.style_context():
        figures = {
            "answer": sheet.parent_figure(plot_answer(assessment)),
            "curves": sheet.parent_figure(plot_curves(assessment)),
        }
        analyses = set(assessment.sensitivity["analysis"])
        if "uncertainty" in analyses:
            figures["drivers"] = sheet.parent_figure(plot_drivers(assessment))
        if "choices" in analyses:
            figures["choices"] = sheet.parent_figure(plot_choices(assessment))
        if assessment.reliability_map is not None:
            figures["map"] = map_figure(assessment)
        if assessment.service.cracking is not None:
            figures["cracking"] = sheet.parent_figure(plot_cracking(assessment))
        if assessment.service.face is not None:
            figures["face"] = sheet.parent_figure(plot_face(assessment))
    return figures


def plot_curves(data: Assessment, *, ax: Axes | None = None) -> Axes:
    """Plot the probability of depassivation over age for every strategy.

    Curves that cannot be told apart share one label. The shaded bands are the uncertainty range
    of the reference strategy and of the worst one; without epistemic inputs the sampling interval.
    """
    scenario = data.scenario
    names = [strategy.name for strategy in scenario.strategies]
    age, probability = _curve_table(data, names, "probability")
    shown = _rows_with_band(data, names, probability)
    low, high = _bands(data, names)
    top = _axis_top(float(max(probability.max(), high[shown].max())), scenario.target.probability)
    groups = group_similar(probability, tolerance=0.004 * top)
    labels, height = _curve_labels(names, groups)
    title, note = _title(data, names, shown), _note(data)
    if ax is None:
        ax = sheet.new_axes(
            height=height, left=15.0, right=LABEL_WIDTH_MM, bottom=12.0, title=title, note=note
        )
    sheet.style_axes(ax)
    ax.set_xlim(0.0, scenario.sampling.horizon)
    ax.set_ylim(0.0, 100.0 * top)
    for row in shown:
        color, _ = style.line_style(_first_of_group(groups, row))
        ax.fill_between(
            age,
            100.0 * low[row],
            100.0 * high[row],
            color=color,
            alpha=style.BAND_OPACITY,
            linewidth=0,
            gid=f"band-{row}",
        )
    for row, curve in enumerate(probability):
        color, pattern = style.line_style(_first_of_group(groups, row))
        ax.plot(age, 100.0 * curve, color=color, linestyle=pattern, lw=1.5, gid=f"curve-{row}")
    _draw_target(ax, data, top, age=age, curves=100.0 * probability)
    label_line_ends(
        ax,
        [
            LineEnd(
                100.0 * probability[group[0], -1],
                label,
                style.line_style(group[0])[0],
                f"label-{group[0]}",
            )
            for group, label in zip(groups, labels, strict=True)
        ],
    )
    ax.set_xlabel("Age since first exposure [yr]", fontsize=style.TEXT_SIZE)
    ax.set_ylabel("Probability of depassivation [%]", fontsize=style.TEXT_SIZE)
    sheet.headline(ax, title, note=note)
    return ax


def _curve_table(data: Assessment, names: list[str], column: str) -> tuple[Array, Array]:
    table = data.curves.pivot_table(
        index="age_yr", columns="strategy", values=column, dropna=False, observed=False
    ).reindex(columns=names)
    return table.index.to_numpy(dtype=float), table.to_numpy(dtype=float).T


def _has_knowledge(data: Assessment) -> bool:
    return bool(data.curves["know_high"].notna().any())


def _bands(data: Assessment, names: list[str]) -> tuple[Array, Array]:
    ends = ("know_low", "know_high") if _has_knowledge(data) else ("low95", "high95")
    return _curve_table(data, names, ends[0])[1], _curve_table(data, names, ends[1])[1]


def _rows_with_band(data: Assessment, names: list[str], probability: Array) -> list[int]:
    """Pick the reference strategy, and the worst one at the target life if it is another."""
    reference = names.index(data.scenario.reference_strategy)
    worst = int(np.argmax(_at_target(data, names)))
    if np.allclose(probability[worst], probability[reference], rtol=0, atol=1e-12):
        return [reference]
    return [reference, worst]


def _at_target(data: Assessment, names: list[str]) -> Array:
    table = data.strategies.set_index("strategy")["probability_at_target"]
    return table.reindex(names).to_numpy(dtype=float)


def _first_of_group(groups: list[list[int]], row: int) -> int:
    return next(group[0] for group in groups if row in group)


def _axis_top(largest: float, target: float) -> float:
    needed = max(1.05 * largest, 2.2 * target)
    return next((top for top in AXIS_TOPS if top >= needed), 1.0)


def _curve_labels(names: list[str], groups: list[list[int]]) -> tuple[list[str], float]:
    """Label texts per group and the height [mm] of the axes that they need."""
    room = (LABEL_WIDTH_MM - LEADER_MM - 1.0) * sheet.POINTS_PER_MM
    full = [
        formatting.no_break_spaces(formatting.join_with_and([names[row] for row in group]))
        for group in groups
    ]
    texts = ["\n".join(wrap_balanced(text, width=room, size=style.TEXT_SIZE)) for text in full]
    if _stack_height(texts) > HIGHEST_MM:
        texts = [
            shorten_text(f"{_numbers_text(group)}: {text}", width=room, size=style.TEXT_SIZE)
            for group, text in zip(groups, full, strict=True)
        ]
    return texts, max(LOWEST_MM, _stack_height(texts) + 2.0)


def _numbers_text(group: list[int]) -> str:
    return "No. " + ", ".join(str(row + 1) for row in group)


def _stack_height(texts: list[str]) -> float:
    return sum(label_height(text) for text in texts) / sheet.POINTS_PER_MM


def _draw_target(ax: Axes, data: Assessment, top: float, *, age: Array, curves: Array) -> None:
    target, horizon = data.scenario.target, data.scenario.sampling.horizon
    level = 100.0 * target.probability
    line_format: dict[str, Any] = {
        "color": style.TARGET_COLOR,
        "lw": 0.9,
        "ls": (0, (4, 2)),
        "zorder": 2.5,
    }
    ax.axhline(level, gid="target", **line_format)
    ax.axvline(target.service_life, gid="service-life", **line_format)
    text_box = {"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.8}
    text_format: dict[str, Any] = {"color": style.TARGET_COLOR, "bbox": text_box}
    text = f"target {formatting.percent(target.probability)}"
    clear = _clearest_age(ax, text, level, age=age, curves=curves, life=target.service_life)
    sheet.annotate(
        ax, text, (clear, level), offset=(3.0, 2.5), va="bottom", ha="left", **text_format
    )
    late = target.service_life > 0.5 * horizon
    sheet.annotate(
        ax,
        f"service life {formatting.years(target.service_life)}",
        (target.service_life, 100.0 * top),
        offset=(-3.0 if late else 3.0, -2.5),
        va="top",
        ha="right" if late else "left",
        **text_format,
    )


def _clearest_age(
    ax: Axes, text: str, level: float, *, age: Array, curves: Array, life: float
) -> float:
    """Age at which a label above a level hides least of the lines, the earliest of equals."""
    width, height = sheet.axes_size(ax)
    horizon, top = ax.get_xlim()[1], ax.get_ylim()[1]
    label_width = (text_width(text, style.NOTE_SIZE) + 6.0) / width * horizon
    low, high = level, level + 1.6 * style.NOTE_SIZE / height * top
    behind_label = (curves > low) & (curves < high)
    starts = np.linspace(0.0, horizon - label_width, LABEL_PLACES)
    hidden = [
        np.count_nonzero(behind_label & (age >= x) & (age <= x + label_width))
        + (x <= life <= x + label_width)
        for x in starts
    ]
    return float(starts[int(np.argmin(hidden))])


def _title(data: Assessment, names: list[str], shown: list[int]) -> str:
    """Worst strategy against the reference; against the best where the reference is the worst."""
    worst = int(np.argmax(_at_target(data, names)))
    other = shown[0] if shown[0] != worst else int(np.argmin(_at_target(data, names)))
    lives = data.strategies.set_index("strategy")["life_at_target_yr"].reindex(names)
    level = formatting.percent(data.scenario.target.probability)
    horizon = data.scenario.sampling.horizon
    if len(shown) == 1 and np.ptp(_at_target(data, names)) < 1e-12:
        other = worst
    worst_life, other_life = float(lives.iloc[worst]), float(lives.iloc[other])
    names = [shorten_text(n, width=TITLE_NAME_WIDTH_PT, size=style.TITLE_SIZE) for n in names]
    first = f"{names[worst]}: {_life_text(worst_life, level, horizon)}"
    if other == worst:
        return first
    if np.isinf(worst_life) and np.isinf(other_life):
        return f"Every strategy stays below {level} for {formatting.years(np.inf, horizon=horizon)}"
    return f"{first}; {names[other]}: {_life_text(other_life, level, horizon)}"


def _life_text(life: float, level: str, horizon: float) -> str:
    when = formatting.years(life, horizon=horizon)
    if np.isinf(life):
        return f"below {level} for {when}"
    return f"{level} reached in {when}"


def _note(data: Assessment) -> str:
    if _has_knowledge(data):
        error = 0.5 * float((data.curves["high95"] - data.curves["low95"]).max())
        return (
            "Shaded: uncertainty range (95 %), for the "
            "reference strategy and the worst one. Sampling error is not drawn: at most "
            f"{formatting.points(error)} percentage points."
        )
    return (
        "No input is epistemic: the bands show sampling error only, for the reference "
        "strategy and the worst one."
    )
