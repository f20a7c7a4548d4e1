"""What options cost, which of them is the cheapest, and where another price changes that."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.risk.probability.target_roots import TargetRoot, with_strip_age
from stripwise.scenario.model import Cost
from stripwise.studies.decision import YES
from stripwise.studies.design.break_even import break_even_rows, choice_table, dominated
from stripwise.studies.design.design_map import DesignMap, map_options
from stripwise.studies.design.prices import CostAges, Option, first_cost, price_options
from stripwise.studies.design.required_cover import RequiredCovers
from stripwise.studies.design.setting import Setting
from stripwise.units.curing_words import strip_age
from stripwise.units.drawing_steps import round_hours_up
from stripwise.units.formatting import length
from stripwise.units.result_columns import columns

__all__ = [
    "CHEAPEST_FIRST",
    "CHEAPEST_PAIR",
    "DRAWN_STRATEGY",
    "CostTables",
    "cheapest_pairs",
    "find_cost_tables",
]

Array = NDArray[np.float64]

CHEAPEST_PAIR, DRAWN_STRATEGY = "cheapest pair", "strategy at drawn cover"
"""Kinds of options in the table."""
CHEAPEST_FIRST = "cheapest first build that meets the target"
"""Kind of a further row of the pareto table."""


@dataclass(frozen=True, slots=True)
class CostTables:
    """Everything that needs prices."""

    cost: pd.DataFrame
    pareto: pd.DataFrame
    choice: pd.DataFrame
    break_even: list[dict[str, object]]


def find_cost_tables(
    setting: Setting,
    ages: CostAges,
    design_map: DesignMap,
    *,
    required: RequiredCovers,
    earliest: list[list[TargetRoot]],
    cost: Cost,
) -> CostTables:
    """Price the strategies, each at its own and at its drawn cover, and the cheapest pairs.

    `earliest` holds the earliest strip ages of every follow-up at every drawn cover.
    """
    strategies = [
        Option(
            plan.name,
            "strategy",
            plan,
            setting.scenario.strategy(plan.name).follow_up,
            setting.wall.nominal_cover,
            setting.hours(plan),
        )
        for plan in setting.wall.plans
    ]
    drawn = [
        Option(o.name, DRAWN_STRATEGY, o.plan, o.follow_up, setting.drawn_cover(root), o.hours)
        for o, root in zip(strategies, required.in_range, strict=True)
        if np.isfinite(setting.drawn_cover(root))
    ]
    first, total = design_map.costs(setting, ages)
    pairs = cheapest_pairs(setting, total, earliest)
    priced = price_options(setting, [*strategies, *drawn, *pairs], ages)
    table = priced.table(setting, ages, cost)
    own, at_drawn = range(len(strategies)), range(len(strategies), len(strategies) + len(drawn))
    points = map_options(setting)
    mean = np.mean(design_map.at_life(setting.covers), axis=0)
    pareto = pd.concat(
        [
            pd.DataFrame(
                {
                    "kind": "design point",
                    "option": [o.name for o in points],
                    "follow_up": [o.follow_up.label for o in points],
                    "nominal_cover_mm": [o.cover for o in points],
                    "strip_age_h": [o.hours for o in points],
                    "first_cost": first.ravel(),
                    "probability": mean.ravel(),
                }
            ),
            table.loc[table["kind"] != CHEAPEST_PAIR],
            _cheapest_first(setting, ages, cost, earliest),
        ],
        ignore_index=True,
    )
    pareto["dominated"] = dominated(
        pareto["first_cost"].to_numpy(dtype=float), pareto["probability"].to_numpy(dtype=float)
    )
    return CostTables(
        cost=table,
        pareto=pareto.reindex(columns=columns("pareto")),
        choice=choice_table(priced.part(at_drawn if drawn else own), ages, cost),
        break_even=break_even_rows(setting, ages, cost),
    )


def _cheapest_first(
    setting: Setting, ages: CostAges, cost: Cost, earliest: list[list[TargetRoot]]
) -> pd.DataFrame:
    """Tabulate the cheapest first build that can be built and that a decision accepts; no row if none.

    An hour in the forms costs, so of each cover it is the earliest strip age.
    """
    options = []
    for f, plan in enumerate(setting.plans):
        for cover, root in zip(setting.rounded_covers(), earliest[f], strict=True):
            hours = setting.buildable_hours(root)
            if np.isfinite(hours):
                stripped, after = with_strip_age(plan, hours), setting.choices.follow_up[f]
                options.append(
                    Option(plan.name, CHEAPEST_FIRST, stripped, after, float(cover), hours)
                )
    best = sorted(options, key=lambda option: sum(first_cost(setting, cost, option)))[:1]
    if not best:
        return pd.DataFrame()
    table = price_options(setting, best, ages).table(setting, ages, cost)
    return table[table["meets_target"] == YES]


def cheapest_pairs(
    setting: Setting, total: Array, earliest: list[list[TargetRoot]]
) -> list[Option]:
    """Return the cheapest pair of each follow-up that can be built and that a decision accepts.

    `total` (f, t, c) is the expected present cost on the map.
    """
    covers, hours = setting.rounded_covers(), _whole_hours(*setting.choices.strip_age)
    units = setting.scenario.units
    pairs = []
    for f, plan in enumerate(setting.plans):
        prices = np.full((len(covers), len(hours)), np.inf)
        for c, root in enumerate(earliest[f]):
            line = np.array(
                [
                    np.interp(covers[c], setting.covers, total[f, t])
                    for t in range(len(setting.strip_ages))
                ]
            )
            built = hours >= setting.buildable_hours(root) - 1e-9
            at = np.interp(np.log(hours), np.log(setting.strip_ages), line)
            prices[c] = np.where(built, at, np.inf)
        if not np.isfinite(prices).any():
            continue
        best = np.unravel_index(int(np.argmin(prices)), prices.shape)
        cover, age = float(covers[best[0]]), float(hours[best[1]])
        name = f"{plan.name}, {strip_age(age)}, {length(cover, units=units)}"
        follow_up = setting.choices.follow_up[f]
        pairs.append(Option(name, CHEAPEST_PAIR, with_strip_age(plan, age), follow_up, cover, age))
    return pairs


def _whole_hours(first: float, last: float) -> Array:
    """Return the strip ages of a range that a site can be told [h], rising."""
    hours = {round_hours_up(float(h)) for h in np.arange(np.ceil(first - 1e-9), last + 1e-9)}
    return np.array(sorted(h for h in hours if h <= last + 1e-9) or [last])
