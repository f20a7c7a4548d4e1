"""Parts of the corridor that a command needs alone: another cover, the mean penalties."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import pandas as pd

from stripwise.distributions.distribution import Distribution
from stripwise.risk.model.wall import COVER
from stripwise.scenario.model import Scenario
from stripwise.studies import result_tables
from stripwise.studies.from_scenario import curves_of, goal_of, wall_of

__all__ = ["compare_covers", "mean_penalties", "with_cover"]

PENALTY_POINTS, PENALTY_REPEATS = 4096, 8
"""Sample for mean penalties; their error is far below what a test plan can use."""


def with_cover(scenario: Scenario, cover: Distribution, *, source: str) -> Scenario:
    """Return a scenario with another cover.

    Parameters
    ----------
    scenario
        A scenario.
    cover
        The cover [mm].
    source
        Where it comes from.

    Returns
    -------
    The scenario, all else as it was.
    """
    inputs = tuple(
        dataclasses.replace(item, distribution=cover, source=source) if item.name == COVER else item
        for item in scenario.inputs
    )
    return dataclasses.replace(scenario, inputs=inputs)


def compare_covers(
    scenario: Scenario,
    cover: Distribution,
    *,
    source: str,
    workers: int = 2,
    progress: Callable[[str, float], None] | None = None,
) -> pd.DataFrame:
    """Compute every strategy at the target life with the specified and with the surveyed cover.

    Parameters
    ----------
    scenario
        The scenario; its cover is the specified one.
    cover
        The surveyed cover [mm].
    source
        Where it comes from.
    workers
        Threads; the results do not depend on it.
    progress
        Called with a stage and the share done.

    Returns
    -------
    A row per cover ("specified", "surveyed") and strategy: cover, cover_mean_mm, cover_sd_mm, and
    the columns strategy, probability_at_target, low95, high95, know_low, know_high,
    life_at_target_yr, meets_target of `stripwise.studies.result_tables.strategy_table`.
    """
    goal = goal_of(scenario)
    found = []
    for name, case in (
        ("specified", scenario),
        ("surveyed", with_cover(scenario, cover, source=source)),
    ):
        wall = wall_of(case)
        curves = curves_of(wall, case, workers=workers, progress=progress)
        law = wall.input(COVER).distribution
        table = result_tables.strategy_table(wall, curves, goal)[COLUMNS]
        table.insert(0, "cover", name)
        table.insert(1, "cover_mean_mm", law.mean)
        table.insert(2, "cover_sd_mm", law.sd)
        found.append(table)
    return pd.concat(found, ignore_index=True)


COLUMNS = [
    "strategy",
    "probability_at_target",
    "low95",
    "high95",
    "know_low",
    "know_high",
    "life_at_target_yr",
    "meets_target",
]


def mean_penalties(scenario: Scenario) -> dict[str, float]:
    """Return the mean penalty factor of every strategy.

    Parameters
    ----------
    scenario
        A scenario.

    Returns
    -------
    Mean of k_c by the name of the strategy.
    """
    sampling = dataclasses.replace(
        scenario.sampling, points=PENALTY_POINTS, repeats=PENALTY_REPEATS
    )
    small = dataclasses.replace(scenario, sampling=sampling)
    curves = curves_of(wall_of(small), small, workers=1, progress=None)
    names = (strategy.name for strategy in scenario.strategies)
    return {name: float(mean) for name, mean in zip(names, curves.penalty_mean, strict=True)}
