"""What the curves and indices are as tidy tables, one row per strategy and age or per input."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from stripwise.risk.model.wall import Wall
from stripwise.risk.probability.confidence import Confidence
from stripwise.risk.probability.curves import HIGH_END, LOW_END, CurveSet
from stripwise.risk.probability.intervals import RANGE_ENDS, TOO_RARE, point_quantile, t_interval
from stripwise.risk.probability.life_ratio import life_ratio_interval
from stripwise.risk.probability.reliability_index import Curves
from stripwise.risk.sensitivity.anova import Anova
from stripwise.risk.sensitivity.input_sets import index_status
from stripwise.risk.sensitivity.margin_indices import MarginIndices
from stripwise.studies.decision import ERROR_CHANCE, Decision, decide
from stripwise.units.formatting import signed, value_with_interval, years
from stripwise.units.result_columns import columns

__all__ = [
    "DurabilityTarget",
    "choice_rows",
    "curve_table",
    "decisions_at_target",
    "margin_rows",
    "strategy_table",
]

Array = NDArray[np.float64]

NO_VARIANCE = "undefined: the margin has no finite variance"
CONSTANT_OUTCOME = "undefined: the outcome does not vary over the options"


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
    confidence
        Share of the epistemic points that must meet the target too; 0 for no demand.
    """

    life: float
    probability: float
    index: float
    horizon: float
    reference: str
    confidence: float = 0.0


def _probability(curves: Curves | None, ages: Array) -> Array | None:
    return None if curves is None else np.asarray(special.ndtr(-curves.at(ages)))


def _sampling_interval(curves: CurveSet, ages: Array) -> tuple[Array, Array]:
    """Return low95 and high95 (s, t) at ages [yr], about the probability between sampled ages too."""
    mean, low, high = (
        special.ndtr(-one.at(ages)) for one in (curves.mean, curves.low95, curves.high95)
    )
    return np.minimum(low, mean), np.maximum(high, mean)


def curve_table(wall: Wall, curves: CurveSet, target: DurabilityTarget) -> pd.DataFrame:
    """Tabulate the curves at every whole year and at the target life, as the columns of `curves`.

    Age 0 is the limit from above.
    """
    whole = np.arange(0.0, np.floor(target.horizon) + 1.0)
    ages = np.union1d(whole, [target.life, target.horizon])
    index = curves.mean.at(ages)
    low, high = _sampling_interval(curves, ages)
    at_ages = {
        "probability": special.ndtr(-index),
        "low95": low,
        "high95": high,
        "know_low": _probability(curves.know_low, ages),
        "know_high": _probability(curves.know_high, ages),
        "reliability_index": index,
        "index_low95": -special.ndtri(high),
        "index_high95": -special.ndtri(low),
    }
    decisions = decisions_at_target(curves, target)
    status = curves.tails.status(ages, at_ages["probability"])
    frames = []
    for i, plan in enumerate(wall.plans):
        rows = {k: np.nan if v is None else v[i] for k, v in at_ages.items()}
        rows["confidence"] = np.where(ages == target.life, decisions[i].confidence, np.nan)
        rows["status"] = status[i]
        frames.append(pd.DataFrame({"strategy": plan.name, "age_yr": ages, **rows}))
    return pd.concat(frames, ignore_index=True).reindex(columns=columns("curves"))


def strategy_table(wall: Wall, curves: CurveSet, target: DurabilityTarget) -> pd.DataFrame:
    """Tabulate each strategy at the target life and against the reference, as the columns of `strategies`.

    Lives [yr] that are not reached within the horizon are inf.
    """
    at = np.array([target.life])
    probability = special.ndtr(-curves.mean.at(at))[:, 0]
    low, high = _sampling_interval(curves, at)
    bounds = {
        name: np.full(len(wall.plans), np.nan) if p is None else p[:, 0]
        for name, p in (
            ("low95", low),
            ("high95", high),
            ("know_low", _probability(curves.know_low, at)),
            ("know_high", _probability(curves.know_high, at)),
        )
    }
    life = np.minimum(curves.mean.age_at_index(target.index), _life_at_confidence(curves, target))
    reference = [plan.name for plan in wall.plans].index(target.reference)
    by_repeat = curves.age_by_repeat(target.index)
    index_by_repeat = curves.index_by_repeat(at)[..., 0]
    confidence = _confidence(curves, target)
    decisions = decisions_at_target(curves, target)
    range_ends = _range_ends(curves, len(wall.plans))
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
                **_decision_cells(decisions[i], confidence, i),
                **{name: float(ends[i]) for name, ends in range_ends.items()},
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
    return table.reindex(columns=columns("strategies"))


