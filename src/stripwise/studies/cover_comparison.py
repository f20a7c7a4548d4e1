"""What the surveyed cover changes in the answer of a scenario."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import pandas as pd

from stripwise.distributions.distribution import Distribution
from stripwise.risk.model.wall import COVER, MEAN_COVER_OFFSET
from stripwise.scenario.model import Scenario
from stripwise.scenario.problems import Problems
from stripwise.scenario.sections.reinforcement import mean_cover_offset, with_mean_sd_split
from stripwise.studies import result_tables
from stripwise.studies.from_scenario import build_wall, compute_curves, target_from
from stripwise.units.result_columns import columns

__all__ = ["compare_covers", "with_cover"]


def with_cover(
    scenario: Scenario, cover: Distribution, *, source: str, mean_sd: float = 0.0
) -> Scenario:
    """Return a scenario with another cover [mm], all else as it was.

    `mean_sd` is the epistemic sd of its mean, which takes the place of the scenario's; 0 for none.

    Raises
    ------
    InputError
        If the cover cannot be widened by it.
    """
    inputs = [
        dataclasses.replace(
            item, distribution=cover, source=source, kind="scatter", between_walls=0.0
        )
        if item.name == COVER
        else item
        for item in scenario.inputs
        if item.name != MEAN_COVER_OFFSET
    ]
    if mean_sd > 0.0:
        steel = [k for k, item in enumerate(inputs) if item.name.startswith("reinforcement.")]
        # where a scenario that names the file has it, so that both draw the same points
        inputs.insert(steel[-1] + 1, mean_cover_offset(mean_sd, source=source))
        options = {
            "carbonation": scenario.service.carbonation,
            "cracking": scenario.service.cracking is not None,
        }
        problems = Problems("cover survey", {})
        inputs = with_mean_sd_split(inputs, options, problems)
        problems.raise_all()
    return dataclasses.replace(scenario, inputs=tuple(inputs))


def compare_covers(
    scenario: Scenario,
    cover: Distribution,
    *,
    source: str,
    mean_sd: float = 0.0,
    workers: int = 2,
    progress: Callable[[str, float], None] | None = None,
) -> pd.DataFrame:
    """Compute every strategy at the target life with the specified and with a surveyed cover [mm].

    A row per cover ("specified", "surveyed") and strategy: cover, its mean and sd [mm], and the
    columns of `strategy_table` that bear on the target. `mean_sd` is the epistemic sd of the mean
    of the surveyed cover [mm].
    """
    target = target_from(scenario)
    shared = columns("cover/probability")[3:]  # those of the cover come first
    tables = []
    for name, case in (
        ("specified", scenario),
        ("surveyed", with_cover(scenario, cover, source=source, mean_sd=mean_sd)),
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
