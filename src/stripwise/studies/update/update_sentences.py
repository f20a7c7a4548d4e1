"""What an update says, in sentences, the most important first."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from stripwise.scenario.model import Scenario
from stripwise.scenario.sections.interventions import NO_INTERVENTION
from stripwise.studies.decision import NO, TOO_CLOSE, YES, manner
from stripwise.studies.update.cover_spread import AS_EXPECTED, MORE
from stripwise.studies.update.prior_predictive import SURPRISING
from stripwise.studies.update.update_result import UpdateResult
from stripwise.units.formatting import (
    confidence,
    count,
    distinct_percents,
    interval,
    join_with_and,
    length,
    number,
    percent,
    price,
    years,
)

__all__ = ["contradictions", "update_sentences"]

Row = Mapping[Any, Any]

LEADING = 0.25
"""Share of what is left open from which one input is named alone."""

MOVED = 0.0005
"""Change of the probability below which a file did not move it."""


def update_sentences(result: UpdateResult) -> tuple[str, ...]:
    """Say in ten seconds what the inspections changed."""
    case = result.case
    row = _reference(result)
    found = [_headline(result, row), _verdict(case, row), _remaining(result, row)]
    found += [_others(result), _moved(result), _open(result)]
    found += [_covers(result), _worth(result)]
    return tuple(text for text in (*contradictions(result), *found) if text)


def contradictions(result: UpdateResult) -> tuple[str, ...]:
    """Say which data the scenario would hardly have produced."""
    return tuple(
        f"The {row['data']} contradict the scenario: of {count(row['simulated'])} data sets that it "
        f"would produce, only {percent(row['p_value'])} are as improbable. Find out why before you use the update: "
        "a unit, a basis, a wrong strategy, an exposure that is not the scenario's."
        for row in result.checks.to_dict("records")
        if row["p_value"] < SURPRISING
    )


def _reference(result: UpdateResult) -> Row:
    table = result.strategies
    return table[table["strategy"] == result.case.reference_strategy].to_dict("records")[0]


def _headline(result: UpdateResult, row: Row) -> str:
    case = result.case
    before, after = (float(row[f"probability_{when}"]) for when in ("before", "after"))
    one, other = distinct_percents(before, after)
    verb = "raise" if after > before else "lower"
    moved = f"from {one} to {other}"
    if one == other:
        verb, moved = "leave", f"at {other}"
    when = f" up to year {number(result.age)}" if result.age else ""
    ends = interval(row["know_low_after"], row["know_high_after"], percent)
    ranged = f" (uncertainty range {ends})" if ends else ""
    return (
        f"The inspections{when} {verb} the probability that the bars are depassivated within "
        f'{years(case.target.service_life)} under "{row["strategy"]}" {moved}{ranged}.'
    )


def _verdict(case: Scenario, row: Row) -> str:
    allowed = percent(case.target.probability)
    now, then = str(row["meets_target_after"]), str(row["meets_target_before"])
    sure = float(row["confidence_after"])
    if now == TOO_CLOSE:
        return f"It is too close to call against the {allowed} limit, which counts as failing."
    verb = "meets" if now == YES else "fails"
    still = "still" if now == then else "now"
    how = manner(now, sure)
    text = f"It {still} {verb} the {allowed} limit{f', {how}' if how else ''}."
    if math.isnan(sure):
        return text
    if now == YES:
        return f"{text} Confidence {confidence(sure)}."
    return f"{text} Chance that it meets the limit nevertheless: {confidence(sure)}."


def _remaining(result: UpdateResult, row: Row) -> str:
    if not result.age:
        return ""
    horizon = result.case.sampling.horizon
    allowed = percent(result.case.target.probability)

    def left(when: str) -> str:
        life = float(row[f"life_at_target_yr_{when}"])
        if math.isinf(life):
            return f"more than {years(horizon - result.age)}"
        return years(float(row[f"remaining_yr_{when}"]))

    after, before = left("after"), left("before")
    if float(row["remaining_yr_after"]) == 0.0:
        return f"The {allowed} limit is already exceeded; before the update {before} were left."
    return (
        f"From year {number(result.age)} on, {after} are left until the {allowed} limit is exceeded; "
        f"before the update {before}."
    )


def _covers(result: UpdateResult) -> str:
    """Say how the spread of the covers read compares with the scenario's."""
    if result.covers is None:
        return ""
    units = result.case.units
    texts = []
    for row in result.covers.to_dict("records"):
        found, kept = (length(row[name], units=units) for name in ("sd_mm", "sd_scenario_mm"))
        text = (
            f"By {row['file']} the cover scatters along the wall with a standard deviation of {found}, "
            f"in the scenario with {kept}"
        )
        if row["status"] == AS_EXPECTED:
            texts.append(f"{text}; chance explains the difference, and the scenario's is kept.")
            continue
        way = "low" if row["status"] == MORE else "high"
        texts.append(
            f"{text}, which the update keeps. Chance does not explain the difference: where thin covers "
            f"decide, the probability is too {way}. Write the spread that was found into the scenario "
            "and update again."
        )
    return " ".join(texts)


