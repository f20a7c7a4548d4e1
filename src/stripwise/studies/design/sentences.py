"""What a design answers, in sentences, the most important first."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from stripwise.studies.design.exchange_rates import AT_DESIGN_POINT, COVER_PER_DAY
from stripwise.studies.service_notes import omitted_options
from stripwise.units.caution import STRENGTH_FIRST
from stripwise.units.formatting import (
    duration,
    in_range,
    interval,
    join_with_and,
    length,
    number,
    per_unit,
    percent,
    price,
    years,
)

if TYPE_CHECKING:
    from stripwise.studies.design.design_result import DesignResult

__all__ = ["design_verdict", "design_warnings"]

NAMED_PARAMETERS = ("price of a repair", "real discount rate")
"""Break-even parameters that the sentences name; the table has all."""


def design_verdict(result: DesignResult) -> tuple[str, ...]:
    """State what the tables of a design show."""
    sentences = [_required(result), _strategies(result), _earliest(result), _exchange_rate(result)]
    if result.cost is not None and result.choice is not None:
        sentences += [
            _cheapest(result, result.cost),
            _hour_value(result),
            _choice_changes(result.choice),
        ]
    return tuple(sentence for sentence in sentences if sentence)


def design_warnings(result: DesignResult) -> tuple[str, ...]:
    """State what the reader must know before using a design."""
    warnings = [*result.scenario.warnings, *omitted_options(result.scenario, "design")]
    if result.required["know_low"].isna().all():
        warnings.append(
            "No random input is marked as knowledge: intervals show sampling error only."
        )
    else:
        warnings.append(
            "Required cover and earliest strip age meet the target on average over what is not "
            "known; the knowledge interval says how far they move if it is settled either way."
        )
    broken = result.rules[~result.rules["status"].eq("ok")]
    warnings += [f"{row['strategy']}: {row['status']}." for row in broken.to_dict("records")]
    for table, place in ((result.required, "strategy"), (result.earliest, "follow_up")):
        falls = table[table["status"].str.startswith("not monotone")]
        warnings += [f"{row[place]}: {row['status']}." for row in falls.to_dict("records")]
    if result.cost is None:
        warnings.append(
            "The scenario has no [cost] section: nothing is said about money. Prices of forms, "
            "follow-up, cover and repair would add it."
        )
    return tuple(warnings)


def _row(table: pd.DataFrame, **where: str) -> dict[str, Any]:
    for key, text in where.items():
        table = table[table[key] == text]
    return {str(k): v for k, v in table.iloc[0].items()}


def _required(result: DesignResult) -> str:
    scenario = result.scenario
    name, target = scenario.reference_strategy, scenario.target
    row = _row(result.required, strategy=name)
    goal = f"the target of {percent(target.probability)} within {years(target.service_life)}"
    if row["status"].startswith("no cover"):
        return (
            f'With "{name}" no cover of the range up to '
            f"{_length(result.design['nominal_cover_mm'].max(), result)} meets {goal}."
        )
    if row["status"].startswith("any cover"):
        return f'With "{name}" any cover of the range meets {goal}.'
    return (
        f'With "{name}" the wall needs a nominal cover of '
        f"{_length(row['required_cover_mm'], result)}, {_length(row['drawn_cover_mm'], result)} on "
        f"the drawing, to meet {goal}{_knowledge_interval(row, result)}."
    )


def _knowledge_interval(row: dict[str, Any], result: DesignResult) -> str:
    low, high = float(row["know_low"]), float(row["know_high"])
    if np.isnan(low) or np.isnan(high):
        return ""
    ends = interval(low, high, in_range(lambda mm: _length(mm, result)))
    return f" ({ends} over what is not known)"


def _strategies(result: DesignResult) -> str:
    by_cover: dict[str, list[str]] = {}
    for row in result.required.to_dict("records"):
        if row["strategy"] == result.scenario.reference_strategy:
            continue
        drawn = row["drawn_cover_mm"]
        text = _length(drawn, result) if np.isfinite(drawn) else "more than the range holds"
        if row["status"].startswith("any cover"):
            text += " or less"
        by_cover.setdefault(text, []).append(f'"{row["strategy"]}"')
    parts = [f"{join_with_and(names)} {text}" for text, names in by_cover.items()]
    return f"The others need on the drawing: {'; '.join(parts)}." if parts else ""


def _earliest(result: DesignResult) -> str:
    table = result.earliest
    own = result.scenario.nominal_cover
    covers = np.sort(table["nominal_cover_mm"].unique())
    cover = float(covers[int(np.argmin(np.abs(covers - own)))])
    parts = []
    for row in table[np.isclose(table["nominal_cover_mm"], cover)].to_dict("records"):
        follow_up = "no follow-up" if row["follow_up"] == "none" else row["follow_up"]
        if row["status"].startswith("no strip"):
            text = f"never within {duration(result.design['strip_age_h'].max())}"
        elif row["status"].startswith("any strip"):
            text = f"at any strip age from {duration(row['earliest_strip_age_h'])} on"
        else:
            text = f"from {duration(row['earliest_strip_age_h'])} on"
        parts.append(f"with {follow_up} {text}")
    return (
        f"At a nominal cover of {_length(cover, result)} the target is met on average: "
        f"{'; '.join(parts)} (durability alone; {STRENGTH_FIRST})."
    )


def _exchange_rate(result: DesignResult) -> str:
    table = result.exchange
    first = table[table["place"] == AT_DESIGN_POINT]
    rows = first[first["question"] == COVER_PER_DAY].to_dict("records")
    if not rows or not np.isfinite(rows[0]["value"]):
        return ""
    row = rows[0]
    text = (
        f"At {_length(row['nominal_cover_mm'], result)} of nominal cover and forms kept "
        f"{duration(row['strip_age_h'])}, 24 h more in the forms are worth "
        f"{_length(row['value'], result)} of cover"
    )
    scatter = first[first["question"].str.contains("scatter")].to_dict("records")
    if scatter and np.isfinite(scatter[0]["value"]):
        cut = " ".join(str(scatter[0]["question"]).split()[2:4])
        text += f"; {cut} less scatter of the cover is worth {_length(scatter[0]['value'], result)}"
    return text + "."


def _cheapest(result: DesignResult, cost: pd.DataFrame) -> str:
    points = cost[cost["kind"] == "cheapest point"]
    if points.empty:
        return "No design point of the map surely meets the target, so none is the cheapest."
    best = points.sort_values("cost").iloc[0]
    money = best["currency"]
    follow_up = best["follow_up"]
    then = "no follow-up" if follow_up == "none" else f"the follow-up {follow_up}"
    text = (
        "The cheapest design point that meets the target on average has "
        f"{_length(best['nominal_cover_mm'], result)} of nominal cover, forms kept "
        f"{duration(best['strip_age_h'])} and {then}: "
        f"{number(best['cost'])} {money}/m² expected present cost, "
        f"{number(best['first_cost'])} of it for the first build"
    )
    drawn = cost[(cost["kind"] == "strategy at drawn cover") & (cost["met_on_average"] == "yes")]
    if drawn.empty:
        return text + "."
    pick = drawn.sort_values("cost").iloc[0]
    return text + (
        f'. Among the strategies, each at its drawn cover, "{pick["option"]}" with '
        f"{_length(pick['nominal_cover_mm'], result)} is the cheapest, {number(pick['cost'])} {money}/m²."
    )


def _hour_value(result: DesignResult) -> str:
    rows = result.exchange[result.exchange["question"].str.startswith("most that one hour")]
    scenario = result.scenario
    if rows.empty or scenario.cost is None:
        return ""
    row = rows.to_dict("records")[0]
    band = (
        ""
        if np.isnan(row["know_low"])
        else f" ({interval(row['know_low'], row['know_high'], price)} over what is not known)"
    )
    answer = "less" if row["value"] < scenario.cost.forms else "more"
    text = (
        f"At {_length(row['nominal_cover_mm'], result)} of nominal cover and forms kept "
        f"{duration(row['strip_age_h'])}, one hour more in the forms avoids repairs worth "
        f"{price(row['value'])} {scenario.cost.currency}/m²{band}, {answer} than the "
        f"{price(scenario.cost.forms)} that the hour costs"
    )
    faster = result.exchange[result.exchange["question"].str.startswith("cover that stripping")]
    for other in faster.to_dict("records"):
        if np.isfinite(other["value"]):
            hours = float(str(other["question"]).split()[3])
            paid = float(other["value"]) * scenario.cost.cover
            text += (
                f"; stripping {duration(hours)} earlier must buy {_length(other['value'], result)} of "
                f"cover for {price(paid)} {scenario.cost.currency}/m² and saves "
                f"{price(hours * scenario.cost.forms)} of forms"
            )
    return text + "."


def _choice_changes(choice: pd.DataFrame) -> str:
    parts = []
    for row in choice[choice["parameter"].isin(NAMED_PARAMETERS)].to_dict("records"):
        for side, word in (("above", "above"), ("below", "below")):
            at = row[f"changes_{side}"]
            if np.isnan(at):
                continue
            shown, own = (per_unit(x, row["unit"]) for x in (at, row["value"]))
            parts.append(
                f'{word} a {row["parameter"]} of {shown} (now {own}) to "{row[f"choice_{side}"]}"'
            )
    if not parts:
        return (
            "The choice among the strategies stays the same over all repair prices and discount "
            "rates looked at."
        )
    return f"The choice among the strategies changes {'; '.join(parts)}."


def _length(mm: float, result: DesignResult) -> str:
    return length(float(mm), units=result.scenario.units)
