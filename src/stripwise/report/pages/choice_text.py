"""What a report says about the choices: ranges, options and which of them matters most."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from stripwise.studies.rank.choice_tables import INDEX, ChoiceTables
from stripwise.studies.rank.factorial import Choice
from stripwise.units import formatting

__all__ = [
    "CHOICE_NAMES",
    "ChoiceSpan",
    "choice_sentences",
    "choice_spans",
    "clipped_note",
    "option_text",
    "planned_row",
]

CHOICE_NAMES = {
    "cover": "cover",
    "strip age": "strip age",
    "follow-up": "curing after stripping",
    "strategy": "strategy of stripping and curing",
    "execution scatter": "scatter of the cover",
    "concrete": "concrete",
}
"""What a reader calls each choice."""


@dataclass(frozen=True, slots=True)
class ChoiceSpan:
    """How far one choice alone moves the probability, all else as planned.

    Attributes
    ----------
    name
        Name of the choice, as the tables have it.
    rows
        Its options, the one with the lowest probability first.
    span
        Difference of the reliability index between its best and its worst option.
    """

    name: str
    rows: pd.DataFrame
    span: float


def choice_spans(tables: ChoiceTables) -> list[ChoiceSpan]:
    """List how far each choice alone moves the probability, the widest first."""
    options = tables.options[tables.options["choice"] != ""]
    spans = []
    for name, rows in options.groupby("choice", sort=False):
        ordered = rows.sort_values("probability", kind="stable")
        span = _index(ordered, 0) - _index(ordered, -1)
        spans.append(ChoiceSpan(str(name), ordered, span))
    return sorted(spans, key=lambda choice: -choice.span)


def _index(rows: pd.DataFrame, place: int) -> float:
    return float(rows["reliability_index"].to_numpy(dtype=float)[place])


def planned_row(tables: ChoiceTables) -> pd.Series:
    """Return the row of the strategy as planned."""
    return tables.options[tables.options["choice"] == ""].iloc[0]


def option_text(row: pd.Series, *, units: str) -> str:
    """Name an option: its words, or its number with the unit."""
    if row["option"]:
        return str(row["option"])
    value = float(row["value"])
    text = (
        formatting.duration(value) if row["unit"] == "h" else formatting.length(value, units=units)
    )
    return f"sd {text}" if row["choice"] == "execution scatter" else text


def choice_sentences(
    tables: ChoiceTables, *, strategy: str, life: float, allowed: float, units: str
) -> list[str]:
    """Say which choice moves the outcome most, within which ranges and how sure that is.

    `life` is the target life [yr], `allowed` the probability allowed within it.
    """
    if not tables.top:
        return ["No choice on the table moves the reliability within the ranges given."]
    ranges = formatting.join_with_and(
        [_range_text(choice, units) for choice in tables.design.choices]
    )
    rows = _total_shares(tables, "choices")
    order = rows["total"].sort_values(ascending=False)
    over = "choices by epistemic point" if tables.over_knowledge else "choices"
    bounds = _total_shares(tables, over).to_dict("index")[tables.top]
    kind = "uncertainty range" if tables.over_knowledge else "sampling interval"
    low, high = (float(bounds[f"total_{end}95"]) for end in ("low", "high"))
    within = formatting.interval(low, high, formatting.percent)
    others = [name for name in order.index if name != tables.top]
    text = (
        f"Within {ranges}, the {CHOICE_NAMES[tables.top]} moves the reliability at "
        f"{formatting.years(life)} most: alone and with the others it holds "
        f"{formatting.percent(float(order[tables.top]))} of the variance ({kind} {within})"
    )
    if others:
        text += f", then the {CHOICE_NAMES[others[0]]} with {formatting.percent(float(order[others[0]]))}"
    text += f". It comes first at {formatting.percent(tables.top_share)} of the points "
    text += "of the uncertainty range" if tables.over_knowledge else "of the sample"
    text += (
        ". Halving the ranges changes the order, so it belongs to the ranges."
        if tables.flips
        else ". Halving the ranges does not change the order."
    )
    return [
        _widest_choice_sentence(tables, strategy=strategy, life=life, allowed=allowed, units=units),
        text,
    ]


def _total_shares(tables: ChoiceTables, analysis: str) -> pd.DataFrame:
    table = tables.indices
    here = (table["analysis"] == analysis) & (table["quantity"] == INDEX)
    return table[here & (table["input"] != "") & (table["input2"] == "")].set_index("input")


def _widest_choice_sentence(
    tables: ChoiceTables, *, strategy: str, life: float, allowed: float, units: str
) -> str:
    widest = choice_spans(tables)[0]
    best, worst = widest.rows.iloc[0], widest.rows.iloc[-1]
    now = float(planned_row(tables)["probability"])
    return (
        f"With all else as in {strategy} ({formatting.percent(now)} within {formatting.years(life)}, "
        f"{formatting.percent(allowed)} allowed), the {CHOICE_NAMES[widest.name]} alone takes the "
        f"probability of depassivation from {formatting.percent(float(best['probability']))} "
        f"({option_text(best, units=units)}) to {formatting.percent(float(worst['probability']))} "
        f"({option_text(worst, units=units)}), further than any other choice."
    )


def _range_text(choice: Choice, units: str) -> str:
    plurals = {
        "follow-up": "ways of curing after stripping",
        "strategy": "strategies",
        "concrete": "concretes",
    }
    if choice.name in plurals:
        return f"{len(choice.options)} {plurals[choice.name]}"

    def write(x: float) -> str:
        hours = choice.name == "strip age"
        return formatting.duration(x) if hours else formatting.length(x, units=units)

    span = formatting.interval(choice.numbers[0], choice.numbers[-1], write)
    if choice.name == "strip age":
        return f"{span} in the forms"
    if choice.name == "execution scatter":
        return f"a cover scatter of {span} (sd{'; assumed' if choice.assumed else ''})"
    return f"{span} of nominal cover{' (assumed)' if choice.assumed else ''}"


def clipped_note(tables: ChoiceTables) -> str:
    """Say what share of the combinations was clipped; empty if none."""
    index_clipped, life_clipped = tables.clipped
    notes = []
    if index_clipped > 0.0:
        notes.append(
            f"{formatting.percent(index_clipped)} of the combinations have a reliability index beyond "
            f"{formatting.MINUS}4 to 6, which counts as these ends"
        )
    if life_clipped > 0.0 and np.isfinite(life_clipped):
        notes.append(
            f"{formatting.percent(life_clipped)} live beyond the horizon, which counts as their life in its "
            "shares"
        )
    return f"Of the choices, {'; '.join(notes)}." if notes else ""