def _worth(result: UpdateResult) -> str:
    """Say which next inspection is worth most before a decision on the interventions."""
    table, cost = result.next_inspections, result.case.cost
    if table is None or cost is None or "worth_per_m2" not in table:
        return ""
    row = max(table.to_dict("records"), key=lambda one: float(one["worth_per_m2"]))
    when, best = number(float(row["age_yr"])), row["best_now"]
    now = f"By what is known now {best} saves most in year {when}"
    if best == NO_INTERVENTION:
        now = f"By what is known now no intervention saves money in year {when}"
    if float(row["worth_low95"]) <= 0.0:
        return f"{now}, and no inspection is sure to be worth money before that choice."
    ends = interval(row["worth_low95"], row["worth_high95"], lambda x: price(cost.per_area(x)))
    worth = price(cost.per_area(row["worth_per_m2"]))
    text = (
        f"{now}. Of the inspections, {row['design']} before that choice would be worth most: {worth} "
        f"{cost.unit} (sampling interval {ends})"
    )
    extent = result.case.service.extent
    if extent is not None:
        face = extent.width * extent.height
        text += f", {price(face * row['worth_per_m2'])} {cost.currency} on the face of [extent]"
    return f"{text}. What the inspection costs comes off."


def _others(result: UpdateResult) -> str:
    """Name the strategies whose answer the update turns."""
    rows = result.strategies.to_dict("records")
    turned = {
        word: [
            f'"{row["strategy"]}"'
            for row in rows
            if row["strategy"] != result.case.reference_strategy
            and row["meets_target_after"] == answer
            and row["meets_target_before"] != answer
        ]
        for answer, word in ((YES, "meets"), (NO, "fails"))
    }
    parts = [
        f"{join_with_and(names)} now {word if len(names) == 1 else word.removesuffix('s')} it too"
        if names
        else ""
        for word, names in turned.items()
    ]
    text = "; ".join(filter(None, parts))
    return f"{text}." if text else ""


def _moved(result: UpdateResult) -> str:
    if len(result.data) < 2:
        return ""
    rows = [
        row for row in result.data.to_dict("records") if math.isfinite(row["probability_moved"])
    ]
    if not rows:
        return ""
    most = max(rows, key=lambda row: abs(row["probability_moved"]))
    if abs(most["probability_moved"]) < MOVED:
        return "No single file moves the answer much."
    _, without = distinct_percents(
        most["probability_without"] + most["probability_moved"], most["probability_without"]
    )
    return f"{most['file']} moved the answer most: without it the probability would be {without}."


def _open(result: UpdateResult) -> str:
    table = result.inputs.dropna(subset=["variance_share"])
    if table.empty:
        return ""
    rows = table.sort_values("variance_share", ascending=False, kind="stable").to_dict("records")
    first = rows[0]
    share = float(first["variance_share"])
    if share < LEADING:
        names = join_with_and([str(row["label"]) for row in rows[:3]])
        return f"What remains open is spread over several inputs, first of all {names}."
    much = "Most" if share > 0.5 else "The largest part"
    return (
        f"{much} of what remains open is the {first['label']}: it explains {percent(share)} of the "
        "variance of the probability."
    )
