"""What the curves and indices are as tidy tables, one row per strategy and age or per input."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from stripwise.risk.model.wall import Wall
from stripwise.risk.probability.curves import CurveSet, t_interval
from stripwise.risk.probability.life_ratio import life_ratio_interval
from stripwise.risk.probability.reliability_index import Curves
from stripwise.risk.sensitivity.choice_variance import PAIRS, ChoiceIndices
from stripwise.risk.sensitivity.margin_indices import SobolIndices

__all__ = [
    "CURVE_COLUMNS",
    "SENSITIVITY_COLUMNS",
    "STRATEGY_COLUMNS",
    "DurabilityTarget",
    "choice_rows",
    "curve_table",
    "margin_rows",
    "strategy_table",
]

Array = NDArray[np.float64]

CURVE_COLUMNS = [
    "strategy",
    "age_yr",
    "probability",
    "low95",
    "high95",
    "know_low",
    "know_high",
    "reliability_index",
]
STRATEGY_COLUMNS = [
    "strategy",
    "strip_age_h",
    "effective_curing_h",
    "penalty_mean",
    "penalty_sd",
    "probability_at_target",
    "low95",
    "high95",
    "know_low",
    "know_high",
    "life_at_target_yr",
    "life_low95",
    "life_high95",
    "median_initiation_yr",
    "life_change_pct",
    "life_change_low95",
    "life_change_high95",
    "life_status",
    "meets_target",
    "life_change_know_low",
    "life_change_know_high",
]
SENSITIVITY_COLUMNS = [
    "analysis",
    "strategy",
    "quantity",
    "age_yr",
    "input",
    "input2",
    "group",
    "first",
    "first_low95",
    "first_high95",
    "total",
    "total_low95",
    "total_high95",
    "second",
    "second_low95",
    "second_high95",
    "status",
]


@dataclass(frozen=True, slots=True)
class DurabilityTarget:
    """What the curves are compared with.

    Attributes
    ----------
    life
        Target life [yr].
    probability, index
        Probability allowed at the target life, and its reliability index.
    horizon
        Last age [yr].
    reference
        Name of the reference strategy.
    """

    life: float
    probability: float
    index: float
    horizon: float
    reference: str


def _probability(curves: Curves | None, ages: Array) -> Array | None:
    return None if curves is None else np.asarray(special.ndtr(-curves.at(ages)))


def curve_table(wall: Wall, curves: CurveSet, target: DurabilityTarget) -> pd.DataFrame:
    """Tabulate the curves at every whole year and at the target life, as `CURVE_COLUMNS`.

    Age 0 is the limit from above.
    """
    whole = np.arange(0.0, np.floor(target.horizon) + 1.0)
    ages = np.union1d(whole, [target.life, target.horizon])
    index = curves.mean.at(ages)
    columns = {
        "probability": special.ndtr(-index),
        "low95": _probability(curves.low95, ages),
        "high95": _probability(curves.high95, ages),
        "know_low": _probability(curves.know_low, ages),
        "know_high": _probability(curves.know_high, ages),
        "reliability_index": index,
    }
    frames = []
    for i, plan in enumerate(wall.plans):
        rows = {k: np.nan if v is None else v[i] for k, v in columns.items()}
        frames.append(pd.DataFrame({"strategy": plan.name, "age_yr": ages, **rows}))
    return pd.concat(frames, ignore_index=True)[CURVE_COLUMNS]


def strategy_table(wall: Wall, curves: CurveSet, target: DurabilityTarget) -> pd.DataFrame:
    """Tabulate each strategy at the target life and against the reference, as `STRATEGY_COLUMNS`.

    Lives [yr] that are not reached within the horizon are inf.
    """
    at = np.array([target.life])
    probability = special.ndtr(-curves.mean.at(at))[:, 0]
    bounds = {
        name: np.full(len(wall.plans), np.nan) if p is None else p[:, 0]
        for name, p in (
            ("low95", _probability(curves.low95, at)),
            ("high95", _probability(curves.high95, at)),
            ("know_low", _probability(curves.know_low, at)),
            ("know_high", _probability(curves.know_high, at)),
        )
    }
    life = curves.mean.age_at_index(target.index)
    reference = [plan.name for plan in wall.plans].index(target.reference)
    by_repeat = np.array([c.age_at_index(target.index) for c in curves.repeats])
    index_by_repeat = np.array([c.at(at)[:, 0] for c in curves.repeats])
    rows = []
    for i, plan in enumerate(wall.plans):
        change = _life_change(
            i, reference, life=life, by_repeat=by_repeat, index=index_by_repeat, target=target
        )
        strategy_bounds = {name: float(v[i]) for name, v in bounds.items()}
        rows.append(
            {
                "strategy": plan.name,
                "strip_age_h": _strip_age(wall, i),
                "effective_curing_h": 24.0 * curves.effective_days[i],
                "penalty_mean": curves.penalty_mean[i],
                "penalty_sd": curves.penalty_sd[i],
                "probability_at_target": probability[i],
                **strategy_bounds,
                "life_at_target_yr": life[i],
                "median_initiation_yr": np.nan,
                **change,
                "meets_target": _meets_target(strategy_bounds, target.probability),
            }
        )
    table = pd.DataFrame(rows)
    # the upper curve reaches the target first
    table["life_low95"] = curves.high95.age_at_index(target.index)
    table["life_high95"] = curves.low95.age_at_index(target.index)
    table["median_initiation_yr"] = curves.mean.age_at_index(0.0)
    table["life_change_know_low"], table["life_change_know_high"] = np.nan, np.nan
    if curves.epistemic is not None:
        low, high = life_ratio_interval(
            curves.mean.ages, curves.epistemic, reference=reference, target=target.index
        )
        given = table["life_change_pct"].notna()
        table["life_change_know_low"] = pd.Series(100.0 * (low - 1.0)).where(given)
        table["life_change_know_high"] = pd.Series(100.0 * (high - 1.0)).where(given)
    return table[STRATEGY_COLUMNS]


def _strip_age(wall: Wall, i: int) -> float:
    age = wall.plans[i].strip_age
    return wall.input(age).distribution.mean if isinstance(age, str) else age


def _meets_target(bounds: dict[str, float], allowed: float) -> str:
    kind = "know" if np.isfinite(bounds["know_low"]) else ""
    low, high = (
        (bounds["know_low"], bounds["know_high"]) if kind else (bounds["low95"], bounds["high95"])
    )
    if high <= allowed:
        return "yes"
    return "no" if low > allowed else "undecided"


def _life_change(
    i: int, reference: int, *, life: Array, by_repeat: Array, index: Array, target: DurabilityTarget
) -> dict[str, float | str]:
    """Paired change of life, or of the index where a life is not reached in every repeat."""
    empty = {"life_change_pct": np.nan, "life_change_low95": np.nan, "life_change_high95": np.nan}
    if i == reference:
        return {**empty, "life_status": "reference"}
    strategy_lives, reference_lives = by_repeat[:, i], by_repeat[:, reference]
    usable = (
        np.isfinite(strategy_lives)
        & np.isfinite(reference_lives)
        & (strategy_lives > 0.0)
        & (reference_lives > 0.0)
    )
    if usable.all() and np.isfinite(life[[i, reference]]).all():
        _, low, high = t_interval(np.log(strategy_lives / reference_lives))
        return {
            "life_change_pct": 100.0 * (life[i] / life[reference] - 1.0),
            "life_change_low95": 100.0 * np.expm1(float(low)),
            "life_change_high95": 100.0 * np.expm1(float(high)),
            "life_status": "ok",
        }
    late = f"beyond the horizon of {target.horizon:g} yr"
    reasons = []
    for name, lives in (("this strategy", strategy_lives), ("the reference", reference_lives)):
        if not np.isfinite(lives).all():
            reasons.append(f"{name} reaches the target {late}, or never")
        elif np.any(lives <= 0.0):
            reasons.append(f"{name} misses the target from the start")
    with np.errstate(invalid="ignore"):  # both may be infinite
        gap = index[:, i] - index[:, reference]
    text = "; ".join(reasons)
    if np.isfinite(gap).all():
        shift, least, most = (float(x) for x in t_interval(gap))
        text += (
            f"; its reliability index at {target.life:g} yr differs from the reference's by "
            f"{shift:+.3f} (sampling interval {least:+.3f} to {most:+.3f})".replace(
                "-", "\N{MINUS SIGN}"
            )
        )
    return {**empty, "life_status": text}


def margin_rows(
    wall: Wall, indices: Sequence[Sequence[SobolIndices]], age: float
) -> list[dict[str, object]]:
    """Rows of the uncertainty analysis at an age [yr], with `SENSITIVITY_COLUMNS`.

    `indices` are those by input and by group; inputs that do not reach a strategy are left out.
    """
    group_of = {item.name: item.group for item in wall.inputs}
    by_input, by_group = indices
    rows: list[dict[str, object]] = []
    for s, plan in enumerate(wall.plans):
        for is_group, items in ((False, by_input), (True, by_group)):
            for item in items:
                if not is_group and group_of[item.label] == "curing" and not plan.uses(item.label):
                    continue
                rows.append(
                    {
                        "analysis": "uncertainty",
                        "strategy": plan.name,
                        "quantity": "depth margin",
                        "age_yr": age,
                        "input": "" if is_group else item.label,
                        "group": item.label if is_group else group_of[item.label],
                        **_estimates("first", item.first[:, s]),
                        **_estimates("total", item.total[:, s]),
                        "status": item.status[s],
                    }
                )
    return rows


def choice_rows(indices: ChoiceIndices, age: float, *, epistemic: bool) -> list[dict[str, object]]:
    """Rows of the choices analysis at the target life [yr], with `SENSITIVITY_COLUMNS`.

    The bounds are the sampling interval; for `epistemic`, where the first axis of the indices is
    epistemic points, they are the 2.5 % and 97.5 % quantiles.
    """
    common: dict[str, object] = {
        "analysis": "choices over knowledge" if epistemic else "choices",
        "strategy": "",
        "quantity": "reliability index",
        "age_yr": age,
        "group": "",
    }
    rows = []
    for i, name in enumerate(indices.names):
        defined = bool(np.isfinite(indices.first[:, i]).all())
        rows.append(
            {
                **common,
                "input": name,
                **_estimates("first", indices.first[:, i], quantiles=epistemic),
                **_estimates("total", indices.total[:, i], quantiles=epistemic),
                "status": "ok" if defined else "undefined: the index does not vary over the ranges",
            }
        )
    for k, (i, j) in enumerate(PAIRS):
        defined = bool(np.isfinite(indices.second[:, k]).all())
        rows.append(
            {
                **common,
                "input": indices.names[i],
                "input2": indices.names[j],
                **_estimates("second", indices.second[:, k], quantiles=epistemic),
                "status": "ok" if defined else "undefined: the index does not vary over the ranges",
            }
        )
    return rows


def _estimates(name: str, values: Array, *, quantiles: bool = False) -> dict[str, object]:
    if not np.isfinite(values).all():
        return {}
    bounds = (
        (np.mean(values), *np.quantile(values, [0.025, 0.975])) if quantiles else t_interval(values)
    )
    mean, low, high = (float(x) for x in bounds)
    return {name: mean, f"{name}_low95": low, f"{name}_high95": high}
