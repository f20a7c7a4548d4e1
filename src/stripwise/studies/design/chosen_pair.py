"""The pair of nominal cover and strip age that someone chose, worked through to be checked."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.curing.curing_law import UNCURED_H
from stripwise.errors import InputError
from stripwise.risk.model.service_options import refusal
from stripwise.risk.model.wall import Plan
from stripwise.risk.probability.cover_margin import design_penalty
from stripwise.risk.probability.nominal_covers import (
    probability_by_epistemic_point,
    probability_by_repeat,
    with_nominal_cover,
)
from stripwise.risk.probability.target_roots import with_strip_age
from stripwise.scenario.model import FollowUp
from stripwise.scenario.sections.follow_up_table import same_degree
from stripwise.studies.design.hand_rules import rule_table
from stripwise.studies.design.prices import (
    CostAges,
    Option,
    decide_options,
    first_cost,
    option_probabilities,
)
from stripwise.studies.design.required_cover import find_required_covers
from stripwise.studies.design.setting import Setting
from stripwise.studies.design.site_table import site_temperatures
from stripwise.studies.from_scenario import build_plan, compute_curves, target_from
from stripwise.studies.hand_calculation import hand_check
from stripwise.studies.result_tables import strategy_table
from stripwise.studies.results import HandStep, MonteCarloCheck
from stripwise.studies.run import monte_carlo_check
from stripwise.studies.service_results import service_hand_check
from stripwise.units.curing_words import strip_age
from stripwise.units.drawing_steps import round_hours_up
from stripwise.units.formatting import duration, interval, length, temperature
from stripwise.units.names import printable
from stripwise.units.quantities import LENGTH, TEMPERATURE, TIME, Kind, parse

__all__ = ["ChosenPair", "PairChoice", "read_choice", "work_out"]

Array = NDArray[np.float64]

OPTION = "--choose"
SHAPE = 'cover, strip age and curing after stripping, such as "70 mm, 36 h, none"'
AT = " at "
"""Stands between a strip age, or a curing after stripping, and the concrete's temperature then."""

HOURS_BESIDE = (0.75, 1.25)
"""Strip ages of the neighbouring pairs, as shares of the chosen one."""


@dataclass(frozen=True, slots=True)
class PairChoice:
    """A nominal cover [mm], a strip age [h] and a curing after stripping.

    `temperature` is that of the concrete until stripping [degC].
    """

    cover: float
    hours: float
    follow_up: FollowUp
    plan: Plan
    temperature: float

    @property
    def name(self) -> str:
        """The pair in words."""
        return self.plan.name


@dataclass(frozen=True, slots=True)
class ChosenPair:
    """A chosen pair, worked through.

    Attributes
    ----------
    choice
        What was chosen.
    result
        The columns of `strategies` for the pair, from the machine of a run.
    check
        The same probability by plain Monte Carlo.
    steps
        The hand calculation, with the characteristic penalty.
    rule
        The columns of `rules` for the pair: front, margin, and the margin run back.
    equivalent_h
        Equivalent hours in the forms at the reference temperature.
    strip_ages
        temperature_degC, strip_age_h: hours in the forms with as many equivalent hours, rounded up.
    neighbours
        Pairs beside the chosen one, which stands first: nominal_cover_mm, strip_age_h, follow_up,
        probability, meets_target, confidence, first_cost, cost (NaN without prices).
    """

    choice: PairChoice
    result: Mapping[Hashable, Any]
    check: MonteCarloCheck
    steps: tuple[HandStep, ...]
    rule: Mapping[Hashable, Any]
    equivalent_h: float
    strip_ages: pd.DataFrame
    neighbours: pd.DataFrame

    @property
    def met(self) -> bool:
        """Whether the pair meets the target."""
        return bool(self.result["meets_target"] == "yes")


