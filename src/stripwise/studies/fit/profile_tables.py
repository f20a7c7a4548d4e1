"""Which numbers a fit of chloride profiles gives, by layer, specimen and strategy."""

from __future__ import annotations

import numpy as np
import pandas as pd

from stripwise.evidence.profiles.chloride_profiles import ProfileFits
from stripwise.evidence.profiles.layered_fit import LayeredFits
from stripwise.evidence.profiles.penalty_factors import ProfilePenaltyFactors, diffusivity_table

__all__ = ["layered_table", "residual_table", "strategy_table"]


def residual_table(fits: ProfileFits) -> pd.DataFrame:
    """Tabulate every layer: depths [mm], content and fit in the unit of the profiles, and flags."""
    profiles = fits.profiles
    row, layer = np.nonzero(profiles.present)
    content, fitted = profiles.content[row, layer], fits.fitted[row, layer]
    return pd.DataFrame(
        {
            "specimen": np.array(profiles.specimens, dtype=object)[row],
            "strategy": np.array(profiles.strategies, dtype=object)[row],
            "depth_from_mm": profiles.upper[row, layer],
            "depth_to_mm": profiles.lower[row, layer],
            f"chloride_{profiles.basis}": content,
            "fitted": fitted,
            "residual": content - fitted,
            "used": fits.layers.weight[row, layer] > 0,
            "flagged": fits.flagged[row, layer],
        }
    )


def strategy_table(fits: ProfileFits, penalties: ProfilePenaltyFactors | None) -> pd.DataFrame:
    """Tabulate Dₐ [m2/s] and surface content by strategy.

    Pooled, with intervals, where there is a reference; geometric and plain means without one.
    """
    unit = f"surface_{fits.profiles.basis}"
    if penalties is None:
        table = pd.DataFrame(
            {
                "strategy": fits.profiles.strategies,
                "log": np.log(fits.diffusivity),
                unit: fits.surface,
            }
        )
        groups = table.groupby("strategy", sort=False)
        return pd.DataFrame(
            {
                "strategy": list(groups.groups),
                "specimens": groups.size().to_numpy(),
                "diffusivity_m2_s": np.exp(groups["log"].mean().to_numpy()),
                unit: groups[unit].mean().to_numpy(),
            }
        )
    table = diffusivity_table(penalties)
    table[unit] = penalties.surface.mean
    table["surface_se"] = np.sqrt(penalties.surface.variance)
    return table


def layered_table(fits: ProfileFits, layered: LayeredFits) -> pd.DataFrame:
    """Tabulate the two-layer fits: depth [mm], D of skin and core [m2/s], a row a specimen."""
    names = fits.profiles.strategies
    return pd.DataFrame(
        {
            "specimen": fits.profiles.specimens,
            "strategy": names,
            "model": [layered.choice_for(name) for name in names],
            "skin_depth_mm": layered.depth.value,
            "skin_m2_s": layered.skin,
            "skin_se": layered.skin_se,
            "core_m2_s": layered.core,
            "core_se": layered.core_se,
            "ratio": layered.ratio,
            "ratio_log_se": layered.ratio_log_se,
            f"surface_{fits.profiles.basis}": layered.surface,
            "rmse": layered.rmse,
            "notes": [_note(layered, row) for row in range(len(names))],
        }
    )


def _note(layered: LayeredFits, row: int) -> str:
    if not layered.identifiable[row]:
        return "too few layers in the skin or behind it within the chloride's reach"
    if layered.at_bound[row]:
        return "ratio of skin to core at the end of its range, core not told"
    return ""
