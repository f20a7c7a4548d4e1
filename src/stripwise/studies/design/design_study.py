"""Which pairs of cover and strip age meet the target, and what they cost."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stripwise.scenario.model import Scenario
from stripwise.studies.case_options import with_options
from stripwise.studies.design.chosen_pair import read_choice, work_out
from stripwise.studies.design.cost_tables import find_cost_tables
from stripwise.studies.design.design_map import DesignMap
from stripwise.studies.design.design_result import DesignResult
from stripwise.studies.design.exchange_rates import exchange_rows, exchange_table
from stripwise.studies.design.explore_tables import explore_refusal, explore_tables
from stripwise.studies.design.hand_rules import rule_table
from stripwise.studies.design.prices import (
    CostAges,
)
from stripwise.studies.design.required_cover import (
    earliest_table,
    find_earliest,
    find_required_covers,
)
from stripwise.studies.design.sentences import design_verdict, design_warnings
from stripwise.studies.design.setting import Setting
from stripwise.studies.design.site_table import reference_table, site_table
from stripwise.units.software import software_used

__all__ = ["design"]

Array = NDArray[np.float64]
Progress = Callable[[str, float], None]


def design(
    scenario: Scenario,
    *,
    choose: Sequence[str] = (),
    explore: bool = False,
    points: int | None = None,
    seed: int | None = None,
    workers: int = 2,
    progress: Progress | None = None,
) -> DesignResult:
    """Weigh cover and strip age against each other.

    Parameters
    ----------
    scenario
        A scenario with [choices], as `stripwise.load` returns it; [cost] is optional.
    choose
        Pairs to work through, such as "70 mm, 36 h, none".
    points, seed
        Instead of the scenario's: points of a scrambling, a power of two, and the seed.
    explore
        Whether to compute the tables of explore.html too, the page to try pairs on.
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
        If the scenario opens no choices, or a pair cannot be read or lies outside them.
    NumericalError
        If the front of a layered face does not converge.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/pier-wall-cost.toml")
    >>> result = stripwise.design(case)
    >>> "Forms 24 h" in result.required["strategy"].tolist()
    True
    """
    scenario = with_options(scenario, points=points, seed=seed)
    report_progress = progress or (lambda _stage, _done: None)
    started = time.perf_counter()
    stages: dict[str, float] = {}

    def end_stage(stage: str) -> None:
        stages[stage] = time.perf_counter() - started - sum(stages.values())
        report_progress(stage, 1.0)

    setting = Setting.from_scenario(scenario, workers=workers)
    choices = [read_choice(text, setting) for text in choose]
    ages = CostAges.from_setting(setting)
    design_map = DesignMap.from_setting(setting, ages)
    end_stage("map")
    required_covers = find_required_covers(setting)
    required = required_covers.table(setting)
    end_stage("required cover")
    drawn = setting.rounded_covers()
    by_point = design_map.epistemic_at(setting, drawn)
    earliest_roots = find_earliest(setting, design_map.at_life(drawn), by_point)
    earliest = earliest_table(setting, earliest_roots, by_point)
    end_stage("earliest strip age")
    rates = exchange_rows(setting)
    end_stage("exchange rates")
    rules = rule_table(setting, required_covers)
    end_stage("design rules")
    site = site_table(setting)
    end_stage("strip-age table")
    cost_tables = None
    if scenario.cost is not None:
        cost_tables = find_cost_tables(
            setting,
            ages,
            design_map,
            required=required_covers,
            earliest=earliest_roots,
            cost=scenario.cost,
        )
        rates += cost_tables.break_even
        end_stage("prices")
    exchange = exchange_table(rates)
    chosen = tuple(work_out(setting, choice) for choice in choices)
    if chosen:
        end_stage("chosen pairs")
    refusal = explore_refusal(setting) if explore else ""
    tables = explore_tables(setting) if explore and not refusal else None
    if tables is not None:
        end_stage("page to try pairs on")
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
        chosen=chosen,
        explore=tables,
        explore_refusal=refusal,
    )
    return result.with_sentences(design_verdict(result), design_warnings(result))


def _run_record(setting: Setting, stages: dict[str, float]) -> dict[str, Any]:
    sampling = setting.scenario.sampling
    return {
        **software_used(),
        "seed": sampling.seed,
        "points": sampling.points,
        "repeats": sampling.repeats,
        "map_points": setting.map_sample.points,
        "strategy_points": setting.strategy_sample.points,
        "map_shape": [len(setting.plans), len(setting.strip_ages), len(setting.covers)],
        "seconds": stages,
    }
