"""What a run answers, in sentences, the most important first."""

from __future__ import annotations

from collections.abc import Hashable
from typing import Any

import numpy as np
import pandas as pd

from stripwise.scenario.model import Choices
from stripwise.studies.result_tables import DurabilityTarget
from stripwise.studies.results import ExchangeRate

__all__ = ["verdict"]

MM_PER_INCH = 25.4
MINUS = "\N{MINUS SIGN}"

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


def _percent(share: float) -> str:
    if 0.0 < share < 0.0001:
        return "below 0.01 %"
    return f"{100.0 * share:.2g} %" if share < 0.0995 else f"{100.0 * share:.0f} %"


def _distinct_percents(share: float, allowed: float) -> tuple[str, str]:
    """Write two probabilities with as many digits as keep them distinct."""
    texts = _percent(share), _percent(allowed)
    for digits in (3, 4, 5):
        if texts[0] != texts[1] or share == allowed:
            return texts
        texts = f"{100.0 * share:#.{digits}g} %", f"{100.0 * allowed:#.{digits}g} %"
    return texts


def _rows(table: pd.DataFrame, key: str) -> dict[str, Row]:
    return {str(row[key]): row for row in table.to_dict("records")}


def _interval_words(row: Row) -> str:
    kind = "know_" if np.isfinite(row["know_low"]) else ""
    low, high = (row["know_low"], row["know_high"]) if kind else (row["low95"], row["high95"])
    reason = "over what is not known" if kind else "by sampling error alone"
    return f"from {_percent(low)} to {_percent(high)} {reason}"


def _target_sentence(strategies: pd.DataFrame, target: DurabilityTarget) -> str:
    row = _rows(strategies, "strategy")[target.reference]
    answer = {
        "yes": "meets",
        "no": "misses",
        "undecided": "neither surely meets nor surely misses",
    }[row["meets_target"]]
    reference_probability, allowed = _distinct_percents(
        row["probability_at_target"], target.probability
    )
    return (
        f'The reference strategy "{target.reference}" {answer} the target: the probability that the '
        f"bars are depassivated within {target.life:g} yr is {reference_probability} ({_interval_words(row)}), against "
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
                f'"{name}" {"loses" if change < 0 else "gains"} {abs(change):.0f} %'
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
    return f" ({low:+.0f} to {high:+.0f} %)".replace("-", MINUS) if np.isfinite(low) else ""


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
    low, high, _ = choices.cover
    ranges = f"{_length(low, units)} to {_length(high, units)} of cover and {_duration(choices)}"
    known = _rows(epistemic[epistemic["total"].notna()], "input")
    bounds, reason = (
        (known[first], "over what is not known")
        if known
        else (shares[first], "by sampling error alone")
    )
    hedge = "" if bounds["total_low95"] > 0.5 else "probably "
    text = (
        f"Within {ranges} in the forms, {first} {hedge}matters more than {second}: alone and with "
        f"the others it explains {_percent(total[first])} of the variance of the reliability index "
        f"at {target.life:g} yr, {second} {_percent(total[second])}"
    )
    text += (
        f" (share of {first} between {_percent(bounds['total_low95'])} and "
        f"{_percent(bounds['total_high95'])} {reason})"
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
            band = (
                f" ({_length(exchange.know_low, units)} to {_length(exchange.know_high, units)} "
                "over what is not known)"
            )
        sentences.append(
            f"At {_length(exchange.cover, units)} of cover and forms kept "
            f"{exchange.strip_age:.3g} h, 24 h more in the forms are worth "
            f"{_length(exchange.rate, units)} of cover{band}."
        )
    return sentences


def _length(mm: float, units: str) -> str:
    if np.isinf(mm):
        return "more than " + _length(60.0, units)
    if units == "US":
        return f"{mm / MM_PER_INCH:.2f} in"
    return f"{mm:.0f} mm" if mm >= 9.95 else f"{mm:.2g} mm"


def _duration(choices: Choices) -> str:
    low, high = choices.strip_age
    return f"{low:.3g} to {high:.3g} h"
