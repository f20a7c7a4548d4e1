"""What the plan of tests that would show which curing a face had says and draws."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from stripwise.evidence.cover_survey import CoverSurvey
from stripwise.evidence.sample_sizes import CoreScatter, mean_power
from stripwise.report.components import (
    Column,
    Figure,
    Report,
    Section,
    Table,
    data_report,
    numeric,
    sentence_case,
)
from stripwise.report.figures import sheet, style
from stripwise.report.figures.label_placement import spread_labels
from stripwise.report.prose import paragraphs
from stripwise.studies.fit.planned_tests import COVER_MEAN_TEST, COVER_SHARE_TEST, PlannedTests
from stripwise.units import formatting

__all__ = ["plan_report", "plan_sentences", "plot_cover_power", "plot_power"]

LABEL_WIDTH_MM = 46.0
"""Width right of the axes for the names of the tests."""


def plan_report(plan: PlannedTests) -> Report:
    """Write up a plan of tests."""
    scenario, targets = plan.scenario, plan.targets
    table = _with_effects(plan)
    figures = [Figure("power", sheet.draw(plot_power, plan), "Data: plan.csv.")]
    if _cover_row(plan):
        drawn = sheet.draw(plot_cover_power, plan)
        figures.append(Figure("cover-power", drawn, "Data: plan.csv."))
    return data_report(
        scenario,
        title=f"Test plan for {scenario.title}",
        about=f"How many tests it takes to show that a face was cured like "
        f"{scenario.reference_strategy} and not like {plan.strategy}, given the scatter of such tests.",
        findings=plan_sentences(plan),
        sections=(
            Section("What each test needs", (_plan_table(plan, table),)),
            Section("Power against number of tests", tuple(figures)),
        ),
        warnings=_warnings(plan.core_scatter, plan.survey),
        method=paragraphs("plan.method"),
        assumptions=paragraphs("plan.assumptions"),
        tables={"plan.csv": table},
        record={
            "kind": "test-plan",
            "strategy": plan.strategy,
            "reference": scenario.reference_strategy,
            "ratio": plan.ratio,
            "power": targets.power,
            "significance": targets.significance,
            "plan": table.to_dict("records"),
        },
        further=plan.sources,
    )


def plot_power(plan: PlannedTests, *, ax: Axes | None = None) -> Axes:
    """Plot the power of the diffusivity tests against their number per face."""
    targets, numbers = plan.targets, plan.numbers
    rows = [row for row in plan.table.to_dict("records") if row["shows"] == "diffusivity"]
    needed = [row["needed"] for row in rows if np.isfinite(row["needed"])]
    title = (
        f"A ratio of {formatting.number(plan.ratio)} in diffusivity needs {_range(needed)} per face"
    )
    note = (
        f"Probability of telling the two faces apart, with {formatting.percent(targets.significance)} "
        f"false alarms; dashed: the power asked for. Dots: the number needed."
    )
    if ax is None:
        ax = sheet.new_axes(
            height=70.0, left=15.0, right=LABEL_WIDTH_MM, bottom=12.0, title=title, note=note
        )
    sheet.style_axes(ax)
    for place, row in enumerate(rows):
        color, pattern = style.line_style(place)
        power = 100.0 * plan.power[place]
        ax.plot(numbers, power, color=color, ls=pattern, lw=1.6, gid=f"power-{place}")
        if row["needed"] <= numbers[-1]:
            column = int(row["needed"]) - numbers[0]
            ax.plot(
                [numbers[column]],
                [power[column]],
                "o",
                ms=5.0,
                color=color,
                mec="white",
                mew=0.6,
                gid=f"needed-{place}",
                zorder=4,
            )
    ax.axhline(100.0 * targets.power, color=style.GREY, lw=0.8, ls=(0, (3, 2)), gid="asked")
    ax.set_xlim(numbers[0], numbers[-1])
    ax.set_ylim(0.0, 103.0)
    _, height = sheet.axes_size(ax)
    places = spread_labels(
        100.0 * plan.power[:, -1] / 103.0 * height,
        heights=2.9 * style.TEXT_SIZE,
        low=0.0,
        high=height,
    )
    for place, (row, y) in enumerate(zip(rows, places, strict=True)):
        count = _count(row["needed"]) + " per face" * bool(np.isfinite(row["needed"]))
        sheet.annotate(
            ax,
            f"{row['test']}\n{count}",
            (1.0, y / height),
            offset=(7.0, 0.0),
            size=style.TEXT_SIZE,
            xycoords="axes fraction",
            va="center",
            color=style.line_style(place)[0],
        )
    ax.set_xlabel("Tests on each face", fontsize=style.TEXT_SIZE)
    ax.set_ylabel("Power [%]", fontsize=style.TEXT_SIZE)
    sheet.headline(ax, title, note=note)
    return ax


def plot_cover_power(plan: PlannedTests, *, ax: Axes | None = None) -> Axes:
    """Plot the power of a covermeter survey to show a wrong mean against its number of readings."""
    row, targets, units = _cover_row(plan), plan.targets, plan.scenario.units
    shift = formatting.length(targets.shift, units=units)
    needed = row["needed"]
    # neighbours are alike, so that several readings count as one
    survey = plan.survey
    worth = 1.0 if survey is None else len(survey.data) / survey.effective_sample_size
    title = f"{_count(needed)} readings show a mean cover that is {shift} too small"
    note = (
        "Probability of showing it, with "
        f"{formatting.percent(targets.significance)} false alarms; dashed: the power asked for."
    )
    if survey is not None:
        note += (
            f" Neighbours are alike: {formatting.number(worth, 2)} readings count as one. Ring: the "
            "readings there."
        )
    most = 1.6 * max(needed if np.isfinite(needed) else 0.0, row["have"], 10.0)
    numbers = np.unique(np.linspace(2.0, most, 120).astype(int))

    def power(readings: float) -> float:
        independent = int(readings / worth + 1e-9)
        return 100.0 * mean_power(
            targets.shift, row["scatter"], number=independent, significance=targets.significance
        )

    if ax is None:
        ax = sheet.new_axes(
            height=60.0, left=15.0, right=LABEL_WIDTH_MM, bottom=12.0, title=title, note=note
        )
    sheet.style_axes(ax)
    color = style.PALETTE[0]
    ax.plot(numbers, [power(n) for n in numbers], color=color, lw=1.6, ds="steps-post", gid="power")
    if np.isfinite(needed):
        ax.plot([needed], [power(needed)], "o", ms=5.0, color=color, mec="white", gid="needed")
    if row["have"]:
        ax.plot(
            [row["have"]], [power(row["have"])], "o", ms=6.0, mfc="white", mec=color, gid="have"
        )
    ax.axhline(100.0 * targets.power, color=style.GREY, lw=0.8, ls=(0, (3, 2)), gid="asked")
    ax.set_xlim(0.0, most)
    ax.set_ylim(0.0, 103.0)
    sheet.annotate(
        ax,
        f"{row['test']}\n{_count(needed)} readings",
        (1.0, power(most) / 103.0),
        offset=(7.0, 0.0),
        size=style.TEXT_SIZE,
        xycoords="axes fraction",
        va="center",
        color=color,
    )
    ax.set_xlabel("Covermeter readings", fontsize=style.TEXT_SIZE)
    ax.set_ylabel("Power [%]", fontsize=style.TEXT_SIZE)
    sheet.headline(ax, title, note=note)
    return ax


def _cover_row(plan: PlannedTests) -> dict[str, Any]:
    """Return the row of the test of the mean cover; empty without one."""
    rows = plan.table[plan.table["test"] == COVER_MEAN_TEST].to_dict("records")
    return {str(key): value for key, value in rows[0].items()} if rows else {}


def _with_effects(plan: PlannedTests) -> pd.DataFrame:
    """Add what each test is to show, in words."""
    table = plan.table.copy()
    table.insert(2, "effect", [_effect(plan, str(test)) for test in table["test"]])
    return table


def _effect(plan: PlannedTests, test: str) -> str:
    targets, units = plan.targets, plan.scenario.units
    if test == COVER_MEAN_TEST:
        return f"a shortfall of {formatting.length(targets.shift, units=units)}"
    if test == COVER_SHARE_TEST and targets.limit is not None:
        text = (
            f"less than {formatting.percent(targets.allowed)} below "
            f"{formatting.length(targets.limit, units=units)} "
            f"({formatting.percent(plan.share_as_specified)} as specified)"
        )
        if plan.share_as_specified < targets.allowed:
            return text
        return f"{text}, which the specified cover does not reach"
    return f"a ratio of {formatting.number(plan.ratio)}"


def _range(needed: list[float]) -> str:
    if not needed:
        return "more tests than can be made"
    low, high = min(needed), max(needed)
    return f"{formatting.interval(low, high, formatting.count)} tests"


def plan_sentences(plan: PlannedTests) -> tuple[str, ...]:
    """Say how many tests tell the two strategies apart."""
    texts = [
        f"{plan.strategy} is assumed to have {formatting.number(plan.ratio)} times the diffusivity of "
        f"{plan.scenario.reference_strategy}. To tell them apart with a power of "
        f"{formatting.percent(plan.targets.power)}:"
    ]
    for row in _with_effects(plan).to_dict("records"):
        name = sentence_case(str(row["test"]))
        each = " on each face" if row["shows"] == "diffusivity" else " readings"
        if not np.isfinite(row["needed"]):
            texts.append(f"{name}: no number of tests shows {row['effect']}.")
            continue
        text = f"{name}: {_count(row['needed'])}{each} to show {row['effect']}"
        if row["have"]:
            text += f"; you have {row['have']} and need {_count(row['more'])} more"
        texts.append(f"{text}.")
    return tuple(texts)


def _plan_table(plan: PlannedTests, table: pd.DataFrame) -> Table:
    return Table(
        f"Power {formatting.percent(plan.targets.power)}, false alarms "
        f"{formatting.percent(plan.targets.significance)}, one-sided. Scatter: sd of ln D, or of the cover "
        "in mm. Diffusivity tests count per face.",
        (
            Column("Test", "test"),
            Column("To show", "effect"),
            numeric("Scatter", "scatter"),
            Column("From", "scatter_from"),
            numeric("Needed", "needed", _count),
            numeric("By the normal formula", "needed_normal_formula"),
            numeric("Done", "have", str),
            numeric("Still needed", "more", _count),
            numeric("Power now", "power_now", formatting.percent),
        ),
        table.to_dict("records"),
    )


def _count(number: float) -> str:
    return formatting.count(number) if np.isfinite(number) else "too many"


def _warnings(cores: CoreScatter | None, survey: CoverSurvey | None) -> tuple[str, ...]:
    texts = []
    if cores is None:
        texts.append(
            "Without fitted specimens (--specimens) no cores with profiles are planned, and migration "
            "tests take the scatter of the scenario."
        )
    elif cores.degrees_of_freedom < 10:
        texts.append(
            f"The scatter of cores comes from {cores.degrees_of_freedom} degrees of freedom and is itself "
            "uncertain; take a few more tests than the table says."
        )
    if survey is None:
        texts.append(
            "Without a cover survey (--cover) readings count as independent, with the scatter that the "
            "scenario assumes."
        )
    return tuple(texts)
