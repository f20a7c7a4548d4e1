"""Tables of what was fitted to chloride profiles: by strategy, and each specimen."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from stripwise.evidence.profiles.chloride_profiles import MM2_D_PER_M2_S, ProfileFits
from stripwise.evidence.profiles.penalty_factors import ProfilePenaltyFactors
from stripwise.report.components import Cell, Column, Table, numeric
from stripwise.report.even_decimals import even
from stripwise.units import formatting

__all__ = ["penalty_table", "specimen_table"]

MAX_ROWS = 60
"""Most specimens in a table."""


def penalty_table(penalties: ProfilePenaltyFactors, unit: str) -> Table:
    """Lay out diffusivity, penalty and surface content of every strategy."""
    pooled, ratios, surface = penalties.log_diffusivity, penalties.log_ratios, penalties.surface
    names, reference = penalties.strategies, penalties.reference

    diffusivities, medians = 1e12 * np.exp(pooled.mean), np.exp(ratios.log_mean)
    columns = (diffusivities, medians, penalties.mean, surface.mean)
    written, median, mean, content = map(even, columns)
    sd = even(penalties.sd, 2)

    def ends(k: int) -> str:
        low, high = float(penalties.low95[k]), float(penalties.high95[k])
        return "" if names[k] == reference else formatting.interval(low, high, median)

    return Table(
        f"By strategy. Surface content in {unit}, ± its standard error.",
        (
            Column("Strategy", write=lambda k: names[k] + " (reference)" * (names[k] == reference)),
            numeric("Specimens", write=lambda k: str(pooled.counts[k])),
            numeric("Dₐ [10⁻¹² m²/s]", write=lambda k: written(diffusivities[k])),
            numeric("Penalty, median", write=lambda k: median(medians[k])),
            numeric("95 % interval", write=ends),
            numeric(
                "Mean; sd",
                write=lambda k: f"{mean(penalties.mean[k])}; {sd(penalties.sd[k])}",
            ),
            numeric(
                "Surface content",
                write=lambda k: (
                    f"{content(surface.mean[k])} ± {content(np.sqrt(surface.variance[k]))}"
                ),
            ),
        ),
        range(len(names)),
    )


def specimen_table(fits: ProfileFits, unit: str) -> Table:
    """Lay out what was fitted to every specimen."""
    profiles, count = fits.profiles, len(fits.layers_used)
    shown = slice(MAX_ROWS)
    written, content = even(1e12 * fits.diffusivity[shown]), even(fits.surface[shown])
    share, error = even(fits.correlation[shown], 2), even(fits.rmse[shown], 2)
    cut = f" The first {MAX_ROWS}; all in specimens.csv." if count > MAX_ROWS else ""

    def ends(k: int) -> str:
        logs = np.array([fits.intervals.log_d_low[k], fits.intervals.log_d_high[k]])
        low, high = (1e12 * np.exp(logs) / MM2_D_PER_M2_S).tolist()
        return formatting.interval(low, high, written)

    def surface_ends(k: int) -> str:
        low, high = fits.intervals.surface_low[k], fits.intervals.surface_high[k]
        return formatting.interval(float(low), float(high), content)

    return Table(
        f"Each specimen, ± standard errors; in grey 95 % intervals. Contents in {unit}.{cut}",
        (
            Column("Specimen", write=lambda k: profiles.specimens[k]),
            Column("Strategy", write=lambda k: profiles.strategies[k]),
            numeric(
                "Dₐ [10⁻¹² m²/s]",
                write=lambda k: Cell(
                    _with_error(1e12 * fits.diffusivity[k], 1e12 * fits.diffusivity_se[k], written),
                    ends(k),
                ),
                kind="tight",
            ),
            numeric(
                "Surface content",
                write=lambda k: Cell(
                    _with_error(fits.surface[k], fits.surface_se[k], content), surface_ends(k)
                ),
                kind="tight",
            ),
            numeric("Correlation", write=lambda k: share(float(fits.correlation[k]))),
            numeric("Rmse", write=lambda k: error(float(fits.rmse[k]))),
            numeric("Layers", write=lambda k: str(fits.layers_used[k])),
            *([Column("Notes", write=lambda k: fits.notes[k])] * any(fits.notes[:MAX_ROWS])),
        ),
        range(min(count, MAX_ROWS)),
    )


def _with_error(value: float, error: float, write: Callable[[float], str]) -> str:
    return f"{write(float(value))} ± {write(float(error))}".replace(" ", "\N{NO-BREAK SPACE}")