def _range_ends(curves: CurveSet, strategies: int) -> dict[str, Array]:
    """Return the sampling intervals of both ends of the range of P at the target life, (s,) each."""
    found = {}
    for name, share in (("know_low", HIGH_END), ("know_high", LOW_END)):
        low = high = np.full(strategies, np.nan)
        if curves.at_target is not None and curves.know_low is not None:
            end = curves.at_target.range_end(share)
            low, high = special.ndtr(-end.high95), special.ndtr(-end.low95)
        found[f"{name}_low95"], found[f"{name}_high95"] = low, high
    return found


def decisions_at_target(curves: CurveSet, target: DurabilityTarget) -> tuple[Decision, ...]:
    """Decide on every strategy at the target life."""
    at = np.array([target.life])
    by_repeat = special.ndtr(-curves.index_by_repeat(at)[..., 0])
    error = np.std(by_repeat, axis=0, ddof=1) / np.sqrt(len(by_repeat))
    probability = special.ndtr(-curves.mean.at(at))[:, 0]
    confidence = _confidence(curves, target)
    demanded = None
    if target.confidence and curves.at_target is not None:
        demanded = special.ndtr(-curves.at_target.index_at_confidence(target.confidence))
    too_rare = curves.tails.status(at, probability[:, None])[:, 0] == TOO_RARE
    highest = curves.tails.highest(target.life, chance=ERROR_CHANCE)
    return tuple(
        decide(
            float(probability[i]),
            float(error[i]),
            allowed=target.probability,
            repeats=len(by_repeat),
            confidence=math.nan if confidence is None else float(confidence.value[i]),
            demanded=None if demanded is None else demanded[:, i],
            highest=float(highest[i]) if too_rare[i] else None,
        )
        for i in range(probability.size)
    )


def _life_at_confidence(curves: CurveSet, target: DurabilityTarget) -> Array | float:
    """Return the ages (s,) until which the demanded confidence holds, inf without a demand."""
    reached = curves.at_confidence(target.life, target.confidence) if target.confidence else None
    return math.inf if reached is None else reached.age_at_index(target.index)


def _confidence(curves: CurveSet, target: DurabilityTarget) -> Confidence | None:
    return None if curves.at_target is None else curves.at_target.confidence(target.index)


def _decision_cells(
    decision: Decision, confidence: Confidence | None, i: int
) -> dict[str, float | str]:
    ends = (math.nan, math.nan)
    if confidence is not None:
        ends = (float(confidence.low95[i]), float(confidence.high95[i]))
    return {
        "meets_target": decision.meets_target,
        "confidence": decision.confidence,
        "confidence_low95": ends[0],
        "confidence_high95": ends[1],
    }


def _strip_age(wall: Wall, i: int) -> float:
    age = wall.plans[i].strip_age
    return wall.input(age).distribution.mean if isinstance(age, str) else age


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
    horizon = years(target.horizon)
    reasons = []
    for name, lives in (("this strategy", strategy_lives), ("the reference", reference_lives)):
        if not np.isfinite(lives).all():
            reasons.append(f"{name} keeps the limit up to {horizon}, the horizon")
        elif np.any(lives <= 0.0):
            reasons.append(f"{name} exceeds the limit from the start")
    with np.errstate(invalid="ignore"):  # both may be infinite
        gap = index[:, i] - index[:, reference]
    text = "; ".join(reasons)
    if np.isfinite(gap).all():
        shift, least, most = (float(x) for x in t_interval(gap))
        text += (
            f"; the reliability index at {years(target.life)} differs from the reference's by "
            f"{value_with_interval(shift, least, most, signed)}"
        )
    return {**empty, "life_status": text}


