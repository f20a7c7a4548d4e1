"""What a study of targets says in sentences, the most important first."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from stripwise.scenario.model import Scenario
from stripwise.studies.candidate_targets import GRID, LIFE_FACTORS, LONGEST_LIFE, STATED
from stripwise.studies.decision import TOO_CLOSE, YES
from stripwise.studies.posterior_notes import other_cover_note
from stripwise.studies.target_costs import NO_TARGET
from stripwise.studies.verdict import NOTHING_EPISTEMIC, every_strategy
from stripwise.units.curing_words import strip_age
from stripwise.units.formatting import (
    interval,
    join_with_and,
    length,
    percent,
    years,
)

__all__ = [
    "FLAT",
    "extra_cost",
    "over_stated_life",
    "passing",
    "target_verdict",
    "target_warnings",
    "within_flat",
]

FLAT = 0.05
"""Share above the least expected cost within which the cost counts as flat."""

SAME_COST = 5e-4
"""Share below which one cost is as high as another."""


def passing(rows: pd.DataFrame) -> list[str]:
    """Return the strategies that meet the target of some rows."""
    return [str(name) for name in rows.loc[rows["meets_target"] == YES, "strategy"]]


def target_verdict(
    scenario: Scenario, targets: pd.DataFrame, costs: pd.DataFrame | None
) -> tuple[str, ...]:
    """State what the tables of a study of targets show."""
    stated = targets[targets["source"] == STATED]
    sentences = [_stated_sentence(scenario, stated), _scale_sentence(scenario, targets)]
    if scenario.choices is not None:
        sentences.append(_cover_sentence(scenario, targets))
    if costs is not None:
        sentences += _cost_sentences(scenario, costs)
    return tuple(sentence for sentence in sentences if sentence)


def _named(names: list[str], of: int) -> str:
    if not names:
        return "no strategy"
    if len(names) == of:
        return every_strategy(of) if of > 1 else f'"{names[0]}"'
    return join_with_and([f'"{name}"' for name in names])


def _stated_sentence(scenario: Scenario, stated: pd.DataFrame) -> str:
    target = scenario.target
    names = passing(stated)
    text = (
        f"The stated target, {percent(target.probability)} within "
        f"{years(target.service_life)}, is met by {_named(names, len(stated))}."
    )
    close = [str(n) for n in stated.loc[stated["meets_target"] == TOO_CLOSE, "strategy"]]
    if close:
        text += f" Too close to call, which counts as failing: {_named(close, 0)}."
    return text


def over_stated_life(scenario: Scenario, targets: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of the stated target and of the grid over the stated life, strictest first."""
    own = targets[
        targets["source"].isin([STATED, GRID])
        & (targets["service_life_yr"] == scenario.target.service_life)
    ]
    return own.sort_values("allowed_probability", kind="stable")


def _scale_sentence(scenario: Scenario, targets: pd.DataFrame) -> str:
    """Say how many strategies the strictest and the weakest target of the grid meet."""
    rows = over_stated_life(scenario, targets)
    parts = []
    for allowed in (rows["allowed_probability"].min(), rows["allowed_probability"].max()):
        some = rows[rows["allowed_probability"] == allowed]
        parts.append((percent(float(allowed)), _named(passing(some), len(some))))
    (strict, by_strict), (weak, by_weak) = parts
    return f"Over the same life, {strict} would be met by {by_strict}, {weak} by {by_weak}."


def _cover_sentence(scenario: Scenario, targets: pd.DataFrame) -> str:
    """Say which cover the reference strategy needs under the strictest and the weakest target."""
    rows = over_stated_life(scenario, targets)
    rows = rows[rows["strategy"] == scenario.reference_strategy]

    def cover(row: pd.Series[Any]) -> str:
        drawn = float(row["drawn_cover_mm"])
        if math.isinf(drawn):
            return f"no cover of the range for {percent(float(row['allowed_probability']))}"
        text = length(drawn, units=scenario.units)
        return f"{text} for {percent(float(row['allowed_probability']))}"

    strict, weak = rows.iloc[0], rows.iloc[-1]
    return (
        f'Nominal cover to draw with "{scenario.reference_strategy}": {cover(strict)}, '
        f"{cover(weak)}."
    )


