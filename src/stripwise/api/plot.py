"""Every figure of the reports, on the caller's axes.

Each function takes a result and an `ax`; without one it makes a sheet of the size of a report. On
the caller's axes the plot shrinks them until labels and headline lie inside their part of the
figure. Those of several panels, `profiles`, `face_maps`, `core_contents`, come as a whole figure. `with
stripwise.plot.style():` gives the fonts and lines of the reports to all drawn and saved within.

>>> import stripwise
>>> callable(stripwise.plot.curves)
True
"""

from __future__ import annotations

from contextlib import AbstractContextManager
from functools import partial
from typing import Any

from matplotlib.axes import Axes

from stripwise.api.fit_plots import (
    aggregate,
    comparison,
    cover_comparison,
    cover_positions,
    cover_survey,
    drying_losses,
    drying_rates,
    face_maps,
    life_lost,
    method_agreement,
    migration,
    penalties,
    planned_readings,
    planned_tests,
    pours,
    profiles,
    residuals,
    skins,
    strip_ages,
)
from stripwise.api.owner_plots import core_contents, past_limit, update, updated_curves
from stripwise.report.figures import (
    answer_figure,
    choices_figure,
    cost_figure,
    curves_figure,
    drivers_figure,
    map_figure,
    pareto_figure,
    ranking_figures,
    required_cover_figure,
    service_figures,
    sheet,
    target_figures,
)
from stripwise.studies.design.design_result import DesignResult
from stripwise.studies.rank.rank_study import Ranking
from stripwise.studies.results import Assessment
from stripwise.studies.target_study import TargetResult

__all__ = [
    "aggregate",
    "answer",
    "choice_spans",
    "choices",
    "comparison",
    "convergence",
    "core_contents",
    "cost",
    "cover_comparison",
    "cover_positions",
    "cover_survey",
    "cracking",
    "curves",
    "drivers",
    "drying_losses",
    "drying_rates",
    "face",
    "face_maps",
    "importance_factors",
    "life_lost",
    "map",
    "method_agreement",
    "migration",
    "pareto",
    "passing",
    "past_limit",
    "penalties",
    "planned_readings",
    "planned_tests",
    "pours",
    "profiles",
    "required_cover",
    "residuals",
    "skins",
    "strip_ages",
    "style",
    "target_cost",
    "target_cover",
    "total_indices",
    "update",
    "updated_curves",
    "variance_shares",
]


def style() -> AbstractContextManager[None]:
    """Return a context in which figures are drawn and saved in the style of the reports.

    Examples
    --------
    >>> import matplotlib as mpl
    >>> with style():
    ...     print(mpl.rcParams["svg.fonttype"])
    none
    """
    return sheet.style_context()


def answer(result: Assessment, *, ax: Axes | None = None) -> Axes:
    """Plot each strategy's probability at the target life with its range against the limit [%].

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/garage-wall.toml")
    >>> result = stripwise.assess(case)
    >>> answer(result).get_xlabel()
    'Probability of depassivation [%]'
    """
    return sheet.draw_on(partial(answer_figure.plot_answer, result), ax)


def curves(result: Assessment, *, ax: Axes | None = None) -> Axes:
    """Plot the probability of depassivation [%] over age [yr] for every strategy.

    Examples
    --------
    >>> import stripwise
    >>> from matplotlib.figure import Figure
    >>> case = stripwise.load("scenarios/garage-wall.toml")
    >>> result = stripwise.assess(case)
    >>> curves(result, ax=Figure().subplots()).get_ylabel()
    'Probability of depassivation [%]'
    """
    return sheet.draw_on(partial(curves_figure.plot_curves, result), ax)


def drivers(result: Assessment, *, ax: Axes | None = None) -> Axes:
    """Plot the first and total indices of the depth margin of the reference strategy.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/garage-wall.toml")
    >>> result = stripwise.assess(case)
    >>> drivers(result).get_xlabel()
    'Share of the variance [%]'
    """
    return sheet.draw_on(partial(drivers_figure.plot_drivers, result), ax)


def choices(result: Assessment, *, ax: Axes | None = None) -> Axes:
    """Plot how much of the reliability each open choice explains.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/garage-wall.toml")
    >>> result = stripwise.assess(case)
    >>> choices(result).get_xlabel()
    'Share of the variance [%]'
    """
    return sheet.draw_on(partial(drivers_figure.plot_choices, result), ax)


def map(  # noqa: A001
    result: Assessment | DesignResult, *, follow_up: str | None = None, ax: Axes | None = None
) -> Axes:
    """Plot the reliability index over nominal cover and strip age for one follow-up.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/garage-wall.toml")
    >>> result = stripwise.assess(case)
    >>> map(result).get_ylabel()
    'Nominal cover [mm]'
    """
    return sheet.draw_on(partial(map_figure.plot_map, result, follow_up=follow_up), ax)


def cracking(result: Assessment, *, ax: Axes | None = None) -> Axes:
    """Plot the probability of a first crack [%] over age [yr].

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/retaining-wall.toml")
    >>> result = stripwise.assess(case)
    >>> cracking(result).get_ylabel()
    'Probability [%]'
    """
    return sheet.draw_on(partial(service_figures.plot_cracking, result), ax)


