"""Design rules for a hand calculation: a margin on the front at mean values, run back.

With every input at its mean the front x_c(life) is a pocket-calculator number. The margin is what
the nominal cover must have beyond it for the full analysis to meet the target.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.designing.covers import Needs
from stripwise.designing.result import RULE_COLUMNS
from stripwise.designing.setting import Setting
from stripwise.inputs.sampling import Draw, sobol_cells, stream
from stripwise.risk.covers import moved_cover
from stripwise.risk.integral import front_depths
from stripwise.risk.plain import plain_curves
from stripwise.risk.required import OK
from stripwise.risk.wall import COVER, Plan, Wall

__all__ = ["hand_front", "rule_table"]

Array = NDArray[np.float64]

CHECK_SAMPLES = 200_000
MM_PER_INCH = 25.4
AGREEING = 4.0
"""Standard errors that the run back may lie above the target."""


def hand_front(wall: Wall, plan: Plan, *, age: float, penalty: float) -> float:
    """Depth of the front with every input at its mean and the mean penalty [mm].

    Parameters
    ----------
    wall
        The wall.
    plan
        The strategy.
    age
        Age since first exposure [yr].
    penalty
        Mean penalty factor k_c.

    Returns
    -------
    x_c, the number that the hand check of a run gives.
    """
    mean = {item.name: item.distribution.mean for item in wall.inputs}
    values = {**mean, "hand.penalty": penalty}
    one = wall.with_plans((Plan(plan.name, 24.0, 1.0, penalty="hand.penalty"),))
    return float(front_depths(one, one.face(values), age)[0])


def rule_table(setting: Setting, needs: Needs) -> pd.DataFrame:
    """Calibrate the margin of every strategy and run each rule back by plain Monte Carlo.

    Parameters
    ----------
    setting
        The design.
    needs
        Cover that each strategy needs.

    Returns
    -------
    DataFrame of `RULE_COLUMNS`; `checked_probability` comes from pseudo-random walls with a
    sampled cover at the cover that the rule gives, another method than the calibration.
    """
    penalties = _mean_penalties(setting)
    rows = []
    for s, (plan, found) in enumerate(zip(setting.wall.plans, needs.anywhere, strict=True)):
        front = hand_front(setting.wall, plan, age=setting.life, penalty=penalties[s])
        margin = found.value - front
        row: dict[str, object] = {
            "strategy": plan.name,
            "penalty_mean": penalties[s],
            "hand_front_mm": front,
            "margin_mm": setting.nominal(margin),
            "low95": setting.nominal(found.low95 - front),
            "high95": setting.nominal(found.high95 - front),
            "know_low": setting.nominal(found.know_low - front),
            "know_high": setting.nominal(found.know_high - front),
            "allowed_probability": setting.scenario.target.probability,
        }
        if np.isfinite(margin) and np.isfinite(front):
            row |= _run_back(setting, plan, front, margin)
        else:
            row["status"] = "no rule: the cover needed lies outside twice the range"
        rows.append(row)
    return pd.DataFrame(rows).reindex(columns=RULE_COLUMNS)


def _run_back(setting: Setting, plan: Plan, front: float, margin: float) -> dict[str, object]:
    step = 0.05 * MM_PER_INCH if setting.scenario.units == "US" else 1.0
    rounded = float(np.ceil(setting.nominal(margin) / step - 1e-9) * step)
    mean = front + rounded + setting.scenario.cover_bias
    wall = replace(
        setting.wall,
        plans=(plan,),
        inputs=tuple(
            replace(item, distribution=moved_cover(setting.wall, mean)) if item.name == COVER
            else item
            for item in setting.wall.inputs
        ),
    )  # fmt: skip
    sampling = setting.scenario.sampling
    p = float(
        plain_curves(
            wall, setting.at_life, samples=CHECK_SAMPLES, seed=sampling.seed,
            workers=setting.full.workers,
        )[0, 0]
    )  # fmt: skip
    allowed = setting.scenario.target.probability
    error = float(np.sqrt(max(p * (1.0 - p), 1.0 / CHECK_SAMPLES) / CHECK_SAMPLES))
    good = p <= allowed + AGREEING * error
    return {
        "rule_margin_mm": rounded,
        "rule_cover_mm": front + rounded,
        "checked_probability": p,
        "checked_error": error,
        "status": OK if good else "the run back misses the target: do not use this rule",
    }


def _mean_penalties(setting: Setting) -> Array:
    """Mean penalty factor of each strategy over the first points of the sample."""
    wall = setting.wall
    draw = Draw.of(wall.inputs, wall.correlations)
    rng = stream(setting.full.seed, stage="main", index=(0,))
    z = next(sobol_cells(draw.dimensions, setting.full.points, rng))
    return np.array([float(np.mean(np.exp(k))) for k in wall.log_penalties(draw.values(z))])
