"""What each target costs: the cheapest pair that can be built and meets it, and the least of all.

Axes: s strategies, d covers that a drawing holds, f follow-ups, t strip ages, c covers of the map.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.risk.probability.nominal_covers import (
    probability_by_epistemic_point,
    probability_by_repeat,
)
from stripwise.risk.probability.target_roots import ANY, TargetRoot
from stripwise.risk.probability.target_rule import index_from_probability
from stripwise.scenario.model import Cost
from stripwise.studies.candidate_targets import CandidateTarget
from stripwise.studies.design.cost_tables import cheapest_pairs
from stripwise.studies.design.design_map import DesignMap
from stripwise.studies.design.prices import (
    CostAges,
    Option,
    decide_options,
    first_cost,
    option_probabilities,
)
from stripwise.studies.design.required_cover import find_earliest
from stripwise.studies.design.setting import Setting
from stripwise.studies.target_answers import setting_under
from stripwise.units.result_columns import columns

__all__ = ["NO_TARGET", "TargetCosts", "find_target_costs"]

Array = NDArray[np.float64]

CANDIDATE_POINTS = 512
"""Points of a scrambling of the map that points out cheap pairs."""

NO_TARGET = "no target: least expected cost"
"""Source of the row of the cheapest pair whatever its probability."""


@dataclass(frozen=True, slots=True)
class TargetCosts:
    """Prices by target.

    Attributes
    ----------
    pairs
        The columns of `target-costs`: first the cheapest pair whatever its probability, then the
        cheapest under each target over the stated life.
    covers
        (d,) nominal covers that a drawing holds [mm].
    first, expected
        (s, d) first cost and expected cost of each strategy at these covers.
    """

    pairs: pd.DataFrame
    covers: Array
    first: Array
    expected: Array

    def at(self, strategy: int, cover: float) -> tuple[float, float]:
        """First and expected cost of a strategy at a cover to draw; NaN where there is none."""
        found = np.flatnonzero(np.isclose(self.covers, cover))
        if not found.size:
            return np.nan, np.nan
        return float(self.first[strategy, found[0]]), float(self.expected[strategy, found[0]])


def find_target_costs(setting: Setting, targets: Sequence[CandidateTarget]) -> TargetCosts | None:
    """Price the targets over the stated life; None without prices."""
    cost = setting.scenario.cost
    if cost is None:
        return None
    ages = CostAges.from_setting(setting)
    # the whole map only points out candidates, which are priced from all points afterwards
    points = min(CANDIDATE_POINTS, setting.map_sample.points)
    fast = replace(setting, map_sample=replace(setting.map_sample, points=points))
    fast = replace(fast, rule=replace(setting.rule, confidence=0.0))
    _, total = DesignMap.from_setting(fast, ages, ranges=False).costs(fast, ages)
    at_life = CostAges(setting.at_life, 0, 0)
    design_map = DesignMap.from_setting(setting, at_life, ranges=False)
    covers = setting.rounded_covers()
    p, by_point = design_map.at_life(covers), design_map.epistemic_at(setting, covers)
    anything = TargetRoot(-np.inf, status=ANY, safe=-np.inf)
    free = [[anything] * len(covers) for _ in setting.plans]
    pairs: list[tuple[CandidateTarget | None, list[Option]]] = [
        (None, cheapest_pairs(setting, total, free))
    ]
    for target in targets:
        if target.life == setting.life:
            changed = setting_under(setting, target)
            roots = find_earliest(changed, p, by_point, corrected=False)
            pairs.append((target, cheapest_pairs(changed, total, roots)))
    first, expected = _strategy_costs(setting, cost, ages, covers)
    return TargetCosts(_pair_table(setting, cost, ages, pairs), covers, first, expected)


def _strategy_costs(
    setting: Setting, cost: Cost, ages: CostAges, covers: Array
) -> tuple[Array, Array]:
    """First cost and expected cost (s, d) of the strategies."""
    p = probability_by_repeat(setting.wall, covers, ages.ages, sample=setting.strategy_sample)
    repair = cost.repair * np.einsum("sad,a->sd", p.mean(axis=0), ages.weights(cost))
    first = np.array(
        [
            [
                sum(
                    first_cost(
                        setting,
                        cost,
                        Option(
                            plan.name,
                            "strategy",
                            plan,
                            setting.scenario.strategy(plan.name).follow_up,
                            float(cover),
                            setting.hours(plan),
                        ),
                    )
                )
                for cover in covers
            ]
            for plan in setting.wall.plans
        ]
    )
    return first, first + repair


def _pair_table(
    setting: Setting,
    cost: Cost,
    ages: CostAges,
    pairs: Sequence[tuple[CandidateTarget | None, list[Option]]],
) -> pd.DataFrame:
    """Price the pairs of every target exactly and keep the cheapest of each."""
    options = list({option.name: option for _, some in pairs for option in some}.values())
    by_point = None
    if setting.rule.confidence:
        by_point = option_probabilities(
            setting,
            options,
            setting.at_life,
            probability_by_epistemic_point,
            setting.epistemic_sample,
        )
    probability = option_probabilities(
        setting, options, ages.ages, probability_by_repeat, setting.strategy_sample
    )
    assert probability is not None
    mean = probability.mean(axis=0)
    first = np.array([sum(first_cost(setting, cost, option)) for option in options])
    expected = first + cost.repair * (mean @ ages.weights(cost))
    place = {option.name: k for k, option in enumerate(options)}
    rows: list[dict[str, object]] = []
    for target, some in pairs:
        row: dict[str, object] = {
            "service_life_yr": setting.life,
            "allowed_probability": np.nan if target is None else target.probability,
            "reliability_index": np.nan if target is None else target.index,
            "source": NO_TARGET if target is None else target.source,
            "currency": cost.currency,
        }
        if not some:
            rows.append({**row, "follow_up": "", "status": "no pair of the ranges meets it"})
            continue
        best = min(some, key=lambda option: float(expected[place[option.name]]))
        k = place[best.name]
        p = float(mean[k, ages.life])
        (decision,) = decide_options(
            setting if target is None else setting_under(setting, target),
            [options[k]],
            probability[:, [k], ages.life],
            None if by_point is None else by_point[:, [k], 0],
        )
        rows.append(
            {
                **row,
                "meets_target": decision.meets_target,
                "follow_up": best.follow_up.label,
                "nominal_cover_mm": best.cover,
                "strip_age_h": best.hours,
                "probability": p,
                "index_of_pair": float(index_from_probability(np.array(p))),
                "first_cost": float(first[k]),
                "cost": float(expected[k]),
                "status": "ok",
            }
        )
    return pd.DataFrame(rows).reindex(columns=columns("target-costs"))
