"""What a run says about the choices: their shares, the map, and what a day in the forms is worth."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from stripwise.risk.probability.nominal_covers import (
    SamplingOptions,
    probability_by_epistemic_point,
    probability_by_repeat,
)
from stripwise.risk.sensitivity.anova import anova
from stripwise.scenario.model import Scenario
from stripwise.studies.design.exchange_rates import design_point_rows
from stripwise.studies.design.required_cover import find_required_covers
from stripwise.studies.design.setting import Setting
from stripwise.studies.rank.factorial import (
    FactorialDesign,
    clipped_index,
    leading_choice,
    outcomes,
)
from stripwise.studies.result_tables import choice_rows
from stripwise.studies.results import ExchangeRate, ReliabilityMap

__all__ = ["ChoiceAnalysis", "analyse_choices"]

NAMES = ("follow-up", "strip age", "cover")
NODES = 10
"""Gauss-Legendre nodes per range."""

POINTS, SHARE_POINTS, EPISTEMIC_POINTS = 2048, 1024, 1024
NUMERICAL_POINTS = 256
"""Points of the map, of the shares and around the epistemic points; the same where every front is a
numerical solution."""
MAP_STRIP_AGES = 15


@dataclass(frozen=True, slots=True)
class ChoiceAnalysis:
    """What the choices do.

    Attributes
    ----------
    rows
        Rows of the table `sensitivity`.
    flips
        Whether another choice leads when the ranges are halved about their middles.
    exchange
        Cover against form time at the reference strategy, or None if its penalty is given.
    map
        Reliability index over the choices.
    drawn
        Nominal cover [mm] to draw for each strategy by the decision rule; inf where the range holds
        none.
    """

    rows: list[dict[str, object]]
    flips: bool
    exchange: ExchangeRate | None
    map: ReliabilityMap
    drawn: dict[str, float]


def analyse_choices(scenario: Scenario, *, workers: int) -> ChoiceAnalysis | None:
    """Analyse the choices of a scenario, or return None where it opens none."""
    if scenario.choices is None:
        return None
    setting = Setting.from_scenario(scenario, workers=workers)
    wall, repeats = setting.wall.with_coarse_grid(), scenario.sampling.repeats
    points = (POINTS, SHARE_POINTS, EPISTEMIC_POINTS)
    sample, share_sample, epistemic_sample = (
        SamplingOptions(n, r, scenario.sampling.seed, "choices", workers, keep=True)
        for n, r in zip(
            (NUMERICAL_POINTS,) * 3 if wall.numerical else points,
            (repeats, repeats, 1),
            strict=True,
        )
    )
    whole, half = (
        FactorialDesign.from_scenario(wall, scenario, nodes=NODES, shrink=shrink, names=NAMES)
        for shrink in (1.0, 0.5)
    )
    by_repeat, by_repeat_half = (
        outcomes(one, setting.at_life, sample=share_sample) for one in (whole, half)
    )
    by_point = outcomes(whole, setting.at_life, sample=epistemic_sample, epistemic=True)
    assert by_repeat is not None
    assert by_repeat_half is not None
    shares, shares_half = (
        anova(clipped_index(p[:, 0]), whole.weights) for p in (by_repeat, by_repeat_half)
    )
    index, ages = "reliability index", {"reliability index": setting.life}
    rows = choice_rows(NAMES, {index: shares}, ages=ages, epistemic=False)
    if by_point is not None:
        known = anova(clipped_index(by_point[:, 0]), whole.weights)
        rows += choice_rows(NAMES, {index: known}, ages=ages, epistemic=True)
    return ChoiceAnalysis(
        rows,
        leading_choice(shares) != leading_choice(shares_half),
        _exchange(setting),
        _map(setting, sample),
        _drawn_covers(replace(setting, strategy_sample=sample)),
    )


def _map(setting: Setting, sample: SamplingOptions) -> ReliabilityMap:
    """Map the index over the steps of cover, and over strip ages even in their logarithm."""
    low, high, step = setting.choices.cover
    covers = np.append(np.arange(low, high - 1e-9, step), high)
    hours = np.geomspace(*setting.choices.strip_age, MAP_STRIP_AGES)
    wall = setting.wall.with_coarse_grid().with_plans(setting.plans_at(hours))
    shape = (len(setting.plans), len(hours), len(covers))
    p = probability_by_repeat(wall, covers, setting.at_life, sample=sample)
    index, safe = (one.reshape(shape) for one in setting.rule.predictive(p, points=sample.points))
    demanded = None
    if setting.rule.confidence:
        by_point = probability_by_epistemic_point(
            wall, covers, setting.at_life, sample=setting.epistemic_sample
        )
        assert by_point is not None
        demanded, safely = (one.reshape(shape) for one in setting.rule.demanded(by_point))
        safe = np.minimum(safe, safely)
    return ReliabilityMap(covers, hours, setting.labels, index, demanded, safe)


def _exchange(setting: Setting) -> ExchangeRate | None:
    """Return the cover that is worth 24 h more in the forms, at the reference strategy."""
    if setting.reference.penalty:
        return None
    row, saved = design_point_rows(setting, earlier_too=False)
    value, low95, high95, know_low, know_high = (
        float(str(row[name])) for name in ("value", "low95", "high95", "know_low", "know_high")
    )
    hours = setting.hours(setting.reference)
    return ExchangeRate(
        setting.wall.nominal_cover,
        hours,
        value,
        low95,
        high95,
        know_low,
        know_high,
        saved=float(str(saved["value"])),
    )


def _drawn_covers(setting: Setting) -> dict[str, float]:
    roots = find_required_covers(setting, ranges=False).in_range
    return {
        plan.name: setting.drawn_cover(root)
        for plan, root in zip(setting.wall.plans, roots, strict=True)
    }