def read_choice(text: str, setting: Setting) -> PairChoice:
    """Read a pair from text such as "70 mm, 36 h, none"; an InputError says what is allowed.

    The strip age may name the concrete's temperature until then, "36 h at 8 degC"; that of [curing]
    holds otherwise. So may the curing after stripping, whose temperature [choices] fixes.
    """
    parts = [part.strip() for part in text.split(",", 2)]
    shown, scenario, choices = printable(text), setting.scenario, setting.choices
    if len(parts) != 3:
        raise InputError(OPTION, f"{shown}: must be {SHAPE}")
    low, high, _ = choices.cover
    low = max(low, choices.least_cover)
    cover = _quantity(parts[0], LENGTH, "mm", shown)
    age, _, warmth = parts[1].partition(AT)
    hours = _quantity(age.strip(), TIME, "h", shown)
    celsius = scenario.curing.temperature
    if warmth:
        celsius = _temperature(warmth, scenario.units, shown)
    if not low - 1e-9 <= cover <= high + 1e-9:
        allowed = interval(low, high, setting.length)
        raise InputError(
            OPTION, f"{shown}: the nominal cover must be within {allowed}, of [choices]"
        )
    first, last = choices.strip_age
    if not first - 1e-9 <= hours <= last + 1e-9:
        allowed = interval(first, last, strip_age)
        raise InputError(OPTION, f"{shown}: the strip age must be within {allowed}, of [choices]")
    labels = {item.label: item for item in choices.follow_up}
    after, _, warmth = parts[2].partition(AT)
    if after not in labels:
        allowed = ", ".join(printable(label) for label in labels)
        raise InputError(
            OPTION, f"{shown}: the curing after stripping must be one of [choices]: {allowed}"
        )
    follow_up = labels[after]
    if warmth and follow_up.duration_h:
        fixed = temperature(follow_up.temperature, units=scenario.units)
        if (
            abs(_quantity(warmth.strip(), TEMPERATURE, "degC", shown) - follow_up.temperature)
            > 0.01
        ):
            raise InputError(
                OPTION, f"{shown}: {follow_up.label} is at {fixed} in [choices]; change it there"
            )
    at = "" if same_degree(celsius, scenario.curing.temperature) else AT
    plan = build_plan(
        scenario,
        f"{setting.length(cover)}, {strip_age(hours)}"
        f"{at and at + temperature(celsius, units=scenario.units)}, {follow_up.label}",
        strip_age=hours,
        temperature=celsius,
        follow_up=follow_up,
    )
    if hours * plan.strip_factor < UNCURED_H:
        raise InputError(
            OPTION,
            f"{shown}: is less than {duration(UNCURED_H)} of equivalent age at stripping; "
            "such a face counts as not cured",
        )
    return PairChoice(cover, hours, follow_up, plan, celsius)


def _temperature(text: str, units: str, shown: str) -> float:
    """Read a concrete temperature until stripping [degC], within those of tables for the site."""
    celsius = _quantity(text.strip(), TEMPERATURE, "degC", shown)
    ends = site_temperatures(units)
    if not ends[0] - 1e-6 <= celsius <= ends[-1] + 1e-6:
        allowed = interval(ends[0], ends[-1], lambda t: temperature(t, units=units))
        raise InputError(OPTION, f"{shown}: the concrete's temperature must be within {allowed}")
    return celsius


def _quantity(text: str, kind: Kind, unit: str, shown: str) -> float:
    try:
        return parse(text, kind, to=unit)
    except InputError as error:
        raise InputError(
            OPTION, f"{shown}: {printable(text)} {error.problem}; write {SHAPE}"
        ) from error


