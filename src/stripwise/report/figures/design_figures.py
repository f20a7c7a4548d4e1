"""The figures of a design, drawn as a set."""

from __future__ import annotations

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from stripwise.errors import InputError
from stripwise.report.figures import sheet
from stripwise.report.figures.cost_figure import plot_cost
from stripwise.report.figures.map_figure import map_figure
from stripwise.report.figures.pareto_figure import plot_pareto
from stripwise.report.figures.reference_durations import ReferenceLine
from stripwise.report.figures.required_cover_figure import plot_required
from stripwise.studies.design.design_result import DesignResult

__all__ = ["draw_design", "reference_lines"]


def draw_design(result: DesignResult) -> dict[str, Figure]:
    """Draw every figure that a design has data for.

    Parameters
    ----------
    result
        A design.

    Returns
    -------
    Figures by the name of their file: map, required, and cost and pareto where there are prices.
    """
    with sheet.styled():
        figures = {
            "map": map_figure(result, lines=reference_lines(result)),
            "required": _figure_of(plot_required(result)),
        }
        if result.cost is not None:
            figures["cost"] = _figure_of(plot_cost(result))
            figures["pareto"] = _figure_of(plot_pareto(result))
    return figures


def reference_lines(result: DesignResult) -> list[ReferenceLine]:
    """Durations of standards to draw beside the map.

    Parameters
    ----------
    result
        A design.

    Returns
    -------
    One line per duration; of EN 13670 those for medium strength development.
    """
    lines = []
    for row in result.references.to_dict("records"):
        text = str(row["meaning"])
        if row["low_h"] != row["high_h"]:
            text += ", for medium strength development"
        lines.append(ReferenceLine(str(row["name"]), text, float(row["hours"])))
    return lines


def _figure_of(ax: Axes) -> Figure:
    figure = ax.get_figure(root=True)
    if figure is None:
        raise InputError("figure", "is missing")
    return figure
