"""What a run answers, in sentences, the most important first."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from stripwise.scenario.model import Choices, Target
from stripwise.studies.decision import NO, TOO_CLOSE, YES, manner
from stripwise.studies.result_tables import DurabilityTarget
from stripwise.studies.results import ExchangeRate
from stripwise.units.formatting import (
    confidence,
    distinct_percents,
    duration,
    in_range,
    interval,
    join_with_and,
    length,
    percent,
    signed_percent,
    years,
)

__all__ = [
    "NOTHING_EPISTEMIC",
    "VERBS",
    "Verdict",
    "answer_sentence",
    "every_strategy",
    "exchange_sentence",
    "limit",
    "strategies_meet",
    "uncertainty_range",
    "verdict",
]

Row = Mapping[Hashable, Any]

NOTHING_EPISTEMIC = (
    'No random input is epistemic (kind = "knowledge", or between_walls): there is no uncertainty '
    "range and no confidence, and intervals show sampling error only."
)

VERBS = {YES: "meets", NO: "fails", TOO_CLOSE: "is too close to call against"}
"""What a strategy does to its limit, by the answer."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a run answers: `answer` is what to do, for the first screen; `letter` the rest."""

    answer: tuple[str, ...]
    letter: tuple[str, ...]


def verdict(
    strategies: pd.DataFrame,
    sensitivity: pd.DataFrame,
    *,
    target: DurabilityTarget,
    choices: Choices | None,
    exchange: ExchangeRate | None,
    drawn: Mapping[str, float],
    flips: bool,
    units: str,
) -> Verdict:
    """State what the tables of a run show.

    `exchange` is the rate at the design point; `drawn` the nominal cover [mm] to draw for a
    strategy, inf where the range holds none; `flips` is whether the order of the choices changes
    when their ranges are halved; `units` is "SI" or "US".
    """
    rows = {str(row["strategy"]): row for row in strategies.to_dict("records")}
    reference = rows[target.reference]
    answer = [
        answer_sentence(target.reference, reference, target),
        _acceptance(rows),
        _ways_to_accept(rows, drawn, units),
        _meaning(reference),
    ]
    sentences = [_changes(rows, target)]
    if choices is not None:
        sentences.append(
            _choices(sensitivity, choices=choices, flips=flips, units=units, target=target)
        )
    if exchange is not None and np.isfinite(exchange.rate):
        saved = length(exchange.saved, units=units) if np.isfinite(exchange.saved) else ""
        sentences.append(
            exchange_sentence(
                cover=length(exchange.cover, units=units),
                hours=exchange.strip_age,
                add=length(exchange.rate, units=units),
                save=saved,
            )
        )
    return Verdict(tuple(filter(None, answer)), tuple(filter(None, sentences)))


def _meaning(row: Row) -> str:
    """Say what the probability is on the wall, and of what it is a mean."""
    shown, _ = _shown_probability(row, math.nan)
    share = "the share of the face to expect with depassivated bars by then"
    text = f"The {shown} is {share}" if shown[0].isdigit() else f"That is {share}"
    if np.isfinite(row["know_low"]):
        text += ": a mean over the uncertainty, which the worst cases pull up"
    return f"{text}."


def limit(target: Target) -> str:
    """Name the target of a scenario."""
    return f"the {percent(target.probability)} limit within {years(target.service_life)}"


def uncertainty_range(low: float, high: float, write: Callable[[float], str]) -> str:
    """Write the 95 % range over the epistemic inputs in brackets; nothing where there is none."""
    if math.isnan(low) or math.isnan(high):
        return ""
    return f" (uncertainty range {interval(low, high, write)})"


def answer_sentence(name: str, row: Row, target: DurabilityTarget) -> str:
    """Say whether a strategy meets the target, by how much and how sure that is.

    `row` holds the columns of `strategies`.
    """
    answer, sure = str(row["meets_target"]), float(row["confidence"])
    probability, allowed = _shown_probability(row, target.probability)
    how = manner(answer, sure)
    text = (
        f'"{name}" {VERBS[answer]} the {allowed} limit{f", {how}" if how else ""}: the probability '
        f"that the bars are depassivated within {years(target.life)} is {probability}"
        f"{uncertainty_range(row['know_low'], row['know_high'], percent)}."
    )
    if answer == TOO_CLOSE:
        text += " It counts as failing."
    if math.isnan(sure):
        return text
    chance = confidence(sure)
    if answer == YES:
        return f"{text} Confidence {chance}."
    return f"{text} Chance that it meets the limit nevertheless: {chance}."


def _shown_probability(row: Row, allowed: float) -> tuple[str, str]:
    """Write P at the target life and the allowed one; where P is too rare, what it lies beyond."""
    p, low, high = (float(row[name]) for name in ("probability_at_target", "low95", "high95"))
    if low == 0.0 < high:
        text = percent(high)
        return text if text.startswith("below") else f"below {text}", percent(allowed)
    if low < 1.0 == high:
        text = percent(low)
        return text if text.startswith("above") else f"above {text}", percent(allowed)
    return distinct_percents(p, allowed)


