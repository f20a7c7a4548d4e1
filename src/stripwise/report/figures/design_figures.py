"""Which figures a design has."""

from __future__ import annotations

from matplotlib.figure import Figure

from stripwise.report.figures import sheet
from stripwise.report.figures.cost_figure import plot_cost
from stripwise.report.figures.map_figure import map_figure
from stripwise.report.figures.pareto_figure import plot_pareto
from stripwise.report.figures.reference_durations import ReferenceLine
from stripwise.report.figures.required_cover_figure import plot_required_cover
from stripwise.studies.design.design_result import DesignResult

__all__ = ["draw_design_figures", "reference_lines"]


def draw_design_figures(result: DesignResult) -> dict[str, Figure]:
    """Draw every figure that a design has data for, by the name of its file.

    Names: map, required, and cost and pareto where there are prices.
    """
    with sheet.style_context():
        figures = {
            "map": map_figure(result, lines=reference_lines(result)),
            "required": sheet.parent_figure(plot_required_cover(result)),
        }
        if result.cost is not None:
            figures["cost"] = sheet.parent_figure(plot_cost(result))
            figures["pareto"] = sheet.parent_figure(plot_pareto(result))
    return figures


def reference_lines(result: DesignResult) -> list[ReferenceLine]:
    """List durations of standards to draw beside the map; of EN 13670 those for medium strength."""
    lines = []
    for row in result.references.to_dict("records"):
        text = str(row["meaning"])
        if row["low_h"] != row["high_h"]:
            text += ", for medium strength development"
        lines.append(ReferenceLine(str(row["name"]), text, float(row["hours"])))
    return lines
