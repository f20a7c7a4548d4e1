"""What a design answers, in sentences, the most important first."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from stripwise.studies.decision import YES
from stripwise.studies.design.cost_tables import CHEAPEST_PAIR, DRAWN_STRATEGY
from stripwise.studies.design.exchange_rates import (
    AT_DESIGN_POINT,
    COVER_FOR_EARLIER,
    COVER_PER_DAY,
    COVER_SAVED,
)
from stripwise.studies.posterior_notes import other_cover_note
from stripwise.studies.service_notes import omitted_options
from stripwise.studies.verdict import (
    NOTHING_EPISTEMIC,
    exchange_sentence,
    limit,
    uncertainty_range,
)
from stripwise.units.caution import STRENGTH_FIRST
from stripwise.units.curing_words import strip_age
from stripwise.units.formatting import (
    duration,
    in_range,
    join_with_and,
    length,
    price,
)

if TYPE_CHECKING:
    from stripwise.scenario.sections.cost import Cost
from stripwise.studies.design.design_result import DesignResult

__all__ = ["design_answer", "design_verdict", "design_warnings"]

NAMED_PARAMETERS = ("price of a repair", "real discount rate")
"""Break-even parameters that the sentences name; the table has all."""


def design_verdict(result: DesignResult) -> tuple[str, ...]:
    """State what the tables of a design show."""
    letter = [_exchange_rate(result)]
    cost = result.scenario.cost
    if cost is not None and result.choice is not None:
        letter += [_hour_value(result), _choice_changes(result.choice, cost)]
    return (*design_answer(result), *(sentence for sentence in letter if sentence))


def design_answer(result: DesignResult) -> tuple[str, ...]:
    """State what to draw, how early the forms may go, and which pair costs least."""
    sentences = [_required(result), _strategies(result), _earliest(result)]
    if result.cost is not None:
        sentences.append(_cheapest(result, result.cost))
    return tuple(sentence for sentence in sentences if sentence)


def design_warnings(result: DesignResult) -> tuple[str, ...]:
    """State what the reader must know before using a design."""
    case = result.scenario
    warnings = [*case.warnings, *other_cover_note(case), *omitted_options(case, "design")]
    if result.required["know_low"].isna().all():
        warnings.append(NOTHING_EPISTEMIC)
    broken = result.rules[~result.rules["status"].eq("ok")]
    warnings += [f"{row['strategy']}: {row['status']}." for row in broken.to_dict("records")]
    for table, place in ((result.required, "strategy"), (result.earliest, "follow_up")):
        falls = table[table["status"].str.startswith("not monotone")]
        warnings += [f"{row[place]}: {row['status']}." for row in falls.to_dict("records")]
    if result.cost is None:
        warnings.append(
            "The scenario has no [cost] section: nothing is said about money. Prices of forms, "
            "curing after stripping, cover and repair would add it."
        )
    return tuple(warnings)


def _row(table: pd.DataFrame, **where: str) -> dict[str, Any]:
    for key, text in where.items():
        table = table[table[key] == text]
    return {str(k): v for k, v in table.iloc[0].items()}


def _required(result: DesignResult) -> str:
    name = result.scenario.reference_strategy
    row, goal = _row(result.required, strategy=name), limit(result.scenario.target)
    if row["status"].startswith("no cover"):
        most = _length(result.design["nominal_cover_mm"].max(), result)
        return f'With "{name}" no cover of the range, up to {most}, meets {goal}.'
    if row["status"].startswith("any cover"):
        return f'With "{name}" any cover of the range meets {goal}.'
    return (
        f'With "{name}" the wall needs a nominal cover of '
        f"{_length(row['required_cover_mm'], result)}{_range(row, result)} to meet {goal}: "
        f"{_draw(row['drawn_cover_mm'], result)}."
    )


def _range(row: dict[str, Any], result: DesignResult) -> str:
    write = in_range(lambda mm: _length(mm, result))
    return uncertainty_range(float(row["know_low"]), float(row["know_high"]), write)


def _draw(cover: float, result: DesignResult) -> str:
    if np.isfinite(cover):
        return f"draw {_length(cover, result)}"
    return "no cover of the range that can be drawn is enough"


def _strategies(result: DesignResult) -> str:
    by_cover: dict[str, list[str]] = {}
    for row in result.required.to_dict("records"):
        if row["strategy"] == result.scenario.reference_strategy:
            continue
        drawn = row["drawn_cover_mm"]
        text = _length(drawn, result) if np.isfinite(drawn) else "more than the range holds"
        by_cover.setdefault(text, []).append(f'"{row["strategy"]}"')
    parts = [f"{text} for {join_with_and(names)}" for text, names in by_cover.items()]
    return f"Nominal cover to draw with the others: {'; '.join(parts)}." if parts else ""


def _earliest(result: DesignResult) -> str:
    table = result.earliest
    own = result.scenario.nominal_cover
    covers = np.sort(table["nominal_cover_mm"].unique())
    cover = float(covers[int(np.argmin(np.abs(covers - own)))])
    parts = []
    for row in table[np.isclose(table["nominal_cover_mm"], cover)].to_dict("records"):
        curing = "no curing after stripping" if row["follow_up"] == "none" else row["follow_up"]
        if np.isfinite(row["site_strip_age_h"]):
            text = f"from {strip_age(row['site_strip_age_h'])} on"
        else:
            text = f"not within {duration(result.design['strip_age_h'].max())}"
        parts.append(f"with {curing} {text}")
    return (
        f"At a nominal cover of {_length(cover, result)} stripping meets the target "
        f"{'; '.join(parts)} (durability alone; {STRENGTH_FIRST})."
    )


def _exchange_rate(result: DesignResult) -> str:
    table = result.exchange
    first = table[table["place"] == AT_DESIGN_POINT]
    rows = {row["question"]: row for row in first.to_dict("records")}
    if COVER_PER_DAY not in rows or not np.isfinite(rows[COVER_PER_DAY]["value"]):
        return ""
    point = rows[COVER_PER_DAY]
    hours, saved = float(point["strip_age_h"]), float(rows[COVER_SAVED]["value"])
    text = exchange_sentence(
        cover=_length(point["nominal_cover_mm"], result),
        hours=hours,
        add=_length(point["value"], result),
        save=_length(saved, result) if np.isfinite(saved) else "",
    ).removesuffix(".")
    scatter = [row for question, row in rows.items() if "scatter" in str(question)]
    if scatter and np.isfinite(scatter[0]["value"]):
        cut = " ".join(str(scatter[0]["question"]).split()[2:4])
        text += f". Placing the bars with {cut} less scatter is worth {_length(scatter[0]['value'], result)} of cover"
    return text + "."


def _cheapest(result: DesignResult, cost: pd.DataFrame) -> str:
    pairs = cost[(cost["kind"] == CHEAPEST_PAIR) & (cost["meets_target"] == YES)]
    if pairs.empty:
        return (
            "No pair that can be built within the ranges meets the target, so none is the cheapest."
        )
    ranked = pairs.sort_values("cost")
    best, others = ranked.iloc[0], ranked.iloc[1:]
    prices = result.scenario.cost
    assert prices is not None
    text = (
        f"The cheapest pair that meets the target is {_length(best['nominal_cover_mm'], result)} of "
        f"nominal cover with forms kept {strip_age(best['strip_age_h'])} and "
        f"{_curing(best['follow_up'])}: {prices.text(best['cost'])} of expected present cost"
        f"{_price_range(prices, best)}, "
        f"{price(prices.per_area(best['first_cost']))} of it for the first build"
    )
    low, high = (best["know_low"], best["know_high"])
    if not np.isfinite(low):
        low, high = best["low95"], best["high95"]
    near = [str(o["option"]) for o in others.to_dict("records") if low <= o["cost"] <= high]
    if near:
        text += f"; within its range {'lies' if len(near) == 1 else 'lie'} {join_with_and(near)}"
    drawn = cost[(cost["kind"] == DRAWN_STRATEGY) & (cost["meets_target"] == YES)]
    if drawn.empty:
        return text + "."
    pick = drawn.sort_values("cost").iloc[0]
    return text + (
        f'. Of the strategies, each at the cover to draw, "{pick["option"]}" with '
        f"{_length(pick['nominal_cover_mm'], result)} costs least, {prices.text(pick['cost'])}."
    )


def _price_range(cost: Cost, row: Mapping[Any, Any] | pd.Series[Any]) -> str:
    return uncertainty_range(row["know_low"], row["know_high"], lambda x: price(cost.per_area(x)))


def _curing(follow_up: str) -> str:
    return "no curing after stripping" if follow_up == "none" else follow_up


def _hour_value(result: DesignResult) -> str:
    rows = result.exchange[result.exchange["question"].str.startswith("most that one hour")]
    scenario = result.scenario
    if rows.empty or scenario.cost is None:
        return ""
    row = rows.to_dict("records")[0]
    prices = scenario.cost
    band = _price_range(prices, row)
    answer = "less" if row["value"] < scenario.cost.forms else "more"
    text = (
        f"At {_length(row['nominal_cover_mm'], result)} of nominal cover and forms kept "
        f"{duration(row['strip_age_h'])}, one hour more in the forms avoids repairs worth "
        f"{prices.text(row['value'])}{band}, {answer} than the "
        f"{price(prices.per_area(prices.forms))} that the hour costs"
    )
    before, after = COVER_FOR_EARLIER.split("{}")
    faster = result.exchange[result.exchange["question"].str.startswith(before)]
    for other in faster.to_dict("records"):
        if np.isfinite(other["value"]):
            hours = float(str(other["question"]).removeprefix(before).removesuffix(after))
            paid = float(other["value"]) * scenario.cost.cover
            text += (
                f". Stripping {duration(hours)} earlier needs {_length(other['value'], result)} more "
                f"cover for {prices.text(paid)} and saves "
                f"{price(prices.per_area(hours * prices.forms))} of form time"
            )
    return text + "."


def _choice_changes(choice: pd.DataFrame, cost: Cost) -> str:
    parts = []
    for row in choice[choice["parameter"].isin(NAMED_PARAMETERS)].to_dict("records"):
        for side, word in (("above", "over"), ("below", "under")):
            at = row[f"changes_{side}"]
            if np.isnan(at):
                continue
            shown, own = (cost.text(x, row["unit"]) for x in (at, row["value"]))
            parts.append(
                f'"{row[f"choice_{side}"]}" becomes the cheapest strategy with a '
                f"{row['parameter']} {word} {shown} (now {own})"
            )
    if not parts:
        return (
            "The cheapest strategy stays the same over all repair prices and discount rates that "
            "were tried."
        )
    return f"{'; '.join(parts)}."


def _length(mm: float, result: DesignResult) -> str:
    return length(float(mm), units=result.scenario.units)
