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

from collections.abc import Callable
from contextlib import AbstractContextManager
from functools import partial
from typing import Any, TypeVar

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from stripwise.errors import InputError
from stripwise.evidence.profiles.layered_fit import LAYERED
from stripwise.evidence.profiles.penalty_factors import ProfilePenaltyFactors
from stripwise.report.figures import (
    answer_figure,
    choices_figure,
    cost_figure,
    cover_comparison_figure,
    curves_figure,
    drivers_figure,
    face_map_figures,
    inventory_figures,
    map_figure,
    pareto_figure,
    profile_figures,
    ranking_figures,
    required_cover_figure,
    service_figures,
    sheet,
    target_figures,
    update_figures,
)
from stripwise.report.pages import (
    cover_survey_page,
    drying_page,
    migration_page,
    plan_tests_page,
    skin_section,
    strip_log_page,
)
from stripwise.scenario.model import Scenario
from stripwise.studies.design.design_result import DesignResult
from stripwise.studies.fit.cover_survey_study import CoverSurveyStudy
from stripwise.studies.fit.drying_study import DryingStudy
from stripwise.studies.fit.face_maps_study import FaceMapsStudy
from stripwise.studies.fit.migration_study import MigrationStudy
from stripwise.studies.fit.planned_tests import PlannedTests
from stripwise.studies.fit.profiles_study import ProfilesStudy
from stripwise.studies.fit.strip_log_study import StripLogStudy
from stripwise.studies.inventory.inventory_study import InventoryResult
from stripwise.studies.rank.rank_study import Ranking
from stripwise.studies.results import Assessment
from stripwise.studies.target_study import TargetResult
from stripwise.studies.update.update_result import UpdateResult

