"""Totals over the faces: expected numbers and areas by year, each with its two intervals.

The weights of the faces are summed by group, age and node; the tables then give the sum in every
repeat and in every shared draw. What is each face's own averages out over many and is left out.

Axes: g groups, h cohorts, x nodes, a ages, y years, d repeats or draws.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from stripwise.risk.probability.face_tables import index_of
from stripwise.risk.probability.intervals import RANGE_ENDS, point_quantile, t_interval
from stripwise.risk.probability.reliability_index import Curves
from stripwise.studies.inventory.class_tables import TOTAL_YEARS
from stripwise.studies.inventory.elements import COHORT_YEARS, SolvedClass
from stripwise.studies.inventory.inventory_plan import ALL_FACES, InventoryPlan
from stripwise.studies.inventory.part_jobs import PartResult
from stripwise.units.result_columns import columns

__all__ = ["AREA", "FACES", "PAST", "YEARS", "TotalSums", "totals_table"]

Array = NDArray[np.float64]

FACES, AREA, PAST = "equivalent_faces", "area", "faces_past_target"
"""Measures of a total."""

YEARS = (*range(11), *range(15, TOTAL_YEARS + 1, 5))
"""Years from that of the state on."""

BLOCK_SUMS = 16
"""Sums over faces of one group and age that are read at once, to take little memory."""


@dataclass(slots=True)
class TotalSums:
    """Sums over the parts, in their order.

    Attributes
    ----------
    weights
        By class: (2, g h x) faces and areas.
    past
        As `PartTotals`, over all parts.
    """

    plan: InventoryPlan
    solved: dict[int, SolvedClass]
    weights: dict[int, Array] = field(default_factory=dict)
    past: Array | None = None

    def add(self, part: PartResult) -> None:
        """Add a part."""
        groups, cohorts = len(self.plan.groups), self.plan.cohorts
        for at, (places, faces, areas) in part.weights.items():
            nodes = int(np.prod(self.solved[at].tables.index.shape[:2]))
            total = self.weights.setdefault(at, np.zeros((2, groups * cohorts * nodes)))
            total[0, places] += faces
            total[1, places] += areas
        past = part.past.astype(float)
        self.past = past if self.past is None else self.past + past


def totals_table(sums: TotalSums) -> pd.DataFrame:
    """Tabulate the totals by year, group and measure."""
    plan = sums.plan
    with_area = plan.header.has("area")
    rows = []
    for k, measure in enumerate((FACES, AREA)):
        if measure == AREA and not with_area:
            continue
        by_repeat, by_draw = _sums(sums, k)
        for g, name in enumerate([*plan.groups, ALL_FACES]):
            if g < len(plan.groups) and len(plan.groups) == 1:
                continue
            one = slice(g, g + 1) if g < len(plan.groups) else slice(None)
            rows += _rows(plan, name, measure, by_repeat[one].sum(0), by_draw[one].sum(0))
    assert sums.past is not None
    past = np.cumsum(sums.past, axis=-1)[..., list(YEARS)]
    for g, name in enumerate([*plan.groups, ALL_FACES]):
        if g < len(plan.groups) and len(plan.groups) == 1:
            continue
        one = past[g] if g < len(plan.groups) else past.sum(axis=0)
        rows += _rows(plan, name, PAST, one[:1].T, one[1:].T)
    return pd.DataFrame(rows, columns=columns("totals"))


def _rows(
    plan: InventoryPlan, group: str, measure: str, by_repeat: Array, by_draw: Array
) -> list[dict[str, object]]:
    """Return the rows of one group and measure, from sums (y, d)."""
    rows: list[dict[str, object]] = []
    start = 0.0 if plan.year is None else plan.year
    for y, year in enumerate(YEARS):
        mean, low, high = float(by_repeat[y].mean()), np.nan, np.nan
        if by_repeat.shape[1] > 1:
            mean, low, high = (float(x) for x in t_interval(by_repeat[y]))
        ends = point_quantile(by_draw[y], RANGE_ENDS) if by_draw.shape[1] > 1 else [np.nan, np.nan]
        rows.append(
            {
                "year": start + year,
                "group": group,
                "measure": measure,
                "expected": mean,
                "low95": low if np.isnan(low) else max(low, 0.0),
                "high95": high,
                "know_low": float(ends[0]),
                "know_high": float(ends[1]),
            }
        )
    return rows


def _sums(sums: TotalSums, measure: int) -> tuple[Array, Array]:
    """Return the sums of a measure (g, y, d) by repeat and by shared draw."""
    plan = sums.plan
    groups, cohorts = len(plan.groups), plan.cohorts
    by_repeat, by_draw = np.zeros(()), np.zeros(())
    starts = COHORT_YEARS * (plan.first_cohort + np.arange(cohorts))
    for at, weights in sorted(sums.weights.items()):
        tables = sums.solved[at].tables
        own = weights[measure].reshape(groups * cohorts, -1)
        there = np.flatnonzero(np.any(own != 0.0, axis=1))
        ages = starts[there % cohorts][:, np.newaxis] + np.array(YEARS, dtype=float)
        for k, (table, nodes) in enumerate(
            ((tables.repeats, tables.grid.ages), (tables.shared, tables.draw_ages))
        ):
            found = _over_ages(own[there], table, nodes, ages)
            total = np.zeros((groups, len(YEARS), found.shape[-1]))
            np.add.at(total, there // cohorts, found)
            if k == 0:
                by_repeat = by_repeat + total
            else:
                by_draw = by_draw + total
    return by_repeat, by_draw


def _over_ages(weights: Array, table: NDArray[np.float32], nodes: Array, ages: Array) -> Array:
    """Return sums (h, y, d) at ages (h, y) of faces with weights (h, x), by a table (p, c, a, d)."""
    size, draws = weights.sum(axis=1), table.shape[-1]
    flat = table.reshape(weights.shape[1], -1).astype(float)
    mean = (weights @ flat) / np.where(size == 0.0, 1.0, size)[:, np.newaxis]
    found = np.empty((*ages.shape, draws))
    for start in range(0, size.size, BLOCK_SUMS):
        own = slice(start, start + BLOCK_SUMS)
        block = np.clip(mean[own].reshape(-1, nodes.size, draws), 0.0, 1.0)
        curves = index_of(np.moveaxis(block, 1, 2).reshape(-1, nodes.size))
        curves = np.minimum.accumulate(curves, axis=-1)
        wanted = np.repeat(ages[own], draws, axis=0)
        index = Curves(nodes, curves).at_each(wanted)
        p = np.where(wanted < 0.0, 0.0, special.ndtr(-index)).reshape(-1, draws, ages.shape[1])
        found[own] = p.swapaxes(1, 2) * size[own, np.newaxis, np.newaxis]
    return found
