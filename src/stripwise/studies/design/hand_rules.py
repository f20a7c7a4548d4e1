"""Which margin on a hand calculation makes the nominal cover meet the target.

With every input at its mean and the characteristic penalty, the front at the target life is a
pocket-calculator number. The margin is what the nominal cover must have beyond it for the full
analysis to meet the target.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from stripwise.risk.model.own_front import BY_HAND_REFUSED
from stripwise.risk.model.service_options import refusal
from stripwise.risk.model.wall import Plan
from stripwise.risk.probability.cover_margin import design_penalty, required_nominal_cover
from stripwise.risk.probability.nominal_covers import with_nominal_cover
from stripwise.risk.probability.plain_monte_carlo import monte_carlo_curves
from stripwise.risk.probability.target_roots import OK
from stripwise.studies.design.required_cover import RequiredCovers
from stripwise.studies.design.setting import Setting
from stripwise.units.drawing_steps import round_length_up
from stripwise.units.result_columns import columns

__all__ = ["rule_table"]

CHECK_SAMPLES = 200_000
MAX_DEVIATIONS = 4.0
"""Standard errors that the Monte Carlo check may lie above the target."""


def rule_table(setting: Setting, required_covers: RequiredCovers) -> pd.DataFrame:
    """Calibrate the margin of every strategy and check each rule by plain Monte Carlo.

    `checked_probability` comes from pseudo-random walls with a sampled cover at the cover that the
    rule gives, another method than the calibration.
    """
    rows = []
    reason = refusal("rule", setting.wall.conditions)
    if setting.wall.front_model is not None:
        reason = BY_HAND_REFUSED
    if reason:
        allowed = setting.scenario.target.probability
        none = pd.DataFrame({"strategy": [plan.name for plan in setting.wall.plans]})
        return none.assign(status=reason, allowed_probability=allowed).reindex(
            columns=columns("rules")
        )
    for plan, root in zip(setting.wall.plans, required_covers.in_wide_range, strict=True):
        front = required_nominal_cover(setting.wall, plan, life=setting.life, margin=0.0)
        margin = root.value - front
        row: dict[str, object] = {
            "strategy": plan.name,
            "hand_penalty": design_penalty(setting.wall, plan),
            "hand_front_mm": front,
            "margin_mm": margin,
            "low95": root.low95 - front,
            "high95": root.high95 - front,
            "know_low": root.know_low - front,
            "know_high": root.know_high - front,
            "allowed_probability": setting.scenario.target.probability,
        }
        if np.isfinite(margin) and np.isfinite(front):
            row |= _check_rule(setting, plan, front, margin)
        else:
            row["status"] = "no rule: the cover needed lies outside twice the range"
        rows.append(row)
    return pd.DataFrame(rows).reindex(columns=columns("rules"))


def _check_rule(setting: Setting, plan: Plan, front: float, margin: float) -> dict[str, object]:
    rounded = round_length_up(margin, units=setting.scenario.units)
    wall = with_nominal_cover(setting.wall.with_plans((plan,)), front + rounded)
    sampling = setting.scenario.sampling
    p = float(
        monte_carlo_curves(
            wall,
            setting.at_life,
            samples=CHECK_SAMPLES,
            seed=sampling.seed,
            workers=setting.strategy_sample.workers,
        )[0, 0]
    )
    allowed = setting.scenario.target.probability
    error = float(np.sqrt(max(p * (1.0 - p), 1.0 / CHECK_SAMPLES) / CHECK_SAMPLES))
    good = p <= allowed + MAX_DEVIATIONS * error
    return {
        "rule_margin_mm": rounded,
        "rule_cover_mm": front + rounded,
        "checked_probability": p,
        "checked_error": error,
        "status": OK if good else "the run back misses the target: do not use this rule",
    }
