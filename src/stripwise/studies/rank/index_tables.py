"""Indices as tidy rows, one per quantity, age and input or group.

Axes: r repeats, k sets, m outputs, q pairs.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.risk.probability.curves import interval
from stripwise.risk.sensitivity.quantities_of_interest import MARGIN
from stripwise.studies.rank.convergence import Sample
from stripwise.studies.rank.input_groups import DEPENDENT, Label, Labels, status_of
from stripwise.studies.result_tables import SENSITIVITY_COLUMNS

__all__ = [
    "CONVERGENCE_COLUMNS",
    "LIFE",
    "SHAPLEY_COLUMNS",
    "convergence_table",
    "index_table",
    "shapley_table",
]

Array = NDArray[np.float64]

LIFE = f"{MARGIN} over the life"
"""Indices of all ages up to the target life, each age weighted by its variance and time."""

CONVERGENCE_COLUMNS = [
    "points_per_repeat",
    "repeats",
    "model_runs",
    "quantity",
    "age_yr",
    "input",
    "group",
    "first",
    "first_low95",
    "first_high95",
    "total",
    "total_low95",
    "total_high95",
]
NO_EFFECT = "undefined: the output is not finite or does not vary, or two inputs are one variable"
SHAPLEY_COLUMNS = [
    "strategy",
    "quantity",
    "age_yr",
    "input",
    "group",
    "effect",
    "low95",
    "high95",
    "correlated",
    "status",
]


def index_table(labels: Labels, sample: Sample, *, strategy: str, life: float) -> pd.DataFrame:
    """Tabulate all indices of a ranking.

    Parameters
    ----------
    labels
        What was ranked.
    sample
        Its sample.
    strategy
        Name of the strategy.
    life
        Target life, the end of the index over the whole life [yr].

    Returns
    -------
    DataFrame of `SENSITIVITY_COLUMNS`. Estimates are not clipped: a small index may come out a
    little negative, and so may the lower end of an interval.
    """
    found = sample.last.estimates
    reasons = labels.reasons(found)
    first, total, second = _Band.of(found.first), _Band.of(found.total), _Band.of(found.second)
    rows: list[dict[str, object]] = []
    for m, (quantity, age) in enumerate(labels.quantities.names):
        common = {
            "analysis": "uncertainty",
            "strategy": strategy,
            "quantity": quantity,
            "age_yr": age,
        }
        for item in labels.items:
            why = item.reason or reasons[m]
            row = {**common, "input": item.input, "group": item.group}
            if why:
                rows.append({**row, "status": f"undefined: {why}"})
                continue
            k = labels.position(item)
            rows.append({**row, **_numbers(first.at(k, m), total.at(k, m))})
        for q, (i, j) in enumerate(labels.pairs):
            left, right = labels.items[i], labels.items[j]
            row = {**common, "input": left.input, "input2": right.input, "group": ""}
            if reasons[m]:
                rows.append({**row, "status": f"undefined: {reasons[m]}"})
                continue
            bounds = second.at(q, m)
            rows.append({**row, **_bounds("second", bounds), "status": status_of(bounds)})
    rows += list(_life_rows(labels, sample, strategy=strategy, life=life))
    table = pd.DataFrame(rows).reindex(columns=SENSITIVITY_COLUMNS)
    text = ["analysis", "strategy", "quantity", "input", "input2", "group", "status"]
    table[text] = table[text].astype(object).fillna("")
    return table


def _life_rows(
    labels: Labels, sample: Sample, *, strategy: str, life: float
) -> Iterator[dict[str, object]]:
    """Sum the parts of the margin's variance over the life.

    Lamboni, Monod and Makowski, Reliab. Eng. Syst. Safety 96, 2011, and Gamboa et al., Electron. J.
    Stat. 8, 2014, sum over equal steps (recalled); here each age counts for its share of the time.
    """
    names = labels.quantities.names
    rows = [m for m, (quantity, age) in enumerate(names) if quantity == MARGIN and age <= life]
    common = {"analysis": "uncertainty", "strategy": strategy, "quantity": LIFE, "age_yr": np.nan}
    for item in labels.items:
        row = {**common, "input": item.input, "group": item.group}
        if item.reason or len(rows) < 2:
            why = item.reason or "fewer than two ages up to the target life"
            yield {**row, "status": f"undefined: {why}"}
            continue
        found, k = sample.last.estimates, labels.position(item)
        ages = np.array([names[m][1] for m in rows])
        width = np.gradient(np.concatenate([[0.0], ages]))[1:]
        weight = found.variance[:, rows] * width
        weight = weight / weight.sum(axis=1, keepdims=True)
        first = np.sum(weight * found.first[:, k, rows], axis=1)
        total = np.sum(weight * found.total[:, k, rows], axis=1)
        if not np.isfinite(first).all():
            yield {**row, "status": "undefined: the margin is not finite at every age"}
            continue
        yield {**row, **_numbers(_Band.of(first).at(), _Band.of(total).at())}


Bounds = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class _Band:
    """Mean and interval of an array of estimates by repeat, worked out at once."""

    mean: Array
    low: Array
    high: Array

    @classmethod
    def of(cls, values: Array) -> _Band:
        with np.errstate(invalid="ignore"):
            return cls(*interval(values))

    def at(self, *place: int) -> Bounds:
        return float(self.mean[place]), float(self.low[place]), float(self.high[place])


def _numbers(first: Bounds, total: Bounds) -> dict[str, object]:
    return {
        **_bounds("first", first),
        **_bounds("total", total),
        "status": status_of(first, total),
    }


def _bounds(name: str, bounds: Bounds) -> dict[str, object]:
    mean, low, high = bounds
    return {name: mean, f"{name}_low95": low, f"{name}_high95": high}


def convergence_table(labels: Labels, sample: Sample, *, age: float) -> pd.DataFrame:
    """Tabulate the estimates of each size of the sample at the age nearest to one.

    Parameters
    ----------
    labels
        What was ranked.
    sample
        Its sample.
    age
        Age [yr].

    Returns
    -------
    DataFrame of `CONVERGENCE_COLUMNS`.
    """
    rows: list[dict[str, object]] = []
    for step in sample.steps:
        found = step.estimates
        reasons = labels.reasons(found)
        first, total = _Band.of(found.first), _Band.of(found.total)
        for m in _near(labels, age):
            quantity, at = labels.quantities.names[m]
            for item in _ranked(labels):
                k = labels.position(item)
                numbers = {} if reasons[m] else _numbers(first.at(k, m), total.at(k, m))
                rows.append(
                    {
                        "points_per_repeat": step.points,
                        "repeats": len(found.first),
                        "model_runs": step.runs,
                        "quantity": quantity,
                        "age_yr": at,
                        "input": item.input,
                        "group": item.group,
                        **{key: v for key, v in numbers.items() if key != "status"},
                    }
                )
    return pd.DataFrame(rows).reindex(columns=CONVERGENCE_COLUMNS)


def _near(labels: Labels, age: float) -> list[int]:
    names = labels.quantities.names
    ages = np.array([a for _, a in names])
    nearest = float(ages[np.nanargmin(np.abs(ages - age))]) if np.isfinite(ages).any() else np.nan
    return [m for m, (_, a) in enumerate(names) if a == nearest or not np.isfinite(a)]


def _ranked(labels: Labels) -> list[Label]:
    return [item for item in labels.items if not item.reason]


def shapley_table(
    labels: Labels, effects: Array, *, outputs: list[int], strategy: str
) -> pd.DataFrame:
    """Tabulate Shapley effects.

    Parameters
    ----------
    labels
        What was ranked.
    effects
        (r, d, len(outputs)) by repeat.
    outputs
        Positions of the outputs.
    strategy
        Name of the strategy.

    Returns
    -------
    DataFrame of `SHAPLEY_COLUMNS`, empty without outputs.
    """
    rows: list[dict[str, object]] = []
    names = labels.quantities.names
    for column, m in enumerate(outputs):
        for i, item in enumerate(labels.items[: effects.shape[1]]):
            values = effects[:, i, column]
            fine = bool(np.isfinite(values).all())
            mean, low, high = (float(x) for x in interval(values)) if fine else (np.nan,) * 3
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
                    "correlated": "yes" if item.reason == DEPENDENT else "no",
                    "status": "ok" if fine else NO_EFFECT,
                }
            )
    return pd.DataFrame(rows).reindex(columns=SHAPLEY_COLUMNS)
