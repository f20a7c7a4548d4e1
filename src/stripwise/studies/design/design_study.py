"""From a scenario to its design: map, roots, rules, prices, sentences."""

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

from stripwise.risk.probability.curves import interval
from stripwise.risk.probability.nominal_covers import by_knowledge, by_repeat
from stripwise.risk.probability.target_roots import NEVER, index_of_map
from stripwise.scenario.model import Cost, Scenario
from stripwise.studies.design.break_even import break_even_rows, choice_table, dominated
from stripwise.studies.design.design_result import DESIGN_COLUMNS, PARETO_COLUMNS, DesignResult
from stripwise.studies.design.exchange_rates import exchange_rows, exchange_table
from stripwise.studies.design.hand_rules import rule_table
from stripwise.studies.design.prices import Ages, Option, Priced, first_cost, price
from stripwise.studies.design.required_cover import Needs, earliest_table, needs_of
from stripwise.studies.design.sentences import design_verdict, design_warnings
from stripwise.studies.design.setting import Setting
from stripwise.studies.design.site_table import reference_table, site_table
from stripwise.studies.results import ReliabilityMap

__all__ = ["design"]

Array = NDArray[np.float64]
Progress = Callable[[str, float], None]


@dataclass(frozen=True, slots=True)
class _Money:
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
    tell = progress or (lambda _stage, _done: None)
    started = time.perf_counter()
    stages: dict[str, float] = {}

    def mark(stage: str) -> None:
        stages[stage] = time.perf_counter() - started - sum(stages.values())
        tell(stage, 1.0)

    setting = Setting.of(scenario, workers=workers)
    ages = Ages.of(setting)
    chart = _Chart.of(setting, ages)
    mark("map")
    needs = needs_of(setting)
    required = needs.table(setting)
    mark("required cover")
    earliest = earliest_table(setting, chart.at_life(setting.drawn_covers()), chart.doubted)
    mark("earliest strip age")
    rates = exchange_rows(setting)
    mark("exchange rates")
    rules = rule_table(setting, needs)
    mark("design rules")
    site = site_table(setting)
    mark("strip-age table")
    money = None
    if scenario.cost is not None:
        money = _money(setting, ages, chart, needs, scenario.cost)
        rates += money.break_even
        mark("prices")
    exchange = exchange_table(rates)
    result = DesignResult(
        scenario=scenario,
        design=chart.table(setting, ages),
        required=required,
        earliest=earliest,
        exchange=exchange,
        rules=rules,
        strip_ages=site,
        references=reference_table(scenario.curing.temperature),
        cost=None if money is None else money.cost,
        pareto=None if money is None else money.pareto,
        choice=None if money is None else money.choice,
        reliability_map=chart.map(setting),
        verdict=(),
        warnings=(),
        run=_record(setting, stages),
    )
    return result.with_words(design_verdict(result), design_warnings(result))


@dataclass(frozen=True, slots=True)
class _Chart:
    """The map: probabilities over follow-ups, strip ages and covers.

    `p` is (r, f, t, a, c) over `covers`; `doubted` (k, f, t, d) over the drawn covers at the
    target life.
    """

    covers: Array
    p: Array
    life: int
    doubted: Array | None
    on_map: NDArray[np.intp]

    @classmethod
    def of(cls, setting: Setting, ages: Ages) -> _Chart:
        drawn = setting.drawn_covers()
        covers = np.unique(np.round(np.concatenate([setting.covers, drawn]), 9))
        wall = setting.wall_with(setting.every(setting.strip_ages))
        p = by_repeat(wall, covers, ages.ages, sample=setting.coarse)
        shape = (len(p), len(setting.plans), len(setting.strip_ages))
        known = by_knowledge(wall, drawn, setting.at_life, sample=setting.doubt)
        doubted = None
        if known is not None:
            doubted = known.reshape(len(known), *shape[1:], len(drawn))
        on_map = np.searchsorted(covers, np.round(setting.covers, 9))
        return cls(
            covers, p.reshape(*shape, len(ages.ages), len(covers)), ages.life, doubted, on_map
        )

    def at_life(self, covers: Array) -> Array:
        """Probability (r, f, t, c) at the target life, at some of the covers."""
        return np.asarray(self.p[..., self.life, np.searchsorted(self.covers, np.round(covers, 9))])

    def cells(self) -> Array:
        """Probability (r, f, t, a, c) at the covers of the map."""
        return np.asarray(self.p[..., self.on_map])

    def map(self, setting: Setting) -> ReliabilityMap:
        """Reliability index over the map."""
        index = index_of_map(np.mean(self.at_life(setting.covers), axis=0))
        return ReliabilityMap(setting.covers, setting.strip_ages, setting.labels, index)

    def costs(self, setting: Setting, ages: Ages) -> tuple[Array, Array]:
        """First cost and expected present cost (f, t, c); NaN without prices."""
        cost = setting.scenario.cost
        shape = (len(setting.plans), len(setting.strip_ages), len(setting.covers))
        if cost is None:
            return np.full(shape, np.nan), np.full(shape, np.nan)
        first = np.empty(shape)
        for (f, t, c), option in zip(np.ndindex(*shape), options_of(setting), strict=True):
            first[f, t, c] = sum(first_cost(setting, cost, option))
        repair = np.einsum("ftac,a->ftc", np.mean(self.cells(), axis=0), ages.weights(cost))
        return first, first + cost.repair * repair

    def table(self, setting: Setting, ages: Ages) -> pd.DataFrame:
        """Tabulate every design point."""
        p = self.at_life(setting.covers)
        mean, low, high = interval(p)
        options = options_of(setting)
        return pd.DataFrame(
            {
                "cover_mm": [setting.nominal(o.cover) for o in options],
                "strip_age_h": [o.hours for o in options],
                "follow_up": [o.follow_up.label for o in options],
                "probability": mean.ravel(),
                "low95": np.clip(low, 0.0, 1.0).ravel(),
                "high95": np.clip(high, 0.0, 1.0).ravel(),
                "reliability_index": index_of_map(mean).ravel(),
                "cost": self.costs(setting, ages)[1].ravel(),
            }
        )[DESIGN_COLUMNS]