def _acceptance(rows: Mapping[str, Row]) -> str:
    parts = []
    for answer, words in (
        (YES, "Accept"),
        (NO, "Reject"),
        (TOO_CLOSE, "Too close to call, which counts as failing"),
    ):
        names = [f'"{name}"' for name, row in rows.items() if row["meets_target"] == answer]
        if len(names) == len(rows) > 1:
            names = [every_strategy(len(rows))]
        if names:
            parts.append(f"{words}: {join_with_and(names)}.")
        elif answer == YES:
            parts.append("Accept none.")
    return " ".join(parts)


def every_strategy(of: int) -> str:
    """Name all strategies of several: "both strategies", "all 7 strategies"."""
    return "both strategies" if of == 2 else f"all {of} strategies"


def strategies_meet(met: int, *, of: int) -> str:
    """Say how many strategies meet a target, to be followed by which.

    >>> [strategies_meet(met, of=2) for met in (0, 1, 2)]
    ['No strategy meets', '1 of 2 strategies meets', 'Both strategies meet']
    """
    if met == 0:
        return "No strategy meets"
    if met == of:
        return "The strategy meets" if of == 1 else f"{every_strategy(of).capitalize()} meet"
    return f"{met} of {of} strategies {'meets' if met == 1 else 'meet'}"


def _ways_to_accept(rows: Mapping[str, Row], drawn: Mapping[str, float], units: str) -> str:
    """Say which cover makes the rejected strategies acceptable."""
    by_cover: dict[float, list[str]] = {}
    for name, row in rows.items():
        if row["meets_target"] != YES and name in drawn:
            by_cover.setdefault(drawn[name], []).append(f'"{name}"')
    parts = [
        f"draw {length(cover, units=units)} of nominal cover to accept {join_with_and(names)}"
        for cover, names in sorted(by_cover.items())
        if np.isfinite(cover)
    ]
    never = by_cover.get(math.inf, [])
    text = f"{'; '.join(parts)}." if parts else ""
    text = text[:1].upper() + text[1:]
    if never:
        text += f" No cover of the range is enough for {join_with_and(never)}."
    return text.strip()


def _changes(rows: Mapping[str, Row], target: DurabilityTarget) -> str:
    parts, ranged = [], False
    for name, row in rows.items():
        change = float(row["life_change_pct"])
        if name == target.reference:
            continue
        if not np.isfinite(change):
            parts.append(f'no share can be given for "{name}" ({row["life_status"]})')
            continue
        ends = (row["life_change_know_low"], row["life_change_know_high"])
        shown = f" ({interval(*ends, signed_percent)})" if np.isfinite(ends[0]) else ""
        ranged = ranged or bool(shown)
        size = signed_percent(abs(change)).removeprefix("+")
        parts.append(f'"{name}" {"loses" if change < 0 else "gains"} {size}{shown}')
    if not parts:
        return ""
    return (
        f"Years until the {percent(target.probability)} limit is exceeded, against "
        f'"{target.reference}"{" (uncertainty range in brackets)" if ranged else ""}: '
        f"{'; '.join(parts)}."
    )


def _choices(
    sensitivity: pd.DataFrame,
    *,
    choices: Choices,
    flips: bool,
    units: str,
    target: DurabilityTarget,
) -> str:
    rows = sensitivity[(sensitivity["analysis"] == "choices") & sensitivity["total"].notna()]
    if rows.empty:
        return "Over the ranges given, no choice changes the reliability."
    total = {str(row["input"]): float(row["total"]) for row in rows.to_dict("records")}
    first, second = "cover", "strip age"
    if total["strip age"] > total["cover"]:
        first, second = second, first
    low, high, _ = choices.cover
    write = in_range(lambda mm: length(mm, units=units))
    known = sensitivity[
        (sensitivity["analysis"] == "choices by epistemic point") & (sensitivity["input"] == first)
    ].dropna(subset=["total"])
    ends = ""
    if len(known):
        low95, high95 = (float(known.iloc[0][key]) for key in ("total_low95", "total_high95"))
        ends = uncertainty_range(low95, high95, percent)
    order = (
        "changes the order, so it belongs to the ranges" if flips else "does not change the order"
    )
    return (
        f"Within {interval(low, high, write)} of nominal cover and "
        f"{interval(*choices.strip_age, duration)} in the forms, {first} matters more than {second}: "
        f"it explains {percent(total[first])}{ends} of the variance of the reliability index at "
        f"{years(target.life)}, {second} {percent(total[second])}, each with its interactions. "
        f"Halving both ranges {order}."
    )


def exchange_sentence(*, cover: str, hours: float, add: str, save: str) -> str:
    """Say what a day in the forms and cover are worth to each other, both ways."""
    text = (
        f"At {cover} of nominal cover, {add} more cover at {duration(hours)} is as reliable as 24 h "
        "more in the forms"
    )
    if save:
        text += f"; with the forms kept {duration(hours + 24.0)}, {save} of cover can be taken off"
    return text + "."
