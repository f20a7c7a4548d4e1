"""The answer before and after an update, as tables."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from stripwise.distributions.random_input import Input
from stripwise.risk.probability.curves import CurveSet
from stripwise.scenario.model import Scenario
from stripwise.studies import result_tables
from stripwise.studies.from_scenario import build_wall, compute_curves, target_from
from stripwise.studies.update.epistemic_scores import EpistemicDraws
from stripwise.units.result_columns import columns

__all__ = ["SCORE", "Answer", "answer_table", "answer_to", "curve_table", "learned_table"]

Array = NDArray[np.float64]
Progress = Callable[[str, float], None]

SCORE = "standard normal score"
"""Unit of an input that varies along the wall too."""

BEFORE_AND_AFTER = ("before", "after")

CURVE_COLUMNS = {
    "probability": "probability",
    "low95": "low95",
    "high95": "high95",
    "know_low": "know_low",
    "know_high": "know_high",
}
ANSWER_COLUMNS = {
    "probability_at_target": "probability",
    "low95": "low95",
    "high95": "high95",
    "know_low": "know_low",
    "know_high": "know_high",
    "confidence": "confidence",
    "meets_target": "meets_target",
    "life_at_target_yr": "life_at_target_yr",
}
"""Columns of a run by the names that they have here, before or after put behind."""


@dataclass(frozen=True, slots=True)
class Answer:
    """Curves and strategies of one case, as a run has them."""

    curves: pd.DataFrame
    strategies: pd.DataFrame
    found: CurveSet


def answer_to(case: Scenario, *, workers: int, progress: Progress | None) -> Answer:
    """Compute the curves of a case."""
    wall, target = build_wall(case), target_from(case)
    found = compute_curves(wall, case, workers=workers, progress=progress)
    return Answer(
        result_tables.curve_table(wall, found, target),
        result_tables.strategy_table(wall, found, target),
        found,
    )


def curve_table(before: Answer, after: Answer) -> pd.DataFrame:
    """Put the curves beside one another, as the columns of `updated`."""
    return _beside(before.curves, after.curves, ["strategy", "age_yr"], CURVE_COLUMNS).reindex(
        columns=columns("updated")
    )


def answer_table(before: Answer, after: Answer, *, age: float) -> pd.DataFrame:
    """Put the answers beside one another, as the columns of `answers`.

    `age` is that of the last inspection [yr], from which the remaining years count.
    """
    table = _beside(before.strategies, after.strategies, ["strategy"], ANSWER_COLUMNS)
    for when in BEFORE_AND_AFTER:
        table[f"remaining_yr_{when}"] = np.maximum(table[f"life_at_target_yr_{when}"] - age, 0.0)
    return table.reindex(columns=columns("answers"))


def _beside(
    before: pd.DataFrame, after: pd.DataFrame, keys: list[str], names: dict[str, str]
) -> pd.DataFrame:
    parts = [before[keys]]
    for when, table in zip(BEFORE_AND_AFTER, (before, after), strict=True):
        renamed = {old: f"{new}_{when}" for old, new in names.items()}
        parts.append(table[list(names)].rename(columns=renamed).reset_index(drop=True))
    return pd.concat(parts, axis=1)


def learned_table(
    items: tuple[Input, ...], draws: EpistemicDraws, shares: dict[str, float]
) -> pd.DataFrame:
    """Tabulate each epistemic input before and after, as the columns of `learned`.

    Of an input that varies along the wall too, the score between walls: 0 and 1 before. `shares` are
    those of the variance of the probability that each input explains now.
    """
    rows = []
    quantiles = (0.05, 0.5, 0.95)
    for item in items:
        score = item.epistemic_share < 1.0
        column = draws.scores[item.name] if score else draws.inputs[item.name]
        before = special.ndtri(quantiles) if score else item.distribution.quantile(quantiles)
        sd = 1.0 if score else item.distribution.sd
        rows.append(
            {
                "input": item.name,
                "label": item.label,
                "unit": SCORE if score else item.unit,
                **{
                    f"{name}_{when}": float(value)
                    for when, values in (
                        ("before", before),
                        ("after", np.quantile(column, quantiles)),
                    )
                    for name, value in zip(("p05", "p50", "p95"), values, strict=True)
                },
                "sd_ratio": float(np.std(column) / sd),
                "variance_share": shares.get(item.name, np.nan),
            }
        )
    return pd.DataFrame(rows).reindex(columns=columns("learned"))
