"""What options cost: the first build and the repairs to be expected."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.risk.model.wall import Plan
from stripwise.risk.probability.expected_cost import cost_ages, repair_cost_weights
from stripwise.risk.probability.integral import Integral
from stripwise.risk.probability.intervals import t_interval
from stripwise.risk.probability.nominal_covers import (
    probability_by_epistemic_point,
    probability_by_repeat,
)
from stripwise.risk.probability.target_roots import index_from_probability
from stripwise.scenario.model import Cost, FollowUp
from stripwise.studies.design.setting import Setting
from stripwise.units.result_columns import columns

__all__ = ["CostAges", "Option", "PricedOptions", "first_cost", "price_options"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class CostAges:
    """Ages at which the probability is computed, and what the cost needs of them.

    Attributes
    ----------
    ages
        (a,) rising ages [yr].
    life
        Position of the target life among them.
    within_cost_horizon
        How many of them lie within the horizon of the costs; 0 without prices.
    """

    ages: Array
    life: int
    within_cost_horizon: int

    @classmethod
    def from_setting(cls, setting: Setting) -> CostAges:
        """Choose the ages of a design; the target life alone without prices."""
        cost = setting.scenario.cost
        if cost is None:
            return cls(setting.at_life, 0, 0)
        integral, _ = Integral.from_wall(setting.wall, prefer_cover=True)
        special = [setting.life]
        if np.isfinite(setting.scenario.ageing_ends):
            special.append(setting.scenario.ageing_ends)
        nodes = cost_ages(cost.horizon, exact=not integral.name, special=special)
        ages = np.union1d(nodes, [setting.life])
        return cls(
            ages,
            int(np.searchsorted(ages, setting.life)),
            int(np.searchsorted(ages, cost.horizon, side="right")),
        )

    def weights(self, cost: Cost, rate: float | None = None) -> Array:
        """Weights (a,) on the probability that give the present cost of one repair of price 1."""
        rate = cost.rate if rate is None else rate
        cost_weights = repair_cost_weights(
            self.ages[: self.within_cost_horizon],
            cost.horizon,
            rate=rate,
            instalments=cost.instalments,
        )
        return np.concatenate([cost_weights, np.zeros(len(self.ages) - self.within_cost_horizon)])


@dataclass(frozen=True, slots=True)
class Option:
    """One way to build: a strategy and a cover.

    Attributes
    ----------
    name, kind
        Words for the table.
    plan
        How it is stripped and cured.
    follow_up
        Curing afterwards, for its price.
    cover
        Nominal cover [mm].
    hours
        Strip age [h].
    """

    name: str
    kind: str
    plan: Plan
    follow_up: FollowUp
    cover: float
    hours: float


@dataclass(frozen=True, slots=True)
class PricedOptions:
    """Options with their probabilities over age.

    Attributes
    ----------
    options
        o options.
    probability
        (r, o, a) probability by repeat.
    epistemic
        (k, o, a) probability by epistemic point, or None.
    first
        (o, 3) price of forms, follow-up and cover per m2.
    """

    options: tuple[Option, ...]
    probability: Array
    epistemic: Array | None
    first: Array

    def table(self, setting: Setting, ages: CostAges, cost: Cost) -> pd.DataFrame:
        """Tabulate the options as the columns of `cost`; the intervals are of the present cost."""
        weights = ages.weights(cost)
        rows = []
        allowed = setting.scenario.target.probability
        for o, option in enumerate(self.options):
            forms, after, cover = (float(x) for x in self.first[o])
            first = forms + after + cover
            repair, low, high = (
                float(x) for x in t_interval(cost.repair * (self.probability[:, o] @ weights))
            )
            epistemic_bounds = (np.nan, np.nan)
            if self.epistemic is not None:
                each = first + cost.repair * (self.epistemic[:, o] @ weights)
                epistemic_bounds = float(np.quantile(each, 0.025)), float(np.quantile(each, 0.975))
            p, least, most = (float(x) for x in t_interval(self.probability[:, o, ages.life]))
            meets = "yes" if most <= allowed else "no" if least > allowed else "undecided"
            rows.append(
                {
                    "option": option.name,
                    "kind": option.kind,
                    "follow_up": option.follow_up.label,
                    "nominal_cover_mm": option.cover,
                    "strip_age_h": option.hours,
                    "probability": p,
                    "reliability_index": float(index_from_probability(np.array(p))),
                    "met_on_average": meets,
                    "forms": forms,
                    "follow_up_curing": after,
                    "cover": cover,
                    "first_cost": first,
                    "repair": repair,
                    "cost": first + repair,
                    "low95": first + max(low, 0.0),
                    "high95": first + high,
                    "know_low": epistemic_bounds[0],
                    "know_high": epistemic_bounds[1],
                    "currency": cost.currency,
                }
            )
        return pd.DataFrame(rows, columns=columns("cost"))


def first_cost(setting: Setting, cost: Cost, option: Option) -> tuple[float, float, float]:
    """Price of the first build per m2: forms, follow-up, cover beyond the lowest of the range."""
    flat, hourly = cost.follow_up.get(option.follow_up.method, (0.0, 0.0))
    return (
        cost.forms * option.hours,
        flat + hourly * option.follow_up.duration_h,
        cost.cover * (option.cover - float(setting.covers[0])),
    )


def price_options(setting: Setting, options: Sequence[Option], ages: CostAges) -> PricedOptions:
    """Compute the probabilities of options over age, from all points of the scenario."""
    cost = setting.scenario.cost
    assert cost is not None
    plans = tuple(dict.fromkeys(option.plan for option in options))
    covers = np.unique([option.cover for option in options])
    places = [(plans.index(o.plan), int(np.searchsorted(covers, o.cover))) for o in options]

    def pick(p: Array | None) -> Array | None:
        return None if p is None else np.stack([p[:, i, :, c] for i, c in places], axis=1)

    wall = setting.wall_with(plans)
    p = pick(probability_by_repeat(wall, covers, ages.ages, sample=setting.strategy_sample))
    by_point = pick(
        probability_by_epistemic_point(wall, covers, ages.ages, sample=setting.epistemic_sample)
    )
    assert p is not None
    first = np.array([first_cost(setting, cost, option) for option in options])
    return PricedOptions(tuple(options), p, by_point, first)
