"""The map of a design: probabilities over follow-ups, strip ages and nominal covers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.risk.probability.intervals import plain_interval
from stripwise.risk.probability.nominal_covers import (
    probability_by_epistemic_point,
    probability_by_repeat,
)
from stripwise.risk.probability.target_roots import crossings
from stripwise.risk.probability.target_rule import index_from_probability
from stripwise.studies.design.prices import CostAges, Option, first_cost
from stripwise.studies.design.setting import Setting
from stripwise.studies.results import ReliabilityMap
from stripwise.units.formatting import duration, length
from stripwise.units.result_columns import columns

__all__ = ["DesignMap", "map_options"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class DesignMap:
    """The map: probabilities over follow-ups, strip ages and covers.

    `probability` is (r, f, t, a, c) over `covers`; `epistemic` (k, f, t, e) at the target life, over
    the covers of `Setting.epistemic_covers`; `map_columns` are the positions of the map's covers.
    """

    covers: Array
    probability: Array
    life: int
    epistemic: Array | None
    map_columns: NDArray[np.intp]

    @classmethod
    def from_setting(cls, setting: Setting, ages: CostAges, *, ranges: bool = True) -> DesignMap:
        """Compute the map, at every age that the costs need.

        `ranges` False leaves out the epistemic points, unless a confidence is demanded.
        """
        drawn = setting.rounded_covers()
        covers = np.unique(np.round(np.concatenate([setting.covers, drawn]), 9))
        wall = setting.wall_with(setting.plans_at(setting.strip_ages))
        p = probability_by_repeat(wall, covers, ages.ages, sample=setting.map_sample)
        shape = (len(p), len(setting.plans), len(setting.strip_ages))
        by_point = None
        if ranges or setting.rule.confidence:
            by_point = probability_by_epistemic_point(
                wall, setting.epistemic_covers(), setting.at_life, sample=setting.epistemic_sample
            )
        epistemic = None
        if by_point is not None:
            epistemic = by_point.reshape(len(by_point), *shape[1:], by_point.shape[-1])
        map_columns = np.searchsorted(covers, np.round(setting.covers, 9))
        return cls(
            covers,
            p.reshape(*shape, len(ages.ages), len(covers)),
            ages.life,
            epistemic,
            map_columns,
        )

    def at_life(self, covers: Array) -> Array:
        """Probability (r, f, t, c) at the target life, at some of the covers."""
        return np.asarray(
            self.probability[..., self.life, np.searchsorted(self.covers, np.round(covers, 9))]
        )

    def epistemic_at(self, setting: Setting, covers: Array) -> Array | None:
        """Probability (k, f, t, c) by epistemic point at the target life, at some of its covers."""
        if self.epistemic is None:
            return None
        at = np.searchsorted(setting.epistemic_covers(), np.round(covers, 9))
        return np.asarray(self.epistemic[..., at])

    def cells(self) -> Array:
        """Probability (r, f, t, a, c) at the covers of the map."""
        return np.asarray(self.probability[..., self.map_columns])

    def map(self, setting: Setting) -> ReliabilityMap:
        """Reliability index over the map, with the confidence that is demanded of its line."""
        p, points = self.at_life(setting.covers), setting.map_sample.points
        index, safe = setting.rule.predictive(p, points=points)
        demanded = setting.demanded_index(self.epistemic)
        if demanded is not None:
            safe = np.minimum(safe, demanded[1])
        return ReliabilityMap(
            setting.covers,
            setting.strip_ages,
            setting.labels,
            index,
            None if demanded is None else demanded[0],
            safe,
        )

    def confidence(self, setting: Setting) -> Array:
        """Share of the epistemic points that meet the target (f, t, c); NaN without any.

        Read from the cover that each point needs.
        """
        if self.epistemic is None:
            shape = (len(setting.plans), len(setting.strip_ages), len(setting.covers))
            return np.full(shape, np.nan)
        index = index_from_probability(self.epistemic)
        roots = crossings(setting.epistemic_covers(), index, setting.rule.index)
        return np.asarray(np.mean(roots[..., None] <= setting.covers, axis=0))

    def costs(self, setting: Setting, ages: CostAges) -> tuple[Array, Array]:
        """First cost and expected present cost (f, t, c); NaN without prices."""
        cost = setting.scenario.cost
        shape = (len(setting.plans), len(setting.strip_ages), len(setting.covers))
        if cost is None:
            return np.full(shape, np.nan), np.full(shape, np.nan)
        first = np.empty(shape)
        for (f, t, c), option in zip(np.ndindex(*shape), map_options(setting), strict=True):
            first[f, t, c] = sum(first_cost(setting, cost, option))
        repair = np.einsum("ftac,a->ftc", np.mean(self.cells(), axis=0), ages.weights(cost))
        return first, first + cost.repair * repair

    def table(self, setting: Setting, ages: CostAges) -> pd.DataFrame:
        """Tabulate every design point."""
        p = self.at_life(setting.covers)
        found = plain_interval(p, points=setting.map_sample.points)
        options = map_options(setting)
        return pd.DataFrame(
            {
                "nominal_cover_mm": [o.cover for o in options],
                "strip_age_h": [o.hours for o in options],
                "follow_up": [o.follow_up.label for o in options],
                "probability": found.mean.ravel(),
                "low95": found.low.ravel(),
                "high95": found.high.ravel(),
                "reliability_index": index_from_probability(found.mean).ravel(),
                "confidence": self.confidence(setting).ravel(),
                "cost": self.costs(setting, ages)[1].ravel(),
                "status": found.status.ravel(),
            }
        ).reindex(columns=columns("design"))


def map_options(setting: Setting) -> list[Option]:
    """Every design point of the map as an option, cover running fastest, then strip age."""
    plans = setting.plans_at(setting.strip_ages)
    count, units = len(setting.strip_ages), setting.scenario.units
    hours = [(duration(age), float(age)) for age in setting.strip_ages]
    covers = [(length(cover, units=units), float(cover)) for cover in setting.covers]
    return [
        Option(
            f"{plan.name}, {strip_age}, {label}",
            "design point",
            plan,
            setting.choices.follow_up[n // count],
            cover,
            age,
        )
        for n, plan in enumerate(plans)
        for strip_age, age in [hours[n % count]]
        for label, cover in covers
    ]