__all__ = [
    "aggregate",
    "answer",
    "choice_spans",
    "choices",
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
    "map",
    "method_agreement",
    "migration",
    "pareto",
    "passing",
    "past_limit",
    "penalties",
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


Part = TypeVar("Part")


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
    >>> import stripwise
    >>> from matplotlib.figure import Figure
    >>> case = stripwise.load("scenarios/garage-wall.toml")
    >>> result = stripwise.assess(case, only="curves", points=256)
    >>> curves(result, ax=Figure().subplots()).has_data()
    True
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


def profiles(result: ProfilesStudy | FaceMapsStudy) -> Figure:
    """Draw chloride profiles with their fits as a figure, a panel per strategy."""
    study = _profiles(result)
    with sheet.style_context():
        return profile_figures.profiles_figure(study.fits, study.layered)


def residuals(result: ProfilesStudy | FaceMapsStudy, *, ax: Axes | None = None) -> Axes:
    """Plot readings less fit [% of surface content] over depth [mm]."""
    return _draw(partial(profile_figures.plot_residuals, _profiles(result).fits), ax)


def penalties(result: ProfilesStudy | FaceMapsStudy, *, ax: Axes | None = None) -> Axes:
    """Plot the penalty factor of each strategy with its interval; InputError without a reference."""
    study = _profiles(result)
    found: ProfilePenaltyFactors = _given(study.penalties, "fit with reference=, a strategy")
    return _draw(partial(profile_figures.plot_penalties, found, study.penalty_fits), ax)


def skins(result: ProfilesStudy, *, ax: Axes | None = None) -> Axes:
    """Plot the diffusivities of skin and core [1e-12 m2/s]; InputError where no skin shows."""
    layered = _given(result.layered, "fit with layered=True")
    if LAYERED not in layered.choice:
        raise InputError("result", "no strategy shows a skin, so that none can be drawn")
    return _draw(partial(skin_section.plot_skins, result.fits, layered), ax)


def face_maps(result: FaceMapsStudy) -> Figure:
    """Draw chloride maps under each other as a figure, each with the profile of its paste."""
    with sheet.style_context():
        return face_map_figures.face_maps_figure(result.faces, result.masks, result.layers)


def aggregate(result: FaceMapsStudy, *, ax: Axes | None = None) -> Axes:
    """Plot the share of aggregate [%] over depth [mm]."""
    return _draw(partial(face_map_figures.plot_aggregate, result.faces, result.layers), ax)


def method_agreement(result: FaceMapsStudy, *, ax: Axes | None = None) -> Axes:
    """Plot mapped over ground content; InputError without ground profiles."""
    comparison = _given(result.comparison, "fit with ground=, profiles of the same specimens")
    return _draw(partial(face_map_figures.plot_agreement, comparison), ax)


def migration(result: MigrationStudy, *, ax: Axes | None = None) -> Axes:
    """Plot the migration coefficient [1e-12 m2/s] of each strategy with its interval."""
    return _draw(partial(migration_page.plot_coefficients, result), ax)


def drying_losses(result: DryingStudy, *, ax: Axes | None = None) -> Axes:
    """Plot the mass loss [%] of every specimen over time [d]."""
    return _draw(partial(drying_page.plot_losses, result.data_file.data, result.result), ax)


def drying_rates(result: DryingStudy, *, ax: Axes | None = None) -> Axes:
    """Plot the initial rate of mass loss [% per d] of each strategy with its interval."""
    return _draw(partial(drying_page.plot_rates, result.result), ax)


def cover_survey(result: CoverSurveyStudy, *, ax: Axes | None = None) -> Axes:
    """Plot the share of readings [%] up to a cover [mm], as measured and by the fitted families."""
    return _draw(partial(cover_survey_page.plot_cover, result.survey), ax)


def cover_positions(result: CoverSurveyStudy, *, ax: Axes | None = None) -> Axes:
    """Plot the readings of the cover where they were taken [m]; InputError without x_mm."""
    if "x_mm" not in result.survey.data:
        raise InputError("result", "the survey has no column x_mm, so that no reading has a place")
    return _draw(partial(cover_survey_page.plot_positions, result.survey), ax)


def pours(result: StripLogStudy, *, ax: Axes | None = None) -> Axes:
    """Plot the age [h] at which every pour was stripped."""
    return _draw(partial(strip_log_page.plot_pours, result.log), ax)


def strip_ages(result: StripLogStudy, *, ax: Axes | None = None) -> Axes:
    """Plot the share of pours [%] up to an equivalent age [h], logged and by fitted families."""
    return _draw(partial(strip_log_page.plot_ages, result), ax)


def planned_tests(result: PlannedTests, *, ax: Axes | None = None) -> Axes:
    """Plot the power [%] of the diffusivity tests over their number on each face."""
    return _draw(partial(plan_tests_page.plot_power, result), ax)


def past_limit(result: InventoryResult, *, ax: Axes | None = None) -> Axes:
    """Plot the faces of an inventory past the limit over the years with their range."""
    draw = partial(inventory_figures.plot_past_limit, result.totals, faces=result.faces)
    return _draw(draw, ax)


def update(result: UpdateResult, *, ax: Axes | None = None) -> Axes:
    """Plot each strategy's probability at the target life before and after inspections [%]."""
    return _draw(partial(update_figures.plot_update, result), ax)


def updated_curves(result: UpdateResult, *, ax: Axes | None = None) -> Axes:
    """Plot the reference strategy's probability [%] over age [yr] before and after inspections."""
    return _draw(partial(update_figures.plot_updated_curves, result), ax)


def core_contents(result: UpdateResult) -> Figure:
    """Draw contents of cores beside those expected, a panel per face and age."""
    _given(result.profiles or None, "update by cores")
    with sheet.style_context():
        return update_figures.contents_figure(result)


def _profiles(result: ProfilesStudy | FaceMapsStudy) -> ProfilesStudy:
    return result.profiles if isinstance(result, FaceMapsStudy) else result


def _given(part: Part | None, how: str) -> Part:
    """Return a part of a result; InputError where the fit was made without it."""
    if part is None:
        raise InputError("result", f"has nothing to draw: {how}")
    return part