def work_out(setting: Setting, choice: PairChoice) -> ChosenPair:
    """Work a chosen pair through: by hand, in full, and with what lies beside it."""
    setting = setting.at_temperature(choice.temperature)
    scenario, plan = setting.scenario, choice.plan
    wall = with_nominal_cover(setting.wall_with((plan,)), choice.cover)
    workers = setting.strategy_sample.workers
    curves = compute_curves(wall, scenario, workers=workers, progress=None)
    target = replace(target_from(scenario), reference=plan.name)
    row = strategy_table(wall, curves, target).to_dict("records")[0]
    check = monte_carlo_check(wall, curves, target, 0, seed=scenario.sampling.seed, workers=workers)
    own = replace(setting, wall=wall)
    rule = rule_table(own, find_required_covers(own, ranges=False)).to_dict("records")[0]
    penalty = design_penalty(wall, plan)
    if wall.conditions is None and not refusal("rule", wall.conditions):
        steps = hand_check(
            wall.with_uniform_penalty(),
            plan,
            age=setting.life,
            penalty=penalty,
            nominal=choice.cover,
        )
    else:
        mean = float(curves.penalty_mean[0])
        steps = service_hand_check(wall, plan, age=setting.life, penalty=mean)
    neighbours = _neighbours(setting, choice)
    for column in ("probability", "meets_target", "confidence"):
        key = "probability_at_target" if column == "probability" else column
        neighbours[column] = [row[key], *neighbours[column].iloc[1:]]
    return ChosenPair(
        choice=choice,
        result=row,
        check=check,
        steps=steps,
        rule=rule,
        equivalent_h=choice.hours * plan.strip_factor,
        strip_ages=_strip_ages(setting, choice),
        neighbours=neighbours,
    )


def _strip_ages(setting: Setting, choice: PairChoice) -> pd.DataFrame:
    """Hours in the forms at other concrete temperatures with the same equivalent hours."""
    scenario = setting.scenario
    equivalent = choice.hours * choice.plan.strip_factor
    rows = []
    for celsius in site_temperatures(scenario.units):
        factor = build_plan(
            scenario, "", strip_age=24.0, temperature=celsius, follow_up=choice.follow_up
        ).strip_factor
        hours = round_hours_up(equivalent / factor) if factor > 0.0 else np.inf
        rows.append({"temperature_degC": celsius, "strip_age_h": hours})
    return pd.DataFrame(rows)


def _neighbours(setting: Setting, choice: PairChoice) -> pd.DataFrame:
    """Decide on the chosen pair and those beside it, and price them where there are prices."""
    options = _options(setting, choice)
    ages = CostAges.from_setting(setting)
    p = option_probabilities(
        setting, options, ages.ages, probability_by_repeat, setting.strategy_sample
    )
    assert p is not None
    by_point = option_probabilities(
        setting, options, setting.at_life, probability_by_epistemic_point, setting.epistemic_sample
    )
    decisions = decide_options(
        setting, options, p[..., ages.life], None if by_point is None else by_point[..., 0]
    )
    cost = setting.scenario.cost
    mean = p.mean(axis=0)
    first = [np.nan] * len(options)
    expected = first
    if cost is not None:
        first = [sum(first_cost(setting, cost, option)) for option in options]
        expected = list(np.array(first) + cost.repair * (mean @ ages.weights(cost)))
    return pd.DataFrame(
        {
            "nominal_cover_mm": [o.cover for o in options],
            "strip_age_h": [o.hours for o in options],
            "follow_up": [o.follow_up.label for o in options],
            "probability": mean[:, ages.life],
            "meets_target": [d.meets_target for d in decisions],
            "confidence": [d.confidence for d in decisions],
            "first_cost": first,
            "cost": expected,
        }
    )


def _options(setting: Setting, choice: PairChoice) -> Sequence[Option]:
    """List the chosen pair, a drawing step and a strip age to either side, other curings after."""
    low, high, _ = setting.choices.cover
    first, last = setting.choices.strip_age
    step = setting.rounded_up(0.1)
    pairs = [(choice.cover, choice.hours, choice.follow_up)]
    pairs += [(choice.cover + change, choice.hours, choice.follow_up) for change in (-step, step)]
    hours = [round_hours_up(share * choice.hours) for share in HOURS_BESIDE]
    pairs += [(choice.cover, beside, choice.follow_up) for beside in hours]
    pairs += [
        (choice.cover, choice.hours, item)
        for item in setting.choices.follow_up
        if item.label != choice.follow_up.label
    ]
    plans = {plan.name: plan for plan in setting.plans}
    return [
        Option(
            f"{length(cover, units=setting.scenario.units)}, {strip_age(age)}, {item.label}",
            "pair",
            with_strip_age(plans[item.label], age),
            item,
            cover,
            age,
        )
        for cover, age, item in dict.fromkeys(pairs)
        if low - 1e-9 <= cover <= high + 1e-9 and first - 1e-9 <= age <= last + 1e-9
    ]
