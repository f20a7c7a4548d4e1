"""What interventions save on faces: repairs that they prevent, less their price.

Axes: e faces, i interventions.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from stripwise.risk.probability.expected_cost import later_repair_cost, present_value_factor
from stripwise.risk.probability.reliability_index import Curves
from stripwise.scenario.model import Scenario
from stripwise.units.result_columns import columns

__all__ = ["intervention_table", "money_saved"]

Array = NDArray[np.float64]


def money_saved(case: Scenario, curves: Curves, ages: Array) -> Array:
    """Return what each intervention saves (e, i) [per m2], discounted to the state.

    effect x expected discounted repair of what is depassivated after its year - discounted price,
    by curves (e) of the reliability index and ages (e,) at the state [yr]. Nothing is conditioned
    on what has happened by then.
    """
    cost = case.cost
    if not case.interventions or cost is None:
        return np.empty((ages.size, 0))

    def probability(at: Array) -> Array:
        found = special.ndtr(-curves.at_each(np.maximum(at, 0.0)))
        return np.asarray(np.where(at < 0.0, 0.0, found))

    saved = []
    for one in case.interventions:
        later = later_repair_cost(
            probability,
            ages,
            start=one.year,
            horizon=cost.horizon,
            rate=cost.rate,
            instalments=cost.instalments,
        )
        price = one.price * float(present_value_factor(cost.rate, one.year))
        saved.append(one.effect * cost.repair * later - price)
    return np.stack(saved, axis=1)


def intervention_table(case: Scenario, saved: Array, area: Array) -> pd.DataFrame:
    """Tabulate the interventions: on how many faces each saves money, how much, and what it takes.

    `saved` (e, i) is per m2, `area` (e,) in m2; amounts are empty where no area is known.
    """
    cost = case.cost
    records = []
    for place, one in enumerate(case.interventions):
        assert cost is not None
        worth = saved[:, place] > 0.0
        known = bool(np.isfinite(area).any())
        money = saved[:, place] * area
        price = one.price * float(present_value_factor(cost.rate, one.year)) * area
        records.append(
            {
                "intervention": one.name,
                "year_from_now": one.year,
                "effect_share": one.effect,
                "faces_saving": int(worth.sum()),
                "area_m2": float(np.nansum(area[worth])) if known else np.nan,
                "price_total": float(np.nansum(price[worth])) if known else np.nan,
                "saved_total": float(np.nansum(money[worth])) if known else np.nan,
                "saved_on_all": float(np.nansum(money)) if known else np.nan,
                "currency": cost.currency,
            }
        )
    return pd.DataFrame(records, columns=columns("interventions"))
