"""What the surveyed cover changes in the answer of a scenario."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import pandas as pd

from stripwise.distributions.distribution import Distribution
from stripwise.risk.model.wall import COVER
from stripwise.scenario.model import Scenario
from stripwise.studies import result_tables
from stripwise.studies.from_scenario import build_wall, compute_curves, target_from
from stripwise.units.result_columns import columns

__all__ = ["compare_covers", "with_cover"]


def with_cover(scenario: Scenario, cover: Distribution, *, source: str) -> Scenario:
    """Return a scenario with another cover [mm], all else as it was."""
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
    """Compute every strategy at the target life with the specified and with a surveyed cover [mm].

    A row per cover ("specified", "surveyed") and strategy: cover, its mean and sd [mm], and the
    columns of `strategy_table` that bear on the target.
    """
    target = target_from(scenario)
    shared = columns("cover/probability")[3:]  # those of the cover come first
    tables = []
    for name, case in (
        ("specified", scenario),
        ("surveyed", with_cover(scenario, cover, source=source)),
    ):
        wall = build_wall(case)
        curves = compute_curves(wall, case, workers=workers, progress=progress)
        law = wall.input(COVER).distribution
        table = result_tables.strategy_table(wall, curves, target)[shared]
        table.insert(0, "cover", name)
        table.insert(1, "cover_mean_mm", law.mean)
        table.insert(2, "cover_sd_mm", law.sd)
        tables.append(table)
    return pd.concat(tables, ignore_index=True)
