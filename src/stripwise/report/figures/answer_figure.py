"""The answer at a glance: a dot per strategy with its uncertainty range, against the limit."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from stripwise.report.figures import sheet
from stripwise.report.figures.dot_interval import DotRow, plot_dot_intervals
from stripwise.studies.decision import YES
from stripwise.studies.results import Assessment
from stripwise.studies.verdict import strategies_meet
from stripwise.units.formatting import percent, years

__all__ = ["plot_answer"]


def plot_answer(data: Assessment, *, ax: Axes | None = None) -> Axes:
    """Plot the probability of every strategy at the target life; full dots meet the limit."""
    target = data.scenario.target
    rows = []
    for row in data.strategies.to_dict("records"):
        ends = (row["know_low"], row["know_high"])
        low, high = ends if np.isfinite(ends[0]) else (row["low95"], row["high95"])
        p = row["probability_at_target"]
        rows.append(
            DotRow(
                str(row["strategy"]),
                100.0 * p,
                100.0 * low,
                100.0 * high,
                percent(p),
                hollow=row["meets_target"] != YES,
            )
        )
    met = int((data.strategies["meets_target"] == YES).sum())
    ranged = data.strategies["know_low"].notna().any()
    bars = "uncertainty range (95 %)" if ranged else "95 % sampling interval"
    return plot_dot_intervals(
        rows,
        title=f"{strategies_meet(met, of=len(rows))} the {percent(target.probability)} limit",
        note=f"Probability of depassivation within {years(target.service_life)}. Full dots meet the "
        f"limit (dashed), hollow dots do not. Bars: {bars}.",
        label="Probability of depassivation [%]",
        mark=100.0 * target.probability,
        width=sheet.NARROW_MM,
        number_width=22.0,
        ax=ax,
    )
