"""The figures of inventories and of updates, which `stripwise.plot` shows among its own."""

from __future__ import annotations

from functools import partial

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from stripwise.errors import InputError
from stripwise.report.figures import inventory_figures, sheet, update_figures
from stripwise.studies.inventory.inventory_study import InventoryResult
from stripwise.studies.update.update_result import UpdateResult

__all__ = ["core_contents", "past_limit", "update", "updated_curves"]


def past_limit(result: InventoryResult, *, ax: Axes | None = None) -> Axes:
    """Plot the faces of an inventory past the limit over the years with their range.

    Examples
    --------
    >>> import pandas as pd, stripwise
    >>> case = stripwise.load("scenarios/garage-wall.toml")
    >>> table = pd.DataFrame({"element": ["a", "b"], "strip_age_h": [14, 30], "age_yr": [3, 8]})
    >>> table = table.assign(concrete_temperature_degC=12, nominal_cover_mm=60)
    >>> past_limit(stripwise.inventory(case, table)).get_ylabel()
    'Faces past the limit'
    """
    draw = partial(inventory_figures.plot_past_limit, result.totals, faces=result.faces)
    return sheet.draw_on(draw, ax)


def update(result: UpdateResult, *, ax: Axes | None = None) -> Axes:
    """Plot each strategy's probability at the target life before and after inspections [%].

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/inspections/inspected-wall.toml")
    >>> result = stripwise.update(case, "scenarios/inspections/cover.csv")
    >>> update(result).get_xlabel()
    'Probability of depassivation [%]'
    """
    return sheet.draw_on(partial(update_figures.plot_update, result), ax)


def updated_curves(result: UpdateResult, *, ax: Axes | None = None) -> Axes:
    """Plot the reference strategy's probability [%] over age [yr] before and after inspections.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/inspections/inspected-wall.toml")
    >>> result = stripwise.update(case, "scenarios/inspections/cover.csv")
    >>> updated_curves(result).get_ylabel()
    'Probability [%]'
    """
    return sheet.draw_on(partial(update_figures.plot_updated_curves, result), ax)


def core_contents(result: UpdateResult) -> Figure:
    """Draw contents of cores beside those expected, a panel per face and age.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/inspections/inspected-wall.toml")
    >>> result = stripwise.update(case, "scenarios/inspections/cores-year-5.csv")
    >>> core_contents(result).axes[1].get_title(loc="left")
    'Forms 24 h, 5 yr'
    """
    if not result.profiles:
        raise InputError("result", "has nothing to draw: update by cores")
    with sheet.style_context():
        return update_figures.contents_figure(result)
