"""What a run answers, in sentences, the most important first."""

from __future__ import annotations

from collections.abc import Hashable
from typing import Any

import numpy as np
import pandas as pd

from stripwise.scenario.model import Choices
from stripwise.studies.result_tables import DurabilityTarget
from stripwise.studies.results import ExchangeRate
from stripwise.units.formatting import (
    distinct_percents,
    duration,
    in_range,
    interval,
    length,
    percent,
    signed_percent,
    years,
)

__all__ = ["verdict"]

Row = dict[Hashable, Any]


def verdict(
    strategies: pd.DataFrame,
    sensitivity: pd.DataFrame,
    *,
    target: DurabilityTarget,
    choices: Choices | None,
    exchange: ExchangeRate | None,
    flips: bool,
    units: str,
) -> tuple[str, ...]:
    """State what the tables of a run show.

    `exchange` is the rate at the design point; `flips` is whether the order of the choices changes
    when their ranges are halved; `units` is "SI" or "US".
    """
    sentences = [_target_sentence(strategies, target), _acceptance_sentence(strategies, target)]
    sentences += _change_sentences(strategies, target)
    if choices is not None:
        sentences += _choice_sentences(
            sensitivity, choices=choices, exchange=exchange, flips=flips, units=units, target=target
        )
    return tuple(sentences)


def _rows(table: pd.DataFrame, key: str) -> dict[str, Row]:
    return {str(row[key]): row for row in table.to_dict("records")}


def _interval_words(row: Row) -> str:
    kind = "know_" if np.isfinite(row["know_low"]) else ""
    low, high = (row["know_low"], row["know_high"]) if kind else (row["low95"], row["high95"])
    reason = "over what is not known" if kind else "by sampling error alone"
    return f"{interval(low, high, percent)} {reason}"


def _target_sentence(strategies: pd.DataFrame, target: DurabilityTarget) -> str:
    row = _rows(strategies, "strategy")[target.reference]
    answer = {
        "yes": "meets",
        "no": "misses",
        "undecided": "neither surely meets nor surely misses",
    }[row["meets_target"]]
    probability, allowed = distinct_percents(row["probability_at_target"], target.probability)
    return (
        f'The reference strategy "{target.reference}" {answer} the target: the probability that the '
        f"bars are depassivated within {years(target.life)} is {probability} "
        f"({_interval_words(row)}), against "
        f"{allowed} allowed."
    )


def _acceptance_sentence(strategies: pd.DataFrame, target: DurabilityTarget) -> str:
    parts = []
    for word, one, more in (
        ("yes", "meets it", "meet it"),
        ("undecided", "is undecided", "are undecided"),
        ("no", "misses it", "miss it"),
    ):
        count = int((strategies["meets_target"] == word).sum())
        if count:
            parts.append(f"{count} {one if count == 1 else more}")
    below = strategies["probability_at_target"] <= target.probability
    return (
        f"Of {len(strategies)} strategies, {', '.join(parts)}; taken at the mean probability, "
        f"{int(below.sum())} of them {'stays' if below.sum() == 1 else 'stay'} within the target."
    )


def _change_sentences(strategies: pd.DataFrame, target: DurabilityTarget) -> list[str]:
    parts = []
    banded = False
    for name, row in _rows(strategies, "strategy").items():
        change = float(row["life_change_pct"])
        if name == target.reference:
            continue
        if np.isfinite(change):
            parts.append(
                f'"{name}" {"loses" if change < 0 else "gains"} {_unsigned(change)}'
                + _change_interval(row)
            )
            banded = banded or bool(_change_interval(row))
        else:
            parts.append(f'no share can be given for "{name}" ({row["life_status"]})')
    if not parts:
        return []
    brackets = " (in brackets: over what is not known)" if banded else ""
    return [
        f'Life until the target is reached, against "{target.reference}"{brackets}: '
        f"{'; '.join(parts)}."
    ]


def _change_interval(row: Row) -> str:
    low, high = row["life_change_know_low"], row["life_change_know_high"]
    return f" ({interval(low, high, signed_percent)})" if np.isfinite(low) else ""


def _unsigned(change: float) -> str:
    return signed_percent(abs(change)).removeprefix("+")


def _choice_sentences(
    sensitivity: pd.DataFrame,
    *,
    choices: Choices,
    exchange: ExchangeRate | None,
    flips: bool,
    units: str,
    target: DurabilityTarget,
) -> list[str]:
    epistemic = sensitivity[sensitivity["analysis"] == "choices over knowledge"]
    rows = sensitivity[(sensitivity["analysis"] == "choices") & sensitivity["total"].notna()]
    if rows.empty:
        return ["Over the ranges given, the reliability does not vary with any choice."]
    shares = _rows(rows, "input")
    total = {name: float(row["total"]) for name, row in shares.items()}
    first, second = "cover", "strip age"
    if total["strip age"] > total["cover"]:
        first, second = second, first

    def length_text(mm: float) -> str:
        return length(mm, units=units)

    write = in_range(length_text)
    low, high, _ = choices.cover
    ranges = f"{interval(low, high, write)} of cover and {interval(*choices.strip_age, duration)}"
    known = _rows(epistemic[epistemic["total"].notna()], "input")
    bounds, reason = (
        (known[first], "over what is not known")
        if known
        else (shares[first], "by sampling error alone")
    )
    hedge = "" if bounds["total_low95"] > 0.5 else "probably "
    text = (
        f"Within {ranges} in the forms, {first} {hedge}matters more than {second}: alone and with "
        f"the others it explains {percent(total[first])} of the variance of the reliability index "
        f"at {years(target.life)}, {second} {percent(total[second])}"
    )
    text += (
        f" (share of {first} "
        f"{interval(bounds['total_low95'], bounds['total_high95'], percent)} {reason})"
    )
    text += "."
    text += (
        " With both ranges halved about their middles the order changes, so it belongs to the "
        "ranges more than to the wall."
        if flips
        else " With both ranges halved about their middles the order stays."
    )
    sentences = [text]
    if exchange is not None and np.isfinite(exchange.rate):
        band = ""
        if np.isfinite(exchange.know_low):
            band = f" ({interval(exchange.know_low, exchange.know_high, write)} over what is not known)"
        sentences.append(
            f"At {write(exchange.cover)} of cover and forms kept "
            f"{duration(exchange.strip_age)}, 24 h more in the forms are worth "
            f"{write(exchange.rate)} of cover{band}."
        )
    return sentences
