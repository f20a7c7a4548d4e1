"""Which pairs of cover and strip age meet the target, and what they cost."""

from __future__ import annotations

import platform
import time
from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import version
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.risk.probability.intervals import t_interval
from stripwise.risk.probability.nominal_covers import (
    probability_by_epistemic_point,
    probability_by_repeat,
)
from stripwise.risk.probability.target_roots import NEVER, index_from_probability
from stripwise.scenario.model import Cost, Scenario
from stripwise.studies.design.break_even import break_even_rows, choice_table, dominated
from stripwise.studies.design.design_result import DesignResult
from stripwise.studies.design.exchange_rates import exchange_rows, exchange_table
from stripwise.studies.design.hand_rules import rule_table
from stripwise.studies.design.prices import (
    CostAges,
    Option,
    PricedOptions,
    first_cost,
    price_options,
)
from stripwise.studies.design.required_cover import (
    RequiredCovers,
    earliest_table,
    find_required_covers,
)
from stripwise.studies.design.sentences import design_verdict, design_warnings
from stripwise.studies.design.setting import Setting
from stripwise.studies.design.site_table import reference_table, site_table
from stripwise.studies.results import ReliabilityMap
from stripwise.units.formatting import duration, length
from stripwise.units.result_columns import columns

__all__ = ["design"]

Array = NDArray[np.float64]
Progress = Callable[[str, float], None]


@dataclass(frozen=True, slots=True)
class _CostTables:
    """Everything that needs prices."""

    cost: pd.DataFrame
    pareto: pd.DataFrame
    choice: pd.DataFrame
    break_even: list[dict[str, object]]


def design(
    scenario: Scenario, *, workers: int = 2, progress: Progress | None = None
) -> DesignResult:
    """Weigh cover and strip age against each other.

    Parameters
    ----------
    scenario
        A scenario with [choices], as `stripwise.load` returns it; [cost] is optional.
    workers
        Threads; the results do not depend on it.
    progress
        Called with the name of a stage and the share of it that is done, in [0, 1].

    Returns
    -------
    The `DesignResult`.

    Raises
    ------
    InputError
        If the scenario opens no choices.
    NumericalError
        If the front of a layered face does not converge.
    """
    report_progress = progress or (lambda _stage, _done: None)
    started = time.perf_counter()
    stages: dict[str, float] = {}

    def end_stage(stage: str) -> None:
        stages[stage] = time.perf_counter() - started - sum(stages.values())
        report_progress(stage, 1.0)

    setting = Setting.from_scenario(scenario, workers=workers)
    ages = CostAges.from_setting(setting)
    design_map = _DesignMap.from_setting(setting, ages)
    end_stage("map")
    required_covers = find_required_covers(setting)
    required = required_covers.table(setting)
    end_stage("required cover")
    earliest = earliest_table(
        setting, design_map.at_life(setting.rounded_covers()), design_map.epistemic
    )
    end_stage("earliest strip age")
    rates = exchange_rows(setting)
    end_stage("exchange rates")
    rules = rule_table(setting, required_covers)
    end_stage("design rules")
    site = site_table(setting)
    end_stage("strip-age table")
    cost_tables = None
    if scenario.cost is not None:
        cost_tables = _cost_tables(setting, ages, design_map, required_covers, scenario.cost)
        rates += cost_tables.break_even
        end_stage("prices")
    exchange = exchange_table(rates)
    result = DesignResult(
        scenario=scenario,
        design=design_map.table(setting, ages),
        required=required,
        earliest=earliest,
        exchange=exchange,
        rules=rules,
        strip_ages=site,
        references=reference_table(scenario.curing.temperature),
        cost=None if cost_tables is None else cost_tables.cost,
        pareto=None if cost_tables is None else cost_tables.pareto,
        choice=None if cost_tables is None else cost_tables.choice,
        reliability_map=design_map.map(setting),
        verdict=(),
        warnings=(),
        run=_run_record(setting, stages),
    )
    return result.with_sentences(design_verdict(result), design_warnings(result))


