"""What the report of a design and the one-page table for the site say."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from stripwise.report import formatting
from stripwise.report.pages.run_page import inline_svg, number_writers, style_sheet, template
from stripwise.studies.design.design_result import DesignResult
from stripwise.studies.design.exchange_rates import COVER_PER_DAY, ON_TARGET_LINE

__all__ = ["render_design", "render_strip_ages"]

COST_GROUPS = {
    "strategy": "Strategies at the scenario's cover",
    "strategy at drawn cover": "Strategies at the cover that the drawing holds",
    "cheapest point": "Cheapest design point of each follow-up that meets the target",
}
MAX_COVERS = 7

Row = dict[str, Any]


def render_design(result: DesignResult, figures: Mapping[str, str]) -> str:
    """Write the report of a design: self-contained HTML without scripts and without network."""
    scenario = result.scenario
    units = scenario.units

    def length(mm: float) -> str:
        return _length(mm, units)

    priced = result.cost is not None
    return template("design.html.j2").render(
        d=result,
        s=scenario,
        css=style_sheet(),
        figures={name: inline_svg(svg, name=name) for name, svg in figures.items()},
        limit_state=limit_state(result),
        references=[_reference_row(row) for row in _records(result.references)],
        required=_required_rows(result, length),
        drawing_step="1/4 in" if units == "US" else "5 mm",
        earliest=_earliest_table(result, length),
        exchange=_exchange_rows(result, _cover_difference_writer(units)),
        along=_target_line_rates(result, _cover_difference_writer(units)),
        rules=_rule_rows(result, length),
        common_margin=_common_margin(result, length),
        costs=_cost_groups(result, length) if priced else [],
        choice=_break_even_rows(result) if priced else [],
        chosen_from=_chosen_from(result),
        knowledge=bool(result.required["know_low"].notna().any()),
        lowest_cover=length(float(result.design["cover_mm"].min())),
        repair=_repair_text(result),
        rate=""
        if scenario.cost is None
        else formatting.percent(scenario.cost.rate)
        if scenario.cost.rate >= 0
        else f"{100 * scenario.cost.rate:.2g} %",
        **number_writers(units),
    )


def render_strip_ages(result: DesignResult) -> str:
    """Write the strip-age table as one page to print for the site."""
    units, table = result.scenario.units, result.strip_ages
    covers = sorted(table["cover_mm"].unique())
    blocks = []
    for warmth, block in table.groupby("temperature_degC", sort=True):
        lines = [
            (
                _follow_up_text(str(label)),
                [_site_hours(float(h)) for h in rows.sort_values("cover_mm")["site_strip_age_h"]],
            )
            for label, rows in block.groupby("follow_up", sort=False)
        ]
        blocks.append((formatting.temperature(float(str(warmth)), units=units), lines))
    hours = result.design["strip_age_h"]
    return template("strip_ages.html.j2").render(
        s=result.scenario,
        css=style_sheet(),
        limit_state=limit_state(result),
        heads=[_length(float(c), units) for c in covers],
        blocks=blocks,
        shortest=_site_hours(float(hours.min())),
        longest=formatting.duration(float(hours.max())),
        knowledge=bool(result.required["know_low"].notna().any()),
    )


def limit_state(result: DesignResult) -> str:
    """Name limit state, reference period and target."""
    target = result.scenario.target
    return (
        f"limit state: depassivation; reference period: {formatting.number(target.service_life)} yr "
        f"from first exposure; target: index {formatting.index(target.reliability_index)}, "
        f"probability {formatting.percent(target.probability)}"
    )


def _records(table: pd.DataFrame) -> list[Row]:
    return [{str(k): v for k, v in row.items()} for row in table.to_dict("records")]


def _length(mm: float, units: str) -> str:
    """Write a length, infinite ones as a dash."""
    return formatting.length(mm, units=units) if np.isfinite(mm) else formatting.DASH


def _cover_difference_writer(units: str) -> Callable[[float], str]:
    """Write differences of cover, all with the same decimals."""

    def write(mm: float) -> str:
        if units == "US" or not np.isfinite(mm):
            return _length(mm, units)
        return f"{round(mm, 1) + 0.0:.1f} mm".replace("-", formatting.MINUS)

    return write


def _follow_up_text(label: str) -> str:
    return "no follow-up" if label == "none" else label


def _site_hours(hours: float) -> str:
    return formatting.duration(hours) if np.isfinite(hours) else formatting.DASH


def _cost_text(value: float) -> str:
    return formatting.number(value) if value >= 0.005 else "0"


def _reference_row(row: Row) -> Row:
    hours = [formatting.duration(float(row[k])) for k in ("low_h", "hours", "high_h")]
    shown = hours[0] if len(set(hours)) == 1 else ", ".join(hours)
    return {**row, "hours": shown, "source": f"{row['source']} ({row['mark']})"}


def _interval_text(row: Row, kind: str, write: Callable[[float], str]) -> str:
    """Write an interval; an infinite end is "more than" the range."""
    low, high = (
        (float(row["low95"]), float(row["high95"]))
        if kind == "sampling"
        else (float(row["know_low"]), float(row["know_high"]))
    )
    if np.isnan(low) or np.isnan(high):
        return ""
    if np.isfinite(low) and np.isfinite(high):
        return formatting.interval(low, high, write)
    first = write(low) if np.isfinite(low) else "below the range"
    last = write(high) if np.isfinite(high) else "beyond the range"
    return f"{first} to {last}"


def _required_rows(result: DesignResult, length: Callable[[float], str]) -> list[Row]:
    return [
        {
            "name": row["strategy"],
            "reference": row["strategy"] == result.scenario.reference_strategy,
            "cover": length(row["required_cover_mm"]),
            "sampling": _interval_text(row, "sampling", _sampling_writer(result)),
            "drawn": length(row["drawn_cover_mm"]),
            "knowledge": _interval_text(row, "knowledge", length),
            "status": "" if row["status"] == "ok" else row["status"],
        }
        for row in _records(result.required)
    ]


def _sampling_writer(result: DesignResult) -> Callable[[float], str]:
    """Write a cover with enough digits for a sampling interval."""
    if result.scenario.units == "US":
        return lambda mm: f"{mm / formatting.MM_PER_INCH:.3f} in"
    return lambda mm: f"{mm:.2f} mm"


def _earliest_table(result: DesignResult, length: Callable[[float], str]) -> Row:
    table = result.earliest
    covers = np.sort(table["cover_mm"].unique())
    picks = np.unique(
        np.round(np.linspace(0, len(covers) - 1, min(len(covers), MAX_COVERS))).astype(int)
    )
    longest = formatting.duration(float(result.design["strip_age_h"].max()))

    def cell(row: Row) -> tuple[str, str]:
        hours = float(row["earliest_strip_age_h"])
        if not np.isfinite(hours):
            return f"over {longest}", ""
        text = formatting.duration(hours)
        if str(row["status"]).startswith("any"):
            return f"{text} or earlier", ""
        return text, _interval_text(row, "sampling", lambda h: f"{h:.1f} h")

    lines = []
    for label, rows in table.groupby("follow_up", sort=False):
        by_cover = {float(row["cover_mm"]): row for row in _records(rows)}
        lines.append(
            (_follow_up_text(str(label)), [cell(by_cover[float(covers[k])]) for k in picks])
        )
    return {"heads": [length(float(covers[k])) for k in picks], "rows": lines}


def _exchange_rows(result: DesignResult, length: Callable[[float], str]) -> list[Row]:
    rows = []
    for row in _records(result.exchange):
        if row["place"] == ON_TARGET_LINE and row["question"] == COVER_PER_DAY:
            continue
        unit = str(row["unit"])
        if unit == "mm":
            write = length
            fine = _sampling_writer(result)
        else:

            def write(x: float, unit: str = unit) -> str:
                return f"{formatting.number(x, 2)} {unit.replace('m2', 'm²')}"

            fine = write
        place = [str(row["place"])]
        if np.isfinite(row["cover_mm"]) and row["place"] == "at the design point":
            place.append(_length(float(row["cover_mm"]), result.scenario.units))
        place += [
            formatting.duration(float(row["strip_age_h"])),
            _follow_up_text(str(row["follow_up"])),
        ]
        value = float(row["value"])
        rows.append(
            {
                "question": row["question"],
                "place": ", ".join(place),
                "value": write(value) if np.isfinite(value) else str(row["status"]),
                "sampling": _interval_text(row, "sampling", fine),
                "knowledge": _interval_text(row, "knowledge", write),
            }
        )
    return rows


def _target_line_rates(result: DesignResult, length: Callable[[float], str]) -> Row:
    """Set the rates along the target line out by follow-up and strip age."""
    table = result.exchange
    rows = table[(table["place"] == ON_TARGET_LINE) & (table["question"] == COVER_PER_DAY)]
    ages = sorted(rows["strip_age_h"].unique())

    def cell(row: Row) -> tuple[str, str]:
        value = float(row["value"])
        return (
            length(value) if np.isfinite(value) else formatting.DASH,
            _interval_text(row, "knowledge", length)
            or _interval_text(row, "sampling", _sampling_writer(result)),
        )

    lines = [
        (
            _follow_up_text(str(label)),
            [cell(row) for row in _records(part.sort_values("strip_age_h"))],
        )
        for label, part in rows.groupby("follow_up", sort=False)
    ]
    return {"heads": [formatting.duration(float(age)) for age in ages], "rows": lines}


def _rule_rows(result: DesignResult, length: Callable[[float], str]) -> list[Row]:
    return [
        {
            "name": row["strategy"],
            "penalty": formatting.number(row["hand_penalty"]),
            "front": length(row["hand_front_mm"]),
            "margin": length(row["margin_mm"]),
            "sampling": _interval_text(row, "sampling", _sampling_writer(result)),
            "rule": length(row["rule_margin_mm"]),
            "cover": length(row["rule_cover_mm"]),
            "checked": formatting.percent(row["checked_probability"]),
            "status": "holds" if row["status"] == "ok" else row["status"],
        }
        for row in _records(result.rules)
    ]


def _common_margin(result: DesignResult, length: Callable[[float], str]) -> str:
    if not result.rules["status"].eq("ok").all():
        return ""
    return length(float(result.rules["rule_margin_mm"].max()))


def _cost_groups(
    result: DesignResult, length: Callable[[float], str]
) -> list[tuple[str, list[Row]]]:
    assert result.cost is not None
    groups = []
    for kind, title in COST_GROUPS.items():
        rows = [
            {
                "option": _follow_up_text(str(row["follow_up"]))
                if kind == "cheapest point"
                else row["option"],
                "cover": length(row["cover_mm"]),
                "strip_age": formatting.duration(row["strip_age_h"]),
                "probability": formatting.percent(row["probability"]),
                "meets": row["met_on_average"],
                "forms": _cost_text(row["forms"]),
                "after": _cost_text(row["follow_up_curing"]),
                "extra": _cost_text(row["cover"]),
                "repair": _cost_text(row["repair"]),
                "total": _cost_text(row["cost"]),
                "knowledge": _interval_text(row, "knowledge", _cost_text),
            }
            for row in _records(result.cost[result.cost["kind"] == kind])
        ]
        if rows:
            groups.append((title, rows))
    return groups


def _break_even_rows(result: DesignResult) -> list[Row]:
    assert result.choice is not None
    rows = []
    for row in _records(result.choice):
        share = row["unit"] == "1/yr"

        def write(x: float, row: Row = row, share: bool = share) -> str:
            if share:
                return f"{100 * x:.2g} %".replace("-", formatting.MINUS)
            return f"{formatting.number(x)} {str(row['unit']).replace('m2', 'm²')}"

        sides = {
            side: f"{side} {write(row[f'changes_{side}'])}: {row[f'choice_{side}']}"
            if np.isfinite(row[f"changes_{side}"])
            else "no change"
            for side in ("below", "above")
        }
        rows.append(
            {
                "parameter": row["parameter"],
                "now": write(row["value"]),
                "choice": row["choice"],
                "looked": f"{write(row['looked_from'])} to {write(row['looked_to'])}",
                **sides,
            }
        )
    return rows


def _chosen_from(result: DesignResult) -> str:
    if result.cost is None:
        return ""
    if result.cost["kind"].eq("strategy at drawn cover").any():
        return "the strategies, each at the cover that the drawing holds"
    return "the strategies at the scenario's cover, none of which meets the target in the range"


def _repair_text(result: DesignResult) -> str:
    cost = result.scenario.cost
    if cost is None:
        return ""
    text = f"{formatting.number(cost.repair)} {cost.currency}/m² at depassivation"
    if cost.instalments == ((0.0, 1.0),):
        return text
    parts = [
        f"{formatting.percent(share)} {formatting.number(after)} yr after depassivation"
        for after, share in cost.instalments
    ]
    return f"{formatting.number(cost.repair)} {cost.currency}/m², {formatting.join_with_and(parts)}"
