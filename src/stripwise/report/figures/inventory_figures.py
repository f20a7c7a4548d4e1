"""How many faces of an inventory pass the limit, year by year."""

from __future__ import annotations

import pandas as pd
from matplotlib.axes import Axes

from stripwise.report.figures import sheet, style
from stripwise.studies.inventory.inventory_plan import ALL_FACES
from stripwise.studies.inventory.totals import PAST
from stripwise.units.formatting import count, number

__all__ = ["plot_past_limit"]


def plot_past_limit(totals: pd.DataFrame, *, faces: int, ax: Axes | None = None) -> Axes:
    """Plot the faces past the limit over the years with their uncertainty range."""
    own = totals[(totals["measure"] == PAST) & (totals["group"] == ALL_FACES)]
    year = own["year"].to_numpy(dtype=float)
    expected = own["expected"].to_numpy(dtype=float)
    at = int((year - year[0] <= 30.0).sum()) - 1
    title = (
        f"{count(expected[0])} of {count(faces)} faces are past the limit; "
        f"{count(expected[at])} within {number(year[at] - year[0])} years"
    )
    note = (
        "Line: faces that no longer meet the target. Band: uncertainty range (95 %) of those whose "
        "probability exceeds the allowed one."
    )
    if ax is None:
        ax = sheet.new_axes(
            height=46.0,
            left=16.0,
            right=6.0,
            bottom=12.0,
            title=title,
            note=note,
            width=sheet.NARROW_MM,
        )
    sheet.style_axes(ax)
    if own["know_low"].notna().all():
        ax.fill_between(
            year,
            own["know_low"],
            own["know_high"],
            color=style.PALETTE[0],
            alpha=style.BAND_OPACITY,
            lw=0,
            gid="range",
        )
    ax.plot(year, expected, color=style.PALETTE[0], lw=1.4, gid="expected")
    ax.set_ylim(0.0, float(faces))
    ax.set_xlim(year[0], year[-1])
    ax.set_xlabel("Year" if year[0] > 0.0 else "Years from now", fontsize=style.TEXT_SIZE)
    ax.set_ylabel("Faces past the limit", fontsize=style.TEXT_SIZE)
    sheet.headline(ax, title, note=note)
    return ax
