"""The plan of tests that would show which curing a face had."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from stripwise.errors import InputError
from stripwise.evidence.cover_survey import CoverSurvey
from stripwise.evidence.sample_sizes import CoreScatter, core_scatter, ratio_power
from stripwise.evidence.tables.reading import Reading
from stripwise.report import formatting
from stripwise.report.components import Dossier, Grid, Section
from stripwise.report.figures import sheet, style
from stripwise.report.figures.label_placement import spread
from stripwise.report.pages.plan_tests_table import PlanOptions, plan_table
from stripwise.scenario.model import Scenario

__all__ = ["plan_dossier", "plot_power"]

LABEL_ROOM_MM = 46.0
MOST_DRAWN = 60


def plan_dossier(
    scenario: Scenario,
    *,
    strategy: str | None,
    penalties: Mapping[str, float],
    options: PlanOptions,
    specimens: Reading | None = None,
    survey: CoverSurvey | None = None,
) -> Dossier:
    """Plan the tests that tell the reference curing from a strategy's assumed penalty.

    Parameters
    ----------
    scenario
        The scenario that assumes the penalties.
    strategy
        The strategy in doubt; the one with the highest penalty unless given.
    penalties
        Mean penalty by strategy.
    options
        What the plan is to reach.
    specimens
        Fitted diffusivities of cores, for their scatter.
    survey
        A cover survey, for its scatter and the correlation of its readings.

    Returns
    -------
    The `Dossier`.

    Raises
    ------
    InputError
        If the strategy is unknown or the reference one, or there is no scatter.
    """
    doubted = _doubted(scenario, strategy, penalties)
    ratio = penalties[doubted] / penalties[scenario.reference_strategy]
    if abs(math.log(ratio)) < 1e-9:
        raise InputError(
            "--strategy", f"{doubted!r} has the penalty of the reference; no test tells them apart"
        )
    cores = (
        None
        if specimens is None
        else core_scatter(specimens.data.rename(columns={"diffusivity_m2_s": "diffusivity"}))
    )
    table = plan_table(
        scenario, doubted=doubted, ratio=ratio, options=options, cores=cores, survey=survey
    )
    with sheet.styled():
        figure = sheet.figure_of(plot_power(table, ratio, options))
    return Dossier(
        title=f"Test plan for {scenario.title}",
        about=f"How many tests would show that a face was cured like "
        f"{scenario.reference_strategy} and not like {doubted}, by the scatter of such tests.",
        findings=_findings(table, scenario, doubted, ratio, options),
        sections=(
            Section("What each test needs", (), "", "", (_grid(table, options),)),
            Section("Power against number of tests", (), "power", "Data: plan.csv."),
        ),
        source=scenario.path,
        digest=scenario.digest,
        warnings=_warnings(cores, survey),
        method=METHOD,
        assumptions=ASSUMPTIONS,
        figures={"power": figure},
        tables={"plan.csv": table},
        record={
            "kind": "test-plan",
            "strategy": doubted,
            "reference": scenario.reference_strategy,
            "ratio": ratio,
            "power": options.power,
            "significance": options.significance,
            "plan": table.to_dict("records"),
        },
    )


ASSUMPTIONS = (
    "Cores are taken at random places of the face, from the surface that was against the form, "
    "and the cores of the reference curing come from a companion of the same mix and age.",
    "The ratio to be seen is the mean penalty that the scenario assumes for the whole profile. A "
    "penalty that acts on a thin skin shows in a migration test only where the specimen is cut "
    "from the skin.",
    "A migration test tells how the concrete resists at the age of testing; cores taken late show "
    "less of an early difference, since the face goes on hydrating when it is wet.",
)
METHOD = (
    "Two faces: t-test of two samples in ln D with equal scatter, one-sided; the power by the "
    "non-central t distribution (Johnson and Welch 1940). Beside it the normal formula "
    "2 (z_a + z_b)² s² / ln(ratio)² + z_a²/4 (Guenther 1981, recalled).",
    "Mean cover: t-test of one sample. Share below a limit: sampling by attributes with the exact "
    "binomial (Guenther 1969, recalled), beside the normal formula of Fleiss, Levin and Paik "
    "(2003, recalled). Numbers of independent readings are multiplied by readings per independent "
    "reading of the survey, where one is given.",
    "Scatter of cores: sd of ln D pooled over the strategies of the fitted specimens, which holds "
    "the concrete and the fit.",
)


def plot_power(
    table: pd.DataFrame, ratio: float, options: PlanOptions, *, ax: Axes | None = None
) -> Axes:
    """Plot the power of the diffusivity tests against their number per face.

    Parameters
    ----------
    table
        The plan.
    ratio
        Ratio of diffusivities to be seen.
    options
        What the plan is to reach.
    ax
        Axes to draw on; a new figure of print size if None.

    Returns
    -------
    The axes.
    """
    rows = [row for row in table.to_dict("records") if row["shows"] == "diffusivity"]
    needed = [row["needed"] for row in rows if np.isfinite(row["needed"])]
    most = int(np.clip(1.6 * max(needed, default=MOST_DRAWN), 8, MOST_DRAWN))
    title = f"A ratio of {formatting.number(ratio)} in diffusivity needs {_few(needed)} per face"
    note = (
        f"Probability of telling the two faces apart, with {formatting.percent(options.significance)} "
        f"false alarms; dashed: the power asked for. Dots: the number it takes."
    )
    if ax is None:
        ax = sheet.sheet(
            height=70.0, left=15.0, right=LABEL_ROOM_MM, bottom=12.0, title=title, note=note
        )
    sheet.dress(ax)
    numbers = np.arange(2, most + 1)
    ends = []
    for place, row in enumerate(rows):
        color, pattern = style.line_of(place)
        power = [
            100.0
            * ratio_power(
                ratio,
                row["scatter"],
                own=int(n),
                reference=int(n),
                significance=options.significance,
            )
            for n in numbers
        ]
        ax.plot(numbers, power, color=color, ls=pattern, lw=1.6, gid=f"power-{place}")
        if row["needed"] <= most:
            at = int(row["needed"]) - 2
            ax.plot(
                [numbers[at]],
                [power[at]],
                "o",
                ms=5.0,
                color=color,
                mec="white",
                mew=0.6,
                gid=f"needed-{place}",
                zorder=4,
            )
        ends.append(power[-1])
    ax.axhline(100.0 * options.power, color=style.GREY, lw=0.8, ls=(0, (3, 2)), gid="asked")
    ax.set_xlim(2, most)
    ax.set_ylim(0.0, 103.0)
    _, height = sheet.axes_size(ax)
    places = spread(
        np.array(ends) / 103.0 * height, heights=2.9 * style.TEXT_SIZE, low=0.0, high=height
    )
    for place, (row, y) in enumerate(zip(rows, places, strict=True)):
        count = f"{row['needed']:.0f} per face" if np.isfinite(row["needed"]) else "too many"
        ax.annotate(
            f"{row['test']}\n{count}",
            xy=(1.0, y / height),
            xycoords="axes fraction",
            xytext=(7.0, 0.0),
            textcoords="offset points",
            va="center",
            fontsize=style.TEXT_SIZE,
            color=style.line_of(place)[0],
            annotation_clip=False,
            parse_math=False,
        )
    ax.set_xlabel("Tests on each face", fontsize=style.TEXT_SIZE)
    ax.set_ylabel("Power [%]", fontsize=style.TEXT_SIZE)
    sheet.headline(ax, title, note=note)
    return ax


def _doubted(scenario: Scenario, name: str | None, penalties: Mapping[str, float]) -> str:
    others = [n for n in penalties if n != scenario.reference_strategy]
    if not others:
        raise InputError("strategy", "the scenario has only the reference; there is no other")
    if name is None:
        return max(others, key=lambda n: penalties[n])
    if name not in others:
        rule = "is the reference itself" if name in penalties else "is no strategy of the scenario"
        raise InputError("--strategy", f"{name[:80]!r} {rule}; use one of {', '.join(others)}")
    return name


def _few(needed: list[float]) -> str:
    if not needed:
        return "more tests than can be made"
    low, high = min(needed), max(needed)
    return f"{low:.0f} tests" if low == high else f"{low:.0f} to {high:.0f} tests"


def _findings(
    table: pd.DataFrame, scenario: Scenario, doubted: str, ratio: float, options: PlanOptions
) -> tuple[str, ...]:
    start = (
        f"{doubted} is assumed to have {formatting.number(ratio)} times the diffusivity of "
        f"{scenario.reference_strategy}. To tell them apart with a power of "
        f"{formatting.percent(options.power)}:"
    )
    found = [start]
    for row in table.to_dict("records"):
        each = " on each face" if row["shows"] == "diffusivity" else " readings"
        if not np.isfinite(row["needed"]):
            found.append(f"{row['test']}: {row['effect']}; no number of tests shows it.")
            continue
        text = f"{row['test']}: {row['needed']:,.0f}{each} ({row['effect']})"
        if row["have"]:
            text += f"; {row['have']} are there, {row['more']:,.0f} more are needed"
        found.append(f"{text}.")
    return tuple(found)


def _grid(table: pd.DataFrame, options: PlanOptions) -> Grid:
    return Grid(
        f"Power {formatting.percent(options.power)}, false alarms "
        f"{formatting.percent(options.significance)}, one-sided. Scatter: sd of ln D, or of the cover "
        "in mm. Diffusivity tests count per face.",
        (
            "Test",
            "To be shown",
            "Scatter",
            "From",
            "Needed",
            "By the normal formula",
            "There",
            "More",
            "Power now",
        ),
        tuple(
            (
                row["test"],
                row["effect"],
                formatting.number(row["scatter"]),
                row["scatter_from"],
                _count(row["needed"]),
                formatting.number(row["needed_normal_formula"]),
                str(row["have"]),
                _count(row["more"]),
                formatting.percent(row["power_now"]),
            )
            for row in table.to_dict("records")
        ),
        frozenset({2, 4, 5, 6, 7, 8}),
    )


def _count(number: float) -> str:
    return f"{number:,.0f}" if np.isfinite(number) else "too many"


def _warnings(cores: CoreScatter | None, survey: CoverSurvey | None) -> tuple[str, ...]:
    found = []
    if cores is None:
        found.append(
            "No fitted specimens are given (--specimens), so that cores with profiles are not "
            "planned, and the scatter of migration tests is that of the scenario."
        )
    elif cores.freedom < 10:
        found.append(
            f"The scatter of cores comes from {cores.freedom} degrees of freedom and is itself "
            "uncertain; take a few more tests than the table says."
        )
    if survey is None:
        found.append(
            "No cover survey is given (--cover): readings are counted as independent, with the "
            "scatter that the scenario assumes."
        )
    return tuple(found)
