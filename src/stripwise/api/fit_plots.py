"""The figures of fits and of planned tests, which `stripwise.plot` shows among its own."""

from __future__ import annotations

from functools import partial
from typing import TypeVar

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from stripwise.errors import InputError
from stripwise.evidence.profiles.layered_fit import LAYERED
from stripwise.evidence.profiles.penalty_factors import ProfilePenaltyFactors
from stripwise.report.figures import (
    comparison_figures,
    cover_comparison_figure,
    face_map_figures,
    profile_figures,
    sheet,
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
from stripwise.studies.fit.cover_survey_study import CoverSurveyStudy
from stripwise.studies.fit.drying_study import DryingStudy
from stripwise.studies.fit.face_maps_study import FaceMapsStudy
from stripwise.studies.fit.migration_study import MigrationStudy
from stripwise.studies.fit.planned_tests import PlannedTests
from stripwise.studies.fit.profiles_study import ProfilesStudy
from stripwise.studies.fit.strip_log_study import StripLogStudy

__all__ = [
    "aggregate",
    "comparison",
    "cover_comparison",
    "cover_positions",
    "cover_survey",
    "drying_losses",
    "drying_rates",
    "face_maps",
    "life_lost",
    "method_agreement",
    "migration",
    "penalties",
    "planned_readings",
    "planned_tests",
    "pours",
    "profiles",
    "residuals",
    "skins",
    "strip_ages",
]


Part = TypeVar("Part")


def profiles(result: ProfilesStudy | FaceMapsStudy) -> Figure:
    """Draw chloride profiles with their fits as a figure, a panel per strategy.

    Examples
    --------
    >>> import stripwise
    >>> study = stripwise.fit_profiles("scenarios/lab-wall/profiles.csv", reference="Forms 7 d")
    >>> len(profiles(study).axes)
    5
    """
    study = _profiles(result)
    with sheet.style_context():
        return profile_figures.profiles_figure(study.fits, study.layered)


def residuals(result: ProfilesStudy | FaceMapsStudy, *, ax: Axes | None = None) -> Axes:
    """Plot readings less fit [% of surface content] over depth [mm].

    Examples
    --------
    >>> import stripwise
    >>> study = stripwise.fit_profiles("scenarios/lab-wall/profiles.csv", reference="Forms 7 d")
    >>> residuals(study).get_ylabel()
    'Residual [% of surface content]'
    """
    return sheet.draw_on(partial(profile_figures.plot_residuals, _profiles(result).fits), ax)


def penalties(result: ProfilesStudy | FaceMapsStudy, *, ax: Axes | None = None) -> Axes:
    """Plot the penalty factor of each strategy with its interval; InputError without a reference.

    Examples
    --------
    >>> import stripwise
    >>> study = stripwise.fit_profiles("scenarios/lab-wall/profiles.csv", reference="Forms 7 d")
    >>> penalties(study).get_xlabel()
    'Penalty factor: diffusivity over that of the reference'
    """
    study = _profiles(result)
    found: ProfilePenaltyFactors = _given(study.penalties, "fit with reference=, a strategy")
    return sheet.draw_on(partial(profile_figures.plot_penalties, found, study.penalty_fits), ax)


def skins(result: ProfilesStudy, *, ax: Axes | None = None) -> Axes:
    """Plot the diffusivities of skin and core [1e-12 m2/s]; InputError where no skin shows.

    Examples
    --------
    A skin of 8 mm with six times the diffusivity of the core:

    >>> import pandas as pd, stripwise
    >>> content = [0.99, 0.97, 0.92, 0.88, 0.73, 0.58, 0.44, 0.34, 0.25, 0.18, 0.13, 0.09]
    >>> table = pd.DataFrame({"depth_mm": [1 + 2.5 * k for k in range(12)], "chloride_pct": content})
    >>> table = table.assign(specimen="a", strategy="Forms 12 h", exposure_d=180, initial_pct=0.02)
    >>> study = stripwise.fit_profiles(table, layered=True, affected_depth=8.0)
    >>> skins(study).get_xlabel()
    'Diffusivity [10⁻¹² m²/s]'
    """
    layered = _given(result.layered, "fit with layered=True")
    if LAYERED not in layered.choice:
        raise InputError("result", "no strategy shows a skin, so that none can be drawn")
    return sheet.draw_on(partial(skin_section.plot_skins, result.fits, layered), ax)


def face_maps(result: FaceMapsStudy) -> Figure:
    """Draw chloride maps under each other as a figure, each with the profile of its paste.

    Examples
    --------
    >>> import stripwise
    >>> study = stripwise.fit_face_maps(
    ...     "scenarios/face-maps/maps.csv",
    ...     aggregate="low",
    ...     ground="scenarios/face-maps/ground.csv",
    ... )
    >>> len(face_maps(study).axes)
    14
    """
    with sheet.style_context():
        return face_map_figures.face_maps_figure(result.faces, result.masks, result.layers)


def aggregate(result: FaceMapsStudy, *, ax: Axes | None = None) -> Axes:
    """Plot the share of aggregate [%] over depth [mm].

    Examples
    --------
    >>> import stripwise
    >>> study = stripwise.fit_face_maps(
    ...     "scenarios/face-maps/maps.csv",
    ...     aggregate="low",
    ...     ground="scenarios/face-maps/ground.csv",
    ... )
    >>> aggregate(study).get_ylabel()
    'Aggregate [%]'
    """
    return sheet.draw_on(partial(face_map_figures.plot_aggregate, result.faces, result.layers), ax)


def method_agreement(result: FaceMapsStudy, *, ax: Axes | None = None) -> Axes:
    """Plot mapped over ground content; InputError without ground profiles.

    Examples
    --------
    >>> import stripwise
    >>> study = stripwise.fit_face_maps(
    ...     "scenarios/face-maps/maps.csv",
    ...     aggregate="low",
    ...     ground="scenarios/face-maps/ground.csv",
    ... )
    >>> method_agreement(study).get_ylabel()
    'Mapped over ground'
    """
    comparison = _given(result.comparison, "fit with ground=, profiles of the same specimens")
    return sheet.draw_on(partial(face_map_figures.plot_agreement, comparison), ax)


def migration(result: MigrationStudy, *, ax: Axes | None = None) -> Axes:
    """Plot the migration coefficient [1e-12 m2/s] of each strategy with its interval.

    Examples
    --------
    >>> import pandas as pd, stripwise
    >>> depth = {"specimen": [*"abcd"], "strategy": [*"AABB"], "penetration_mm": [18, 19, 25, 26]}
    >>> test = {"voltage_V": 30, "temperature_degC": 22, "thickness_mm": 50, "duration_h": 24}
    >>> study = stripwise.fit_migration(pd.DataFrame(depth).assign(**test))
    >>> migration(study).get_xlabel()
    'Migration coefficient [10⁻¹² m²/s]'
    """
    return sheet.draw_on(partial(migration_page.plot_coefficients, result), ax)


def drying_losses(result: DryingStudy, *, ax: Axes | None = None) -> Axes:
    """Plot the mass loss [%] of every specimen over time [d].

    Examples
    --------
    >>> import stripwise
    >>> study = stripwise.fit_drying("scenarios/site-records/drying.csv")
    >>> drying_losses(study).get_ylabel()
    'Mass loss [%]'
    """
    return sheet.draw_on(partial(drying_page.plot_losses, result.data_file.data, result.result), ax)


def drying_rates(result: DryingStudy, *, ax: Axes | None = None) -> Axes:
    """Plot the initial rate of mass loss [% per d] of each strategy with its interval.

    Examples
    --------
    >>> import stripwise
    >>> study = stripwise.fit_drying("scenarios/site-records/drying.csv")
    >>> drying_rates(study).get_xlabel()
    'Initial rate of mass loss [% per d]'
    """
    return sheet.draw_on(partial(drying_page.plot_rates, result.result), ax)


def cover_survey(result: CoverSurveyStudy, *, ax: Axes | None = None) -> Axes:
    """Plot the share of readings [%] up to a cover [mm], as measured and by the fitted families.

    Examples
    --------
    >>> import stripwise
    >>> study = stripwise.fit_cover("scenarios/site-records/cover.csv")
    >>> cover_survey(study).get_xlabel()
    'Cover [mm]'
    """
    return sheet.draw_on(partial(cover_survey_page.plot_cover, result.survey), ax)


def cover_positions(result: CoverSurveyStudy, *, ax: Axes | None = None) -> Axes:
    """Plot the readings of the cover where they were taken [m]; InputError without x_mm.

    Examples
    --------
    >>> import stripwise
    >>> study = stripwise.fit_cover("scenarios/site-records/cover.csv")
    >>> cover_positions(study).get_ylabel()
    'y [m]'
    """
    if "x_mm" not in result.survey.data:
        raise InputError("result", "the survey has no column x_mm, so that no reading has a place")
    return sheet.draw_on(partial(cover_survey_page.plot_positions, result.survey), ax)


def pours(result: StripLogStudy, *, ax: Axes | None = None) -> Axes:
    """Plot the age [h] at which every pour was stripped.

    Examples
    --------
    >>> from pathlib import Path
    >>> import stripwise
    >>> study = stripwise.fit_strip_log(
    ...     "scenarios/site-records/strip-log.csv",
    ...     zone="CET",
    ...     loggers=Path("scenarios/site-records/loggers"),
    ... )
    >>> pours(study).get_xlabel()
    'Age at stripping [h]'
    """
    return sheet.draw_on(partial(strip_log_page.plot_pours, result.log), ax)


def strip_ages(result: StripLogStudy, *, ax: Axes | None = None) -> Axes:
    """Plot the share of pours [%] up to an equivalent age [h], logged and by fitted families.

    Examples
    --------
    >>> from pathlib import Path
    >>> import stripwise
    >>> study = stripwise.fit_strip_log(
    ...     "scenarios/site-records/strip-log.csv",
    ...     zone="CET",
    ...     loggers=Path("scenarios/site-records/loggers"),
    ... )
    >>> strip_ages(study).get_ylabel()
    'Share up to that value [%]'
    """
    return sheet.draw_on(partial(strip_log_page.plot_ages, result), ax)


def cover_comparison(comparison: pd.DataFrame, case: Scenario) -> Axes:
    """Plot the probability over the nominal covers that were compared, on a sheet of its own.

    Examples
    --------
    >>> import pandas as pd, stripwise
    >>> case = stripwise.load("scenarios/garage-wall.toml")
    >>> rows = pd.DataFrame({"strategy": "Forms 24 h", "cover": ["specified", "surveyed"]})
    >>> rows = rows.assign(probability_at_target=[0.06, 0.09], know_low=[0.02, 0.03])
    >>> cover_comparison(rows.assign(know_high=[0.12, 0.18]), case).get_xlabel()
    'Probability of depassivation [%]'
    """
    with sheet.style_context():
        return cover_comparison_figure.plot_cover_comparison(comparison, case)


def planned_tests(result: PlannedTests, *, ax: Axes | None = None) -> Axes:
    """Plot the power [%] of the diffusivity tests over their number on each face.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/garage-wall.toml")
    >>> result = stripwise.plan_tests(case)
    >>> planned_tests(result).get_ylabel()
    'Power [%]'
    """
    return sheet.draw_on(partial(plan_tests_page.plot_power, result), ax)


def comparison(
    result: ProfilesStudy | FaceMapsStudy | MigrationStudy | DryingStudy,
    quantity: str | None = None,
    *,
    ax: Axes | None = None,
) -> Axes:
    """Plot the ratios of strategies in a test; `quantity` chooses among those of a drying test.

    Examples
    --------
    >>> import stripwise
    >>> study = stripwise.fit_profiles("scenarios/lab-wall/profiles.csv", reference="Forms 7 d")
    >>> len(comparison(study).get_yticks()) > 0
    True
    """
    own = _profiles(result) if isinstance(result, FaceMapsStudy) else result
    found = own.comparisons if isinstance(own, DryingStudy) else (own.comparison,)
    chosen = [c for c in found if c is not None and quantity in (None, c.quantity)]
    how = "too few specimens scatter, or there is no such quantity"
    shown = _given(next(iter(chosen), None), how)
    return sheet.draw_on(partial(comparison_figures.plot_comparison, shown), ax)


def life_lost(
    result: ProfilesStudy | FaceMapsStudy | MigrationStudy, *, ax: Axes | None = None
) -> Axes:
    """Plot the change of life [%] with every penalty of a test against that of the reference.

    InputError for a fit without a scenario.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/garage-wall.toml")
    >>> study = stripwise.fit_profiles(
    ...     "scenarios/lab-wall/profiles.csv", reference="Forms 7 d", scenario=case
    ... )
    >>> life_lost(study).get_xlabel()
    'Change of life [%]; negative: life lost'
    """
    own = _profiles(result) if isinstance(result, FaceMapsStudy) else result
    lost = _given(own.life_lost, "give the fit a scenario")
    return sheet.draw_on(partial(comparison_figures.plot_life_lost, lost), ax)


def planned_readings(result: PlannedTests, *, ax: Axes | None = None) -> Axes:
    """Plot the power [%] of a covermeter survey over its number of readings.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/garage-wall.toml")
    >>> planned_readings(stripwise.plan_tests(case)).get_ylabel()
    'Power [%]'
    """
    return sheet.draw_on(partial(plan_tests_page.plot_cover_power, result), ax)


def _profiles(result: ProfilesStudy | FaceMapsStudy) -> ProfilesStudy:
    return result.profiles if isinstance(result, FaceMapsStudy) else result


def _given(part: Part | None, how: str) -> Part:
    """Return a part of a result; InputError where the fit was made without it."""
    if part is None:
        raise InputError("result", f"has nothing to draw: {how}")
    return part