def options_of(setting: Setting) -> list[Option]:
    """Every design point of the map as an option, cover running fastest, then strip age."""
    plans = setting.every(setting.strip_ages)
    count = len(setting.strip_ages)
    return [
        Option(
            f"{plan.name}, {hours:.4g} h, {cover:.4g} mm",
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


def _money(setting: Setting, ages: Ages, chart: _Chart, needs: Needs, cost: Cost) -> _Money:
    first, total = chart.costs(setting, ages)
    points = options_of(setting)
    own = [
        Option(
            plan.name,
            "strategy",
            plan,
            setting.scenario.strategy(plan.name).follow_up,
            setting.mean_cover,
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
            setting.drawn(setting.nominal(max(f.value, setting.covers[0])))
            + setting.scenario.cover_bias,
            o.hours,
        )
        for o, f in zip(own, needs.found, strict=True)
        if f.status != NEVER
    ]
    best = _cheapest(setting, points, total, chart)
    priced = price(setting, [*own, *drawn, *best], ages)
    table = priced.table(setting, ages, cost)
    chosen = _part(priced, range(len(own), len(own) + len(drawn)) if drawn else range(len(own)))
    mean = np.mean(chart.at_life(setting.covers), axis=0)
    pareto = pd.concat(
        [
            pd.DataFrame(
                {
                    "kind": "design point",
                    "option": [o.name for o in points],
                    "follow_up": [o.follow_up.label for o in points],
                    "cover_mm": [setting.nominal(o.cover) for o in points],
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
    return _Money(
        cost=table,
        pareto=pareto[PARETO_COLUMNS],
        choice=choice_table(chosen, ages, cost),
        break_even=break_even_rows(setting, ages, cost),
    )


def _part(priced: Priced, rows: range) -> Priced:
    known = None if priced.known is None else priced.known[:, rows.start : rows.stop]
    part = slice(rows.start, rows.stop)
    return Priced(priced.options[part], priced.p[:, part], known, priced.first[part])


def _cheapest(setting: Setting, points: list[Option], total: Array, chart: _Chart) -> list[Option]:
    """Cheapest design point of each follow-up that surely meets the target."""
    _, _, high = interval(chart.at_life(setting.covers))
    meets = high <= setting.scenario.target.probability
    found = []
    for f in range(len(setting.plans)):
        if not meets[f].any():
            continue
        size = total[f].size
        n = f * size + int(np.argmin(np.where(meets[f], total[f], np.inf)))
        o = points[n]
        found.append(Option(o.name, "cheapest point", o.plan, o.follow_up, o.cover, o.hours))
    return found


def _record(setting: Setting, stages: dict[str, float]) -> dict[str, Any]:
    sampling = setting.scenario.sampling
    return {
        "versions": {
            name: version(name) for name in ("stripwise", "numpy", "scipy", "pandas", "matplotlib")
        },
        "python": platform.python_version(),
        "seed": sampling.seed,
        "points": sampling.points,
        "repeats": sampling.repeats,
        "map_points": setting.coarse.points,
        "strategy_points": setting.full.points,
        "map_shape": [len(setting.plans), len(setting.strip_ages), len(setting.covers)],
        "seconds": stages,
    }