@dataclass(frozen=True, slots=True)
class _DesignMap:
    """The map: probabilities over follow-ups, strip ages and covers.

    `probability` is (r, f, t, a, c) over `covers`; `epistemic` (k, f, t, d) over the rounded covers
    at the target life; `map_columns` are the positions of the map's covers.
    """

    covers: Array
    probability: Array
    life: int
    epistemic: Array | None
    map_columns: NDArray[np.intp]

    @classmethod
    def from_setting(cls, setting: Setting, ages: CostAges) -> _DesignMap:
        drawn = setting.rounded_covers()
        covers = np.unique(np.round(np.concatenate([setting.covers, drawn]), 9))
        wall = setting.wall_with(setting.plans_at(setting.strip_ages))
        p = probability_by_repeat(wall, covers, ages.ages, sample=setting.map_sample)
        shape = (len(p), len(setting.plans), len(setting.strip_ages))
        by_point = probability_by_epistemic_point(
            wall, drawn, setting.at_life, sample=setting.epistemic_sample
        )
        epistemic = None
        if by_point is not None:
            epistemic = by_point.reshape(len(by_point), *shape[1:], len(drawn))
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

    def cells(self) -> Array:
        """Probability (r, f, t, a, c) at the covers of the map."""
        return np.asarray(self.probability[..., self.map_columns])

    def map(self, setting: Setting) -> ReliabilityMap:
        """Reliability index over the map."""
        index = index_from_probability(np.mean(self.at_life(setting.covers), axis=0))
        return ReliabilityMap(setting.covers, setting.strip_ages, setting.labels, index)

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
        mean, low, high = t_interval(p)
        options = map_options(setting)
        return pd.DataFrame(
            {
                "nominal_cover_mm": [o.cover for o in options],
                "strip_age_h": [o.hours for o in options],
                "follow_up": [o.follow_up.label for o in options],
                "probability": mean.ravel(),
                "low95": np.clip(low, 0.0, 1.0).ravel(),
                "high95": np.clip(high, 0.0, 1.0).ravel(),
                "reliability_index": index_from_probability(mean).ravel(),
                "cost": self.costs(setting, ages)[1].ravel(),
            }
        )[columns("design")]


def map_options(setting: Setting) -> list[Option]:
    """Every design point of the map as an option, cover running fastest, then strip age."""
    plans = setting.plans_at(setting.strip_ages)
    count, units = len(setting.strip_ages), setting.scenario.units
    return [
        Option(
            f"{plan.name}, {duration(hours)}, {length(cover, units=units)}",
            "design point",
            plan,
            setting.choices.follow_up[n // count],
            float(cover),
            float(hours),
        )
        for n, plan in enumerate(plans)
        for hours in [setting.strip_ages[n % count]]
        for cover in setting.covers
    ]


def _cost_tables(
    setting: Setting,
    ages: CostAges,
    design_map: _DesignMap,
    required_covers: RequiredCovers,
    cost: Cost,
) -> _CostTables:
    first, total = design_map.costs(setting, ages)
    points = map_options(setting)
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
        Option(
            o.name,
            "strategy at drawn cover",
            o.plan,
            o.follow_up,
            setting.rounded_up(max(f.value, float(setting.covers[0]))),
            o.hours,
        )
        for o, f in zip(strategies, required_covers.in_range, strict=True)
        if f.status != NEVER
    ]
    best = _cheapest(setting, points, total, design_map)
    priced = price_options(setting, [*strategies, *drawn, *best], ages)
    table = priced.table(setting, ages, cost)
    chosen = _subset(
        priced,
        range(len(strategies), len(strategies) + len(drawn)) if drawn else range(len(strategies)),
    )
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
            table.loc[table["kind"] != "cheapest point"],
        ],
        ignore_index=True,
    )
    pareto["dominated"] = dominated(
        pareto["first_cost"].to_numpy(dtype=float), pareto["probability"].to_numpy(dtype=float)
    )
    return _CostTables(
        cost=table,
        pareto=pareto[columns("pareto")],
        choice=choice_table(chosen, ages, cost),
        break_even=break_even_rows(setting, ages, cost),
    )


def _subset(priced: PricedOptions, rows: range) -> PricedOptions:
    by_point = None if priced.epistemic is None else priced.epistemic[:, rows.start : rows.stop]
    part = slice(rows.start, rows.stop)
    return PricedOptions(
        priced.options[part], priced.probability[:, part], by_point, priced.first[part]
    )


def _cheapest(
    setting: Setting, points: list[Option], total: Array, design_map: _DesignMap
) -> list[Option]:
    """Cheapest design point of each follow-up that surely meets the target."""
    _, _, high = t_interval(design_map.at_life(setting.covers))
    meets = high <= setting.scenario.target.probability
    cheapest = []
    for f in range(len(setting.plans)):
        if not meets[f].any():
            continue
        size = total[f].size
        n = f * size + int(np.argmin(np.where(meets[f], total[f], np.inf)))
        o = points[n]
        cheapest.append(Option(o.name, "cheapest point", o.plan, o.follow_up, o.cover, o.hours))
    return cheapest


def _run_record(setting: Setting, stages: dict[str, float]) -> dict[str, Any]:
    sampling = setting.scenario.sampling
    return {
        "versions": {
            name: version(name) for name in ("stripwise", "numpy", "scipy", "pandas", "matplotlib")
        },
        "python": platform.python_version(),
        "seed": sampling.seed,
        "points": sampling.points,
        "repeats": sampling.repeats,
        "map_points": setting.map_sample.points,
        "strategy_points": setting.strategy_sample.points,
        "map_shape": [len(setting.plans), len(setting.strip_ages), len(setting.covers)],
        "seconds": stages,
    }