def margin_rows(wall: Wall, indices: MarginIndices, age: float) -> list[dict[str, object]]:
    """Rows of the uncertainty analysis at an age [yr], with the columns of `sensitivity`.

    Inputs that do not reach a strategy are left out.
    """
    rows: list[dict[str, object]] = []
    for s, plan in enumerate(wall.plans):
        for item in indices.items:
            if item.input and item.group == "curing" and not plan.uses(item.input):
                continue
            row: dict[str, object] = {
                "analysis": "uncertainty",
                "strategy": plan.name,
                "quantity": "depth margin",
                "age_yr": age,
                "input": item.input,
                "group": item.group,
            }
            if item.reason:
                rows.append({**row, "status": f"undefined: {item.reason}"})
                continue
            first, total = (values[:, s] for values in indices.of(item))
            if not np.isfinite([first, total]).all():
                rows.append({**row, "status": NO_VARIANCE})
                continue
            status = index_status(_interval(first), _interval(total))
            row |= {**estimates("first", first), **estimates("total", total), "status": status}
            rows.append(row)
    return rows


def choice_rows(
    names: Sequence[str],
    variances: Mapping[str, Anova],
    *,
    ages: Mapping[str, float],
    epistemic: bool,
    higher_order: bool = False,
) -> list[dict[str, object]]:
    """Rows of the choices analysis by quantity, with the columns of `sensitivity`.

    Parameters
    ----------
    names
        Choices, in the order of the analysis.
    variances
        How the variance of each quantity splits.
    ages
        Age that each quantity belongs to [yr], NaN for one without.
    epistemic
        Whether the first axis is epistemic points: the bounds are then 2.5 % and 97.5 % quantiles,
        else the sampling interval over repeats.
    higher_order
        Whether the interactions of three choices and more have a row.
    """
    points = "epistemic points" if epistemic else "repeats"
    rows: list[dict[str, object]] = []
    for quantity, parts in variances.items():
        flat = int(np.sum(~np.isfinite(parts.first[:, 0])))
        common: dict[str, object] = {
            "analysis": "choices by epistemic point" if epistemic else "choices",
            "strategy": "",
            "quantity": quantity,
            "age_yr": ages[quantity],
            "input": "",
            "input2": "",
            "group": "",
            "status": f"{CONSTANT_OUTCOME} at {flat} of {len(parts.first)} {points}"
            if flat
            else "ok",
        }
        rows += [
            {
                **common,
                "input": name,
                **estimates("first", parts.first[:, i], quantiles=epistemic),
                **estimates("total", parts.total[:, i], quantiles=epistemic),
            }
            for i, name in enumerate(names)
        ]
        rows += [
            {
                **common,
                "input": names[i],
                "input2": names[j],
                **estimates("second", parts.second[:, k], quantiles=epistemic),
            }
            for k, (i, j) in enumerate(parts.pairs)
        ]
        if higher_order and len(names) > 2:
            rows.append(
                {
                    **common,
                    "group": "interactions of three and more",
                    **estimates("first", parts.higher_order, quantiles=epistemic),
                }
            )
    return rows


def estimates(name: str, values: Array, *, quantiles: bool = False) -> dict[str, object]:
    """Write the mean of some values with its 95 % interval, or quantiles; nothing if one is NaN."""
    if not np.isfinite(values).all():
        return {}
    mean, low, high = _interval(values)
    if quantiles:
        low, high = (float(x) for x in point_quantile(values, RANGE_ENDS))
    return {name: mean, f"{name}_low95": low, f"{name}_high95": high}


def _interval(values: Array) -> tuple[float, float, float]:
    """Return the mean over repeats (r,) with its 95 % interval."""
    mean, low, high = (float(x) for x in t_interval(values))
    return mean, low, high
