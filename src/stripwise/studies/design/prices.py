"""What options cost: the first build and the repairs to be expected."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.risk.model.wall import Plan
from stripwise.risk.probability.expected_cost import cost_ages, repair_cost_weights
from stripwise.risk.probability.integral import Integral
from stripwise.risk.probability.intervals import (
    RANGE_ENDS,
    point_quantile,
    quantile_by_scrambling,
    t_interval,
)
from stripwise.risk.probability.nominal_covers import (
    SamplingOptions,
    probability_by_epistemic_point,
    probability_by_repeat,
)
from stripwise.risk.probability.target_rule import index_from_probability
from stripwise.scenario.model import Cost, FollowUp
from stripwise.studies.decision import Decision, decide_sample, grow_until_decided
from stripwise.studies.design.setting import Setting
from stripwise.studies.from_scenario import MOST_GROWTH, largest_sample
from stripwise.units.result_columns import columns

__all__ = [
    "CostAges",
    "Option",
    "PricedOptions",
    "decide_options",
    "first_cost",
    "option_probabilities",
    "price_options",
]

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
    decisions
        o answers by the decision rule.
    """

    options: tuple[Option, ...]
    probability: Array
    epistemic: Array | None
    first: Array
    decisions: tuple[Decision, ...]

    def part(self, rows: range) -> PricedOptions:
        """Return some options that stand together."""
        some = slice(rows.start, rows.stop)
        by_point = None if self.epistemic is None else self.epistemic[:, some]
        return PricedOptions(
            self.options[some],
            self.probability[:, some],
            by_point,
            self.first[some],
            self.decisions[some],
        )

    def table(self, setting: Setting, ages: CostAges, cost: Cost) -> pd.DataFrame:
        """Tabulate the options as the columns of `cost`; the intervals are of the present cost."""
        weights = ages.weights(cost)
        rows = []
        for o, option in enumerate(self.options):
            forms, after, cover = (float(x) for x in self.first[o])
            first = forms + after + cover
            repair, low, high = (
                float(x) for x in t_interval(cost.repair * (self.probability[:, o] @ weights))
            )
            epistemic_bounds = (np.nan, np.nan)
            if self.epistemic is not None:
                each = first + cost.repair * (self.epistemic[:, o] @ weights)
                epistemic_bounds = tuple(point_quantile(each, RANGE_ENDS))
            p = float(np.mean(self.probability[:, o, ages.life]))
            rows.append(
                {
                    "option": option.name,
                    "kind": option.kind,
                    "follow_up": option.follow_up.label,
                    "nominal_cover_mm": option.cover,
                    "strip_age_h": option.hours,
                    "probability": p,
                    "reliability_index": float(index_from_probability(np.array(p))),
                    "meets_target": self.decisions[o].meets_target,
                    "confidence": self.decisions[o].confidence,
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
    p = option_probabilities(
        setting, options, ages.ages, probability_by_repeat, setting.strategy_sample
    )
    by_point = option_probabilities(
        setting, options, ages.ages, probability_by_epistemic_point, setting.epistemic_sample
    )
    assert p is not None
    first = np.array([first_cost(setting, cost, option) for option in options])
    at_life = None if by_point is None else by_point[..., ages.life]
    decisions = decide_options(setting, options, p[..., ages.life], at_life)
    return PricedOptions(tuple(options), p, by_point, first, decisions)


def option_probabilities(
    setting: Setting,
    options: Sequence[Option],
    ages: Array,
    compute: Callable[..., Array | None],
    sample: SamplingOptions,
) -> Array | None:
    """Compute P (r, o, a) of options by repeat or by epistemic point."""
    plans = tuple(dict.fromkeys(option.plan for option in options))
    covers = np.unique([option.cover for option in options])
    p = compute(setting.wall_with(plans), covers, ages, sample=sample)
    if p is None:
        return None
    places = [(plans.index(o.plan), int(np.searchsorted(covers, o.cover))) for o in options]
    return np.stack([p[:, i, :, c] for i, c in places], axis=1)


def decide_options(
    setting: Setting, options: Sequence[Option], p: Array, by_point: Array | None
) -> tuple[Decision, ...]:
    """Decide on options by P (r, o) at the target life, with more points where these leave it open."""
    target, sample, rule = setting.scenario.target, setting.strategy_sample, setting.rule
    most = min(MOST_GROWTH * sample.points, largest_sample(setting.wall))

    def compute(points: int, still: NDArray[np.int_]) -> Array:
        some, larger = [options[i] for i in still], replace(sample, points=points)
        more = option_probabilities(setting, some, setting.at_life, probability_by_repeat, larger)
        assert more is not None
        return np.asarray(more[..., 0])

    found, points = grow_until_decided(
        p, compute, allowed=target.probability, points=sample.points, most=most
    )
    demanded = None
    if by_point is not None and rule.confidence:
        each = by_point.reshape(rule.scramblings, -1, len(options))
        demanded = quantile_by_scrambling(each, rule.confidence)
    return decide_sample(
        found,
        allowed=target.probability,
        points=points,
        confidence=None if by_point is None else np.mean(by_point <= target.probability, axis=0),
        demanded=demanded,
    )