def face(result: Assessment, *, ax: Axes | None = None) -> Axes:
    """Plot a simulated face with what is depassivated at the target life [m].

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/retaining-wall.toml")
    >>> result = stripwise.assess(case)
    >>> face(result).get_xlabel()
    'Along the wall [m]'
    """
    return sheet.draw_on(partial(service_figures.plot_face, result), ax)


def cost(result: DesignResult, *, ax: Axes | None = None) -> Axes:
    """Plot the expected cost over the strip age.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/pier-wall-cost.toml")
    >>> result = stripwise.design(case)
    >>> cost(result).get_xlabel()
    'Expected present cost [EUR/m²], horizon 100 yr'
    """
    return sheet.draw_on(partial(cost_figure.plot_cost, result), ax)


def required_cover(result: DesignResult, *, ax: Axes | None = None) -> Axes:
    """Plot the nominal cover that each strategy needs.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/pier-wall-cost.toml")
    >>> result = stripwise.design(case)
    >>> required_cover(result).get_ylabel()
    'Required nominal cover [mm]'
    """
    return sheet.draw_on(partial(required_cover_figure.plot_required_cover, result), ax)


def pareto(result: DesignResult, *, ax: Axes | None = None) -> Axes:
    """Plot price against reliability of the pairs that no other pair beats in both.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/pier-wall-cost.toml")
    >>> result = stripwise.design(case)
    >>> pareto(result).get_xlabel()
    'Cost of the first build [EUR/m²]'
    """
    return sheet.draw_on(partial(pareto_figure.plot_pareto, result), ax)


def variance_shares(result: Ranking, *, ax: Axes | None = None) -> Axes:
    """Plot the shares of the variance of the depth margin over age [yr].

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/garage-wall.toml")
    >>> result = stripwise.rank(case)
    >>> variance_shares(result).get_ylabel()
    'Share of the variance [%]'
    """
    return sheet.draw_on(partial(ranking_figures.plot_variance_shares, result), ax)


def total_indices(result: Ranking, quantity: str, *, ax: Axes | None = None) -> Axes:
    """Plot the total indices of a quantity, such as "depth margin", at the target life.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/garage-wall.toml")
    >>> result = stripwise.rank(case)
    >>> total_indices(result, "depth margin").get_ylabel()
    'Total index [%]'
    """
    return sheet.draw_on(partial(ranking_figures.plot_total_indices, result, quantity), ax)


def importance_factors(result: Ranking, *, ax: Axes | None = None) -> Axes:
    """Plot the importance factors of the design point at the target life.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/garage-wall.toml")
    >>> result = stripwise.rank(case)
    >>> importance_factors(result).get_xlabel()
    'Importance factor [%]'
    """
    return sheet.draw_on(partial(ranking_figures.plot_importance_factors, result), ax)


def convergence(result: Ranking, quantity: str, *, ax: Axes | None = None) -> Axes:
    """Plot the indices of a quantity against the size of the sample.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/garage-wall.toml")
    >>> result = stripwise.rank(case)
    >>> convergence(result, "depth margin").get_xlabel()
    'Base points per scrambling'
    """
    return sheet.draw_on(partial(ranking_figures.plot_convergence, result, quantity), ax)


def choice_spans(result: Ranking, *, ax: Axes | None = None) -> Axes:
    """Plot what each choice alone does to the probability at the target life.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/garage-wall.toml")
    >>> result = stripwise.rank(case)
    >>> choice_spans(result).get_xlabel()
    'Probability within 50 yr'
    """
    target = result.scenario.target
    options: dict[str, Any] = {
        "strategy": result.strategy,
        "life": target.service_life,
        "allowed": target.probability,
        "units": result.scenario.units,
    }
    return sheet.draw_on(partial(choices_figure.plot_choices, result.choices, **options), ax)


def passing(result: TargetResult, *, ax: Axes | None = None) -> Axes:
    """Plot which strategies pass which target.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/pier-wall-cost.toml")
    >>> result = stripwise.target(case)
    >>> passing(result).get_xlabel()
    'Probability of depassivation within 75 yr'
    """
    return sheet.draw_on(partial(target_figures.plot_passing, result), ax)


def target_cover(result: TargetResult, *, ax: Axes | None = None) -> Axes:
    """Plot the nominal cover that each target needs.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/pier-wall-cost.toml")
    >>> result = stripwise.target(case)
    >>> target_cover(result).get_ylabel()
    'Required nominal cover [mm]'
    """
    return sheet.draw_on(partial(target_figures.plot_target_cover, result), ax)


def target_cost(result: TargetResult, *, ax: Axes | None = None) -> Axes:
    """Plot the expected cost of each target.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/pier-wall-cost.toml")
    >>> result = stripwise.target(case)
    >>> target_cost(result).get_ylabel()
    'Cost of the cheapest pair [EUR/m²]'
    """
    return sheet.draw_on(partial(target_figures.plot_target_cost, result), ax)
