"""Which share each input and group has, as tidy rows per quantity and age.

Axes: r repeats, k sets, m outputs, q pairs.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.risk.probability.intervals import t_interval
from stripwise.risk.sensitivity.input_sets import RankedItem, index_status
from stripwise.risk.sensitivity.quantities_of_interest import MARGIN
from stripwise.studies.rank.convergence import SampleHistory
from stripwise.studies.rank.input_groups import RankedItems
from stripwise.units.result_columns import columns

__all__ = [
    "LIFE",
    "convergence_table",
    "index_table",
    "shapley_table",
]

Array = NDArray[np.float64]

LIFE = f"{MARGIN} over the life"
"""Indices of all ages up to the target life, each age weighted by its variance and time."""

NO_EFFECT = "undefined: the output is not finite or does not vary, or two inputs are one variable"


def index_table(
    ranked: RankedItems, sample: SampleHistory, *, strategy: str, life: float
) -> pd.DataFrame:
    """Tabulate all indices of a ranking as the columns of `sensitivity`, up to the target life [yr].

    Estimates are not clipped: a small index may come out a little negative, and so may the lower
    end of an interval.
    """
    estimates = sample.last.estimates
    reasons = ranked.reasons(estimates)
    first, total, second = (
        _IntervalTable.from_repeats(estimates.first),
        _IntervalTable.from_repeats(estimates.total),
        _IntervalTable.from_repeats(estimates.second),
    )
    rows: list[dict[str, object]] = []
    for m, (quantity, age) in enumerate(ranked.quantities.names):
        common = {
            "analysis": "uncertainty",
            "strategy": strategy,
            "quantity": quantity,
            "age_yr": age,
        }
        for item in ranked.items:
            why = item.reason or reasons[m]
            row = {**common, "input": item.input, "group": item.group}
            if why:
                rows.append({**row, "status": f"undefined: {why}"})
                continue
            k = ranked.position(item)
            rows.append({**row, **_numbers(first.at(k, m), total.at(k, m))})
        for q, (i, j) in enumerate(ranked.pairs):
            left, right = ranked.items[i], ranked.items[j]
            row = {**common, "input": left.input, "input2": right.input, "group": ""}
            if reasons[m]:
                rows.append({**row, "status": f"undefined: {reasons[m]}"})
                continue
            bounds = second.at(q, m)
            rows.append({**row, **_bounds("second", bounds), "status": index_status(bounds)})
    rows += list(_rows_over_life(ranked, sample, strategy=strategy, life=life))
    table = pd.DataFrame(rows).reindex(columns=columns("sensitivity"))
    text = ["analysis", "strategy", "quantity", "input", "input2", "group", "status"]
    table[text] = table[text].astype(object).fillna("")
    return table


def _rows_over_life(
    ranked: RankedItems, sample: SampleHistory, *, strategy: str, life: float
) -> Iterator[dict[str, object]]:
    """Sum the parts of the margin's variance over the life.

    Lamboni, Monod and Makowski, Reliab. Eng. Syst. Safety 96, 2011, and Gamboa et al., Electron. J.
    Stat. 8, 2014, sum over equal steps (recalled); here each age counts for its share of the time.
    """
    names = ranked.quantities.names
    rows = [m for m, (quantity, age) in enumerate(names) if quantity == MARGIN and age <= life]
    common = {"analysis": "uncertainty", "strategy": strategy, "quantity": LIFE, "age_yr": np.nan}
    for item in ranked.items:
        row = {**common, "input": item.input, "group": item.group}
        if item.reason or len(rows) < 2:
            why = item.reason or "fewer than two ages up to the target life"
            yield {**row, "status": f"undefined: {why}"}
            continue
        estimates, k = sample.last.estimates, ranked.position(item)
        ages = np.array([names[m][1] for m in rows])
        width = np.gradient(np.concatenate([[0.0], ages]))[1:]
        weight = estimates.variance[:, rows] * width
        weight = weight / weight.sum(axis=1, keepdims=True)
        first = np.sum(weight * estimates.first[:, k, rows], axis=1)
        total = np.sum(weight * estimates.total[:, k, rows], axis=1)
        if not np.isfinite(first).all():
            yield {**row, "status": "undefined: the margin is not finite at every age"}
            continue
        yield {
            **row,
            **_numbers(
                _IntervalTable.from_repeats(first).at(), _IntervalTable.from_repeats(total).at()
            ),
        }


Bounds = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class _IntervalTable:
    """Mean and interval of an array of estimates by repeat, worked out at once."""

    mean: Array
    low: Array
    high: Array

    @classmethod
    def from_repeats(cls, values: Array) -> _IntervalTable:
        with np.errstate(invalid="ignore"):
            return cls(*t_interval(values))

    def at(self, *place: int) -> Bounds:
        return float(self.mean[place]), float(self.low[place]), float(self.high[place])


def _numbers(first: Bounds, total: Bounds) -> dict[str, object]:
    return {
        **_bounds("first", first),
        **_bounds("total", total),
        "status": index_status(first, total),
    }


def _bounds(name: str, bounds: Bounds) -> dict[str, object]:
    mean, low, high = bounds
    return {name: mean, f"{name}_low95": low, f"{name}_high95": high}


def convergence_table(ranked: RankedItems, sample: SampleHistory, *, age: float) -> pd.DataFrame:
    """Tabulate the estimates of each sample size at the age nearest to one [yr]."""
    rows: list[dict[str, object]] = []
    for step in sample.steps:
        estimates = step.estimates
        reasons = ranked.reasons(estimates)
        first, total = (
            _IntervalTable.from_repeats(estimates.first),
            _IntervalTable.from_repeats(estimates.total),
        )
        for m in _outputs_near(ranked, age):
            quantity, at = ranked.quantities.names[m]
            for item in _defined_items(ranked):
                k = ranked.position(item)
                numbers = {} if reasons[m] else _numbers(first.at(k, m), total.at(k, m))
                rows.append(
                    {
                        "points_per_repeat": step.points,
                        "repeats": len(estimates.first),
                        "model_runs": step.runs,
                        "quantity": quantity,
                        "age_yr": at,
                        "input": item.input,
                        "group": item.group,
                        **{key: v for key, v in numbers.items() if key != "status"},
                    }
                )
    return pd.DataFrame(rows).reindex(columns=columns("convergence"))


def _outputs_near(ranked: RankedItems, age: float) -> list[int]:
    names = ranked.quantities.names
    ages = np.array([a for _, a in names])
    nearest = float(ages[np.nanargmin(np.abs(ages - age))]) if np.isfinite(ages).any() else np.nan
    return [m for m, (_, a) in enumerate(names) if a == nearest or not np.isfinite(a)]


def _defined_items(ranked: RankedItems) -> list[RankedItem]:
    return [item for item in ranked.items if not item.reason]


def shapley_table(
    ranked: RankedItems, effects: Array, *, outputs: list[int], strategy: str
) -> pd.DataFrame:
    """Tabulate Shapley effects (r, d, len(outputs)) as the columns of `shapley`, empty without outputs."""
    rows: list[dict[str, object]] = []
    names = ranked.quantities.names
    for column, m in enumerate(outputs):
        for i, item in enumerate(ranked.items[: effects.shape[1]]):
            values = effects[:, i, column]
            fine = bool(np.isfinite(values).all())
            mean, low, high = (float(x) for x in t_interval(values)) if fine else (np.nan,) * 3
            rows.append(
                {
                    "strategy": strategy,
                    "quantity": names[m][0],
                    "age_yr": names[m][1],
                    "input": item.input,
                    "group": item.group,
                    "effect": mean,
                    "low95": low,
                    "high95": high,
                    "correlated": "yes" if item.reason else "no",
                    "status": "ok" if fine else NO_EFFECT,
                }
            )
    return pd.DataFrame(rows).reindex(columns=columns("shapley"))
