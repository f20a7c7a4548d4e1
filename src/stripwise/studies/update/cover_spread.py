"""Whether the covers read scatter along the wall as the scenario says.

Readings move the mean cover alone, so that a spread which the scenario has too small would pass
unseen: it is told.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from stripwise.distributions.random_input import Input
from stripwise.evidence.inspections.inspection_sets import CoverSet, InspectionSet
from stripwise.risk.model.wall import COVER, Wall
from stripwise.units.result_columns import columns

__all__ = ["AS_EXPECTED", "LESS", "MORE", "cover_spread", "spread_along_wall"]

AS_EXPECTED, MORE, LESS = "as expected", "more than the scenario", "less than the scenario"

LEAST_EFFECTIVE = 3.0
"""Independent readings below which a spread is not worth telling."""

NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(40)


def cover_spread(sets: Sequence[InspectionSet], wall: Wall) -> pd.DataFrame | None:
    """Compare the spread of each file of cover readings with the scenario's, as `cover_spread`.

    None without such a file. The sample variance of n readings that are worth m independent ones is
    (1 - r) of the variance along the wall, r = (n / m - 1) / (n - 1) the mean correlation of two, and
    it is taken as that of m normal ones: chi-squared with m - 1 degrees of freedom.
    """
    rows = []
    expected = spread_along_wall(wall.input(COVER))
    for one in sets:
        if not isinstance(one, CoverSet) or one.effective < LEAST_EFFECTIVE:
            continue
        n, freedom = one.cover.size, one.effective - 1.0
        alike = max((n / one.effective - 1.0) / (n - 1.0), 0.0)
        error = float(np.mean(one.error**2))
        variance = float(np.var(one.cover, ddof=1)) / (1.0 - alike)
        ends = variance * freedom / stats.chi2.ppf([0.975, 0.025], freedom)
        found, low, high = np.sqrt(np.maximum(np.array([variance, *ends]) - error, 0.0)).tolist()
        status = AS_EXPECTED
        if not low <= expected <= high:
            status = MORE if expected < low else LESS
        rows.append(
            {
                "file": one.data_file.name,
                "sd_mm": found,
                "low95": low,
                "high95": high,
                "sd_scenario_mm": expected,
                "status": status,
            }
        )
    return pd.DataFrame(rows, columns=columns("cover_spread")) if rows else None


def spread_along_wall(cover: Input) -> float:
    """Return the standard deviation of the cover along one wall, in the middle between walls [mm]."""
    if cover.distribution.is_fixed or cover.epistemic_share == 1.0:
        return 0.0
    values = cover.distribution.from_normal(np.sqrt(1.0 - cover.epistemic_share) * NODES)
    mass = WEIGHTS / WEIGHTS.sum()
    return float(np.sqrt(mass @ (values - mass @ values) ** 2))
