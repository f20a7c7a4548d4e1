"""Values that look like a slip of the hand beside their fellows, told with their lines."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from stripwise.evidence.tables.data_file import LINE

__all__ = ["MOST_SLIPS", "drying_slips", "duration_slips", "is_tenfold"]

TENFOLD = 0.15
"""Decades by which a value may miss a tenth or tenfold of its fellows and still look like a slip."""

MOST_SLIPS = 10
"""Most slips told."""

LEAST_FELLOWS = 4
"""Fewest pours whose median says how long forms usually stay."""


def is_tenfold(ratio: ArrayLike) -> NDArray[np.bool_]:
    """Whether values over those of their fellows are about a power of ten off.

    Examples
    --------
    >>> is_tenfold([9.0, 0.11, 2.0])
    array([ True,  True, False])
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        decades = np.abs(np.log10(np.asarray(ratio, dtype=float)))
    return np.asarray(np.abs(decades - 1.0) < TENFOLD)


def drying_slips(data: pd.DataFrame) -> tuple[str, ...]:
    """Tell losses a power of ten from the readings around them, and columns that look swapped.

    `data` are the rows of a drying test in the order of the file.
    """
    rows = data.sort_values(["specimen", "time_d"], kind="stable")
    losses = rows.groupby("specimen", sort=False)["mass_loss_pct"]
    around = losses.shift(1) * losses.shift(-1)
    middle = np.sqrt(around.where(around > 0.0).to_numpy(dtype=float))
    ratio = rows["mass_loss_pct"].to_numpy(dtype=float) / middle
    # beyond both neighbours, since a loss may rise steeply at the start
    beyond = (rows["mass_loss_pct"] > np.maximum(losses.shift(1), losses.shift(-1))) | (
        rows["mass_loss_pct"] < np.minimum(losses.shift(1), losses.shift(-1))
    )
    slips = rows[is_tenfold(ratio) & beyond]
    told = [
        f"Line {int(row[LINE])}, specimen {row['specimen']}: the mass loss {row['mass_loss_pct']:g} % "
        "is about a power of ten from the readings around it; is the decimal point in its place?"
        for row in slips.head(MOST_SLIPS).to_dict("records")
    ]
    series = rows.groupby("specimen", sort=False)[["time_d", "mass_loss_pct"]].agg(tuple)
    same = series.nunique()
    if len(series) > 2 and same["mass_loss_pct"] == 1 and same["time_d"] > 1:
        told.append(
            "All specimens have the same mass losses at different times: the two columns look swapped."
        )
    return tuple(told)


def duration_slips(pours: pd.DataFrame, lines: ArrayLike) -> tuple[str, ...]:
    """Tell pours whose forms stayed about ten times as long as usual, or more, or a tenth.

    A day and a month that were swapped, or a date of another day, shows so.
    """
    hours = pours["clock_h"].to_numpy(dtype=float)
    if hours.size < LEAST_FELLOWS:
        return ()
    middle = float(np.median(hours))
    off = np.flatnonzero(np.abs(np.log10(hours / middle)) > 1.0 - TENFOLD)
    return tuple(
        f"Line {int(np.asarray(lines)[at])}, pour {pours['pour'].iloc[at]}: {hours[at]:.3g} h in the "
        f"forms, where half of the pours had up to {middle:.3g} h; check both dates."
        for at in off[:MOST_SLIPS]
    )
