"""Every figure of the reports, on the caller's axes.

Each function takes a result and an `ax`; without one it makes a sheet of the size of a report. On
the caller's axes the plot shrinks them until labels and headline lie inside their part of the
figure. `with stripwise.plot.style():` gives the fonts and lines of the reports to all that is drawn
and saved within.

>>> import stripwise
>>> callable(stripwise.plot.curves)
True
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from functools import partial
from typing import Any

import pandas as pd
from matplotlib.axes import Axes

from stripwise.report.figures import (
    answer_figure,
    choices_figure,
    cost_figure,
    cover_comparison_figure,
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
from stripwise.scenario.model import Scenario
from stripwise.studies.design.design_result import DesignResult
from stripwise.studies.rank.rank_study import Ranking
from stripwise.studies.results import Assessment
from stripwise.studies.target_study import TargetResult

__all__ = [
    "answer",
    "choice_spans",
    "choices",
    "convergence",
    "cost",
    "cover_comparison",
    "cracking",
    "curves",
    "drivers",
    "face",
    "importance_factors",
    "map",
    "pareto",
    "passing",
    "required_cover",
    "style",
    "target_cost",
    "target_cover",
    "total_indices",
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


def _draw(plot: Callable[..., Axes], ax: Axes | None) -> Axes:
    if ax is None:
        with sheet.style_context():
            return plot()
    sheet.fit_axes(ax, lambda trial: plot(ax=trial))
    return plot(ax=ax)


def answer(result: Assessment, *, ax: Axes | None = None) -> Axes:
    """Plot each strategy's probability at the target life with its range against the limit [%]."""
    return _draw(partial(answer_figure.plot_answer, result), ax)


def curves(result: Assessment, *, ax: Axes | None = None) -> Axes:
    """Plot the probability of depassivation [%] over age [yr] for every strategy.

    Examples
    --------
    >>> import matplotlib.pyplot as plt                                     # doctest: +SKIP
    >>> figure, ax = plt.subplots()                                         # doctest: +SKIP
    >>> stripwise.plot.curves(stripwise.assess(case), ax=ax)                # doctest: +SKIP
    """
    return _draw(partial(curves_figure.plot_curves, result), ax)


def drivers(result: Assessment, *, ax: Axes | None = None) -> Axes:
    """Plot the first and total indices of the depth margin of the reference strategy."""
    return _draw(partial(drivers_figure.plot_drivers, result), ax)


def choices(result: Assessment, *, ax: Axes | None = None) -> Axes:
    """Plot how much of the reliability each open choice explains."""
    return _draw(partial(drivers_figure.plot_choices, result), ax)


def map(  # noqa: A001
    result: Assessment | DesignResult, *, follow_up: str | None = None, ax: Axes | None = None
) -> Axes:
    """Plot the reliability index over nominal cover and strip age for one follow-up."""
    return _draw(partial(map_figure.plot_map, result, follow_up=follow_up), ax)


def cracking(result: Assessment, *, ax: Axes | None = None) -> Axes:
    """Plot the probability of a first crack [%] over age [yr]."""
    return _draw(partial(service_figures.plot_cracking, result), ax)


def face(result: Assessment, *, ax: Axes | None = None) -> Axes:
    """Plot a simulated face with what is depassivated at the target life [m]."""
    return _draw(partial(service_figures.plot_face, result), ax)


def cost(result: DesignResult, *, ax: Axes | None = None) -> Axes:
    """Plot the expected cost over the strip age."""
    return _draw(partial(cost_figure.plot_cost, result), ax)


def required_cover(result: DesignResult, *, ax: Axes | None = None) -> Axes:
    """Plot the nominal cover that each strategy needs."""
    return _draw(partial(required_cover_figure.plot_required_cover, result), ax)


def pareto(result: DesignResult, *, ax: Axes | None = None) -> Axes:
    """Plot price against reliability of the pairs that no other pair beats in both."""
    return _draw(partial(pareto_figure.plot_pareto, result), ax)


def variance_shares(result: Ranking, *, ax: Axes | None = None) -> Axes:
    """Plot the shares of the variance of the depth margin over age [yr]."""
    return _draw(partial(ranking_figures.plot_variance_shares, result), ax)


def total_indices(result: Ranking, quantity: str, *, ax: Axes | None = None) -> Axes:
    """Plot the total indices of a quantity, such as "depth margin", at the target life."""
    return _draw(partial(ranking_figures.plot_total_indices, result, quantity), ax)


def importance_factors(result: Ranking, *, ax: Axes | None = None) -> Axes:
    """Plot the importance factors of the design point at the target life."""
    return _draw(partial(ranking_figures.plot_importance_factors, result), ax)


def convergence(result: Ranking, quantity: str, *, ax: Axes | None = None) -> Axes:
    """Plot the indices of a quantity against the size of the sample."""
    return _draw(partial(ranking_figures.plot_convergence, result, quantity), ax)


def choice_spans(result: Ranking, *, ax: Axes | None = None) -> Axes:
    """Plot what each choice alone does to the probability at the target life."""
    target = result.scenario.target
    options: dict[str, Any] = {
        "strategy": result.strategy,
        "life": target.service_life,
        "allowed": target.probability,
        "units": result.scenario.units,
    }
    return _draw(partial(choices_figure.plot_choices, result.choices, **options), ax)


def passing(result: TargetResult, *, ax: Axes | None = None) -> Axes:
    """Plot which strategies pass which target."""
    return _draw(partial(target_figures.plot_passing, result), ax)


def target_cover(result: TargetResult, *, ax: Axes | None = None) -> Axes:
    """Plot the nominal cover that each target needs."""
    return _draw(partial(target_figures.plot_target_cover, result), ax)


def target_cost(result: TargetResult, *, ax: Axes | None = None) -> Axes:
    """Plot the expected cost of each target."""
    return _draw(partial(target_figures.plot_target_cost, result), ax)


def cover_comparison(comparison: pd.DataFrame, case: Scenario) -> Axes:
    """Plot the probability over the nominal covers that were compared, on a sheet of its own."""
    with sheet.style_context():
        return cover_comparison_figure.plot_cover_comparison(comparison, case)