def _cost_sentences(scenario: Scenario, costs: pd.DataFrame) -> list[str]:
    """Say where the expected cost is least, how flat it is there, and what the stated target costs."""
    target, units = scenario.target, scenario.units
    free = costs[costs["source"] == NO_TARGET].iloc[0]
    prices = scenario.cost
    assert prices is not None
    least, p = float(free["cost"]), float(free["probability"])
    where = (
        f"{length(float(free['nominal_cover_mm']), units=units)}, "
        f"{strip_age(float(free['strip_age_h']))}, curing after stripping: {free['follow_up']}"
    )
    sentences = [
        f"Whatever the target, the expected cost is least, {prices.text(least)}, with {where}; "
        f"the probability within {years(target.service_life)} is then {percent(p)}"
        f"{_against_stated(str(free['meets_target']), target.probability)}."
    ]
    near = within_flat(costs)
    if len(near) > 1:
        sentences.append(
            f"The cost is flat there: every target from {interval(near[0], near[-1], percent)} can be "
            f"met for at most {percent(FLAT)} more."
        )
    elif len(near) == 1:
        sentences.append(
            f"Of the targets looked at, only {percent(near[0])} can be met for at most "
            f"{percent(FLAT)} more."
        )
    stated = costs[costs["source"] == STATED].iloc[0]
    if not np.isfinite(stated["cost"]):
        sentences.append("No pair of the ranges meets the stated target.")
        return sentences
    sentences.append(
        f"The cheapest pair that meets the stated target costs {extra_cost(free, stated)} "
        f"({prices.text(float(stated['cost']))}): "
        f"{length(float(stated['nominal_cover_mm']), units=units)}, "
        f"{strip_age(float(stated['strip_age_h']))}, curing after stripping: {stated['follow_up']}."
    )
    return sentences


def extra_cost(free: pd.Series[Any], stated: pd.Series[Any]) -> str:
    """Say how much more the pair of the stated target costs than the cheapest of all."""
    more = float(stated["cost"]) / float(free["cost"]) - 1.0
    return "nothing more" if more < SAME_COST else f"{percent(more)} more"


def _against_stated(answer: str, allowed: float) -> str:
    if answer == YES:
        return ", which meets the stated target"
    fails = (
        f"too close to the stated limit of {percent(allowed)} to call, which counts as failing"
        if answer == TOO_CLOSE
        else f"which the stated limit of {percent(allowed)} does not allow"
    )
    return f", {fails}: a low cost makes a pair cheap, not acceptable"


def within_flat(costs: pd.DataFrame) -> list[float]:
    """Return the allowed probabilities, rising, that cost at most `FLAT` more than the least."""
    least = float(costs.loc[costs["source"] == NO_TARGET, "cost"].iloc[0])
    near = costs[costs["allowed_probability"].notna() & (costs["cost"] <= (1.0 + FLAT) * least)]
    return sorted({float(p) for p in near["allowed_probability"]})


def target_warnings(
    scenario: Scenario, targets: pd.DataFrame, *, longest: float
) -> tuple[str, ...]:
    """State what the reader must know before using the numbers."""
    found = [*scenario.warnings, *other_cover_note(scenario)]
    if targets["confidence"].isna().all():
        found.append(NOTHING_EPISTEMIC)
    wanted = max(LIFE_FACTORS) * scenario.target.service_life
    if wanted > LONGEST_LIFE:
        found.append(
            f"Lives beyond {years(LONGEST_LIFE)} are left out; the longest here is {years(longest)}."
        )
    if scenario.choices is None:
        found.append(
            "Without a [choices] section neither covers nor strip ages nor prices were sought."
        )
    return tuple(found)
