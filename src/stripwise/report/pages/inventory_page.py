"""What the page of an inventory says: how many faces meet the target, the totals, which go first."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from stripwise.report.components import (
    GATES_BLOCK,
    Bullets,
    Column,
    Figure,
    Report,
    Section,
    Signature,
    Table,
    limit_state,
    numeric,
)
from stripwise.report.figures import sheet
from stripwise.report.figures.inventory_figures import plot_past_limit
from stripwise.report.files import declared_tables, scenario_record
from stripwise.report.pages import inspected_faces_part as inspected
from stripwise.report.prose import paragraphs, sentence
from stripwise.scenario.sections.interventions import INTERVENTION_NOTE
from stripwise.studies.candidate_targets import GRID, STATED
from stripwise.studies.inventory.class_tables import class_sample
from stripwise.studies.inventory.inventory_plan import ALL_FACES
from stripwise.studies.inventory.inventory_study import InventoryResult
from stripwise.studies.inventory.inventory_tables import CRITERIA, MONEY_SAVED
from stripwise.studies.inventory.totals import AREA, FACES, PAST
from stripwise.units.formatting import DASH, MINUS, count, number, percent, price, years
from stripwise.units.software import software_used, version
from stripwise.units.source_files import hashes_text

__all__ = ["inventory_report", "inventory_sentences"]

Row = Mapping[Any, Any]

WORST = 30
"""Faces of the table of the worst."""

MOST_SAVING = 10
"""Faces of the table of an intervention."""

SHOWN_YEARS = (0, 10, 20, 30, 50)
"""Years from the state on in the printed table of totals."""

MOST_LEFT_OUT = 40
"""Rows left out that are printed."""

MEASURES = {
    FACES: "faces depassivated, expected",
    AREA: "area depassivated, expected [m²]",
    PAST: "faces past the limit",
}


def inventory_sentences(result: InventoryResult) -> tuple[str, ...]:
    """Say in ten seconds how the inventory stands."""
    target, faces = result.case.target, result.faces
    goal = (
        f"the target of at most {percent(target.probability)} within {years(target.service_life)}"
    )
    if any(one.case.target != target for one in result.plan.classes.classes):
        goal = "their own target"
    met, missed = count(result.meeting), count(faces - result.meeting)
    found = [
        f"{met} of {count(faces)} faces ({percent(result.meeting / faces)}) meet {goal}; {missed} do not."
    ]
    if result.inspected is not None:  # how many meet it is said of the inspections
        found = [f"{missed} faces do not meet {goal}."]
    if result.too_close:
        found.append(
            f"{count(result.too_close)} of these are too close to call, which counts as not met."
        )
    demanded = any(one.case.target.confidence for one in result.plan.classes.classes)
    found.append(_past_sentence(result.totals, demanded=demanded))
    if text := _group_sentence(result):
        found.append(text)
    if result.drivers:
        cover, curing = result.drivers["cover"], result.drivers["curing"]
        more = "Cover" if cover >= curing else "Curing"
        found.append(
            f"{more} drives the differences between faces: cover accounts for {percent(cover)} of "
            f"the variance of their reliability index and curing for {percent(curing)}."
        )
    if result.interventions is not None:
        rows = result.interventions.to_dict("records")
        found += [_intervention_sentence(result, row) for row in rows]
    if told := inspected.inspection_sentences(result):
        found = [*told, *found, sentence("update.licensed")]
    return tuple(found)


def _intervention_sentence(result: InventoryResult, row: Row) -> str:
    """Say on how many faces an intervention saves money, and which goes first."""
    own = result.next_faces[
        result.next_faces["criterion"] == MONEY_SAVED + row["intervention"]
    ].iloc[0]
    text = f"{row['intervention']} saves money on {count(row['faces_saving'])} of {count(result.faces)} faces"
    if not row["faces_saving"]:
        return f"{text}: it costs more than the repairs that it prevents."
    if np.isnan(row["saved_total"]):
        return f"{text}, most on {own['element']}."
    return (
        f"{text}, in all {_money(row['saved_total'])} {row['currency']} more than it costs; most on "
        f"{own['element']}."
    )


def _past_sentence(totals: pd.DataFrame, *, demanded: bool) -> str:
    own = totals[(totals["measure"] == PAST) & (totals["group"] == ALL_FACES)]
    start = float(own["year"].iloc[0])
    texts = []
    for after in SHOWN_YEARS[:4]:
        row = own[np.isclose(own["year"], start + after)].iloc[0]
        when = "now" if after == 0 else f"in {number(after)} years"
        ends = ""
        if not np.isnan(row["know_low"]):
            ends = f" ({count(row['know_low'])} to {count(row['know_high'])})"
        texts.append(f"{when} {count(row['expected'])}{ends}")
    what = "Past the limit or short of the demanded confidence" if demanded else "Past the limit"
    text = f"{what}, with the uncertainty range (95 %): {'; '.join(texts)}."
    if not demanded:
        return text
    return (
        f"{text} The range is of faces past the limit alone: it tells what would be found if all "
        "that they share were known, and then no confidence is left to demand."
    )


def _group_sentence(result: InventoryResult) -> str:
    """Name the group that most faces past the limit in 30 years belong to."""
    totals = result.totals
    late = totals["year"].iloc[0] + SHOWN_YEARS[3]
    own = totals[(totals["measure"] == PAST) & np.isclose(totals["year"], late)]
    groups = own[own["group"] != ALL_FACES]
    whole = float(own[own["group"] == ALL_FACES]["expected"].iloc[0])
    if groups.empty or whole == 0.0:
        return ""
    worst = groups.sort_values("expected", ascending=False, kind="stable").iloc[0]
    sizes = result.groups.set_index("group")["faces"]
    name = worst["group"] or "without a group"
    return (
        f"The group {name} holds {percent(worst['expected'] / whole)} of the faces past the limit in "
        f"{SHOWN_YEARS[3]} years and {percent(sizes[worst['group']] / result.faces)} of all faces."
    )


def _other_targets(result: InventoryResult) -> str:
    """Say how many faces would meet a laxer or a stricter limit over the same life."""
    life = result.case.target.service_life
    rows = result.target_counts
    grid = rows[(rows["service_life_yr"] == life) & (rows["source"] == GRID)]
    texts = [
        f"{percent(row['allowed_probability'])} by {count(row['faces_meeting'])}"
        for row in grid.to_dict("records")
    ]
    return f"Within {years(life)} other limits are met as follows: {'; '.join(texts)} faces."


def inventory_report(result: InventoryResult) -> Report:
    """Write up an inventory."""
    case = result.case
    sentences = inventory_sentences(result)
    picture = Figure(
        "past-limit",
        sheet.draw(plot_past_limit, result.totals, faces=result.faces),
        "Data: totals.csv.",
    )
    tables = declared_tables(
        {
            "totals": result.totals,
            "next_faces": result.next_faces,
            "target_counts": result.target_counts,
            "groups": result.groups,
            "classes": result.classes,
            "interventions": result.interventions,
            "inspected": result.inspected,
            "learned": result.learned,
            "left-out": result.left_out if len(result.left_out) else None,
        }
    )
    rows = result.rows
    sources = result.sources
    return Report(
        title=f"Inventory: {case.title}",
        about=f"{count(result.faces)} faces of {rows.name}, each with its own curing, cover and age. "
        f"What a row does not say comes from {case.path.name}; {limit_state(case)}. “Corrosion” here "
        "means depassivation.",
        answer=sentences,
        findings=(_other_targets(result),),
        picture=picture,
        warnings=(*result.notes, *(text for text in case.warnings if text != INTERVENTION_NOTE)),
        sections=tuple(_sections(result)),
        signature=Signature(
            f"Tables, scenario and what it reads: {hashes_text(sources)}; stripwise "
            f"{version('stripwise')}, seed {case.sampling.seed}. Files beside this page: elements, "
            f"{', '.join(tables)}.",
            sources=sources,
        ),
        tables=tables,
        record={
            "scenario": scenario_record(case),
            "table": {"file": rows.name, "sha256": rows.digest, "faces": result.faces},
            "year": result.plan.year,
            "left_out": int(result.left_out["line"].nunique()),
            "meeting": result.meeting,
            "too_close": result.too_close,
            "computed_directly": result.direct,
            "inspections": result.learning,
            "rms_error": result.table_error,
            "classes": len(result.classes),
            "verdict": list(sentences),
            "warnings": list(result.notes),
            **software_used(),
            "seconds": result.seconds,
        },
    )


def _sections(result: InventoryResult) -> Iterable[Section]:
    yield from inspected.inspection_sections(result)
    yield Section("The worst faces", (GATES_BLOCK, _worst_table(result)))
    if result.interventions is not None:
        yield _intervention_section(result, result.interventions)
    yield Section("Totals over the years", (_totals_table(result),))
    if len(result.groups) > 1:
        yield Section("Groups side by side", (_groups_table(result),), keep=True)
    yield Section("Other targets", (_targets_table(result),), keep=True)
    if len(result.left_out):
        yield Section("Rows left out", (_left_out_table(result),))
    method = paragraphs(
        "inventory.method",
        error=percent(result.table_error),
        direct=count(result.direct),
        classes=count(len(result.classes)),
        outer=count(_fewest_points(result)),
    )
    yield Section("How it was computed", (Bullets(method),))
    yield Section("Limits", (Bullets(paragraphs("inventory.limits")),), level=3)


def _fewest_points(result: InventoryResult) -> int:
    """Return how many epistemic points the range of a face has at least."""
    samples = [class_sample(one) for one in result.plan.classes.classes]
    return min(one.outer_points * one.outer_repeats for one in samples)


def _worst_table(result: InventoryResult) -> Table:
    own = result.next_faces[result.next_faces["criterion"] == CRITERIA[0]].head(WORST)
    columns = (
        numeric("", "place", count),
        Column("Face", "element"),
        Column("Group", "group"),
        numeric("Now", "probability_now", percent),
        numeric("At the target life", "probability_at_target", percent),
        Column("Meets", "meets_target"),
        numeric("Years left", "years_left", _left),
    )
    return Table(
        f"The {count(len(own))} faces with the largest probability of depassivation. All lists: "
        "next_faces.csv.",
        columns,
        own.to_dict("records"),
    )


def _intervention_section(result: InventoryResult, table: pd.DataFrame) -> Section:
    """Show what each intervention saves, and the faces on which it saves most."""
    money = table["currency"].iloc[0]
    totals = Table(
        f"Money in {money}, discounted to the state, on the faces on which it saves any.",
        (
            Column("Intervention", "intervention"),
            numeric("After", "year_from_now", years),
            numeric("Effect", "effect_share", percent),
            numeric("Faces", "faces_saving", count),
            numeric("Area [m²]", "area_m2", _money),
            numeric("Price", "price_total", _money),
            numeric("Saved", "saved_total", _money),
            numeric("Saved if done on all", "saved_on_all", _money),
        ),
        table.to_dict("records"),
    )
    unit = money if result.plan.header.has("area") else f"{money}/m²"
    firsts = [
        Table(
            f"{name}: the faces on which it saves most. All lists: next_faces.csv.",
            (
                numeric("", "place", count),
                Column("Face", "element"),
                Column("Group", "group"),
                numeric(f"Saved [{unit}]", "value", _money),
                numeric("Probability now", "probability_now", percent),
                numeric("At the target life", "probability_at_target", percent),
            ),
            rows.head(MOST_SAVING).to_dict("records"),
        )
        for name in table["intervention"]
        if len(rows := result.next_faces[result.next_faces["criterion"] == MONEY_SAVED + name])
    ]
    how = Bullets(paragraphs("inventory.interventions"))
    return Section("Interventions", (totals, *firsts, how))


def _money(value: float) -> str:
    """Write an amount; from a thousand on in whole units of the currency, three digits of it."""
    if not abs(value) >= 1000.0:
        return price(value)
    rounded = round(abs(value), 2 - int(np.floor(np.log10(abs(value)))))
    return ("" if value > 0.0 else MINUS) + count(rounded)


def _left(value: float) -> str:
    if np.isinf(value):
        return "beyond the horizon"
    return number(value) if value > 0.0 else "past"


def _totals_table(result: InventoryResult) -> Table:
    totals = result.totals
    start = float(totals["year"].iloc[0])
    wanted = totals[
        totals["year"].sub(start).round().isin(SHOWN_YEARS) & (totals["group"] == ALL_FACES)
    ]
    return Table(
        "All faces together; the uncertainty range (95 %) counts what faces share. Each "
        "face's own scatter is left out. All years and groups: totals.csv.",
        (
            numeric("Year", "year", lambda y: str(round(y))),
            Column("Total", "measure", lambda name: MEASURES[name]),
            numeric("Expected", "expected", _amount),
            numeric("Range", write=_range),
        ),
        wanted.to_dict("records"),
    )


def _amount(value: float) -> str:
    return number(value)


def _range(row: Row) -> str:
    if np.isnan(row["know_low"]):
        return DASH
    return f"{number(row['know_low'])} to {number(row['know_high'])}"


def _groups_table(result: InventoryResult) -> Table:
    return Table(
        "Groups; probabilities are means over their faces.",
        (
            Column("Group", "group"),
            numeric("Faces", "faces", count),
            numeric("Meet the target", "share_meeting", percent),
            numeric("Probability now", "probability_now", percent),
            numeric("At the target life", "probability_at_target", percent),
        ),
        result.groups.sort_values("share_meeting", kind="stable").to_dict("records"),
    )


def _targets_table(result: InventoryResult) -> Table:
    rows = result.target_counts
    life = result.case.target.service_life
    near = rows[(rows["service_life_yr"] == life) | (rows["source"] == STATED)]
    return Table(
        "How many faces meet which target. Other service lives: target_counts.csv.",
        (
            numeric("Service life", "service_life_yr", years),
            numeric("Allowed", "allowed_probability", percent),
            numeric("Faces that meet it", "faces_meeting", count),
            numeric("Share", "share_meeting", percent),
            Column("Source", "source", lambda text: "" if text == GRID else text),
        ),
        near.to_dict("records"),
        bold=lambda row: row["source"] == STATED,
    )


def _left_out_table(result: InventoryResult) -> Table:
    rows = result.left_out
    more = "" if len(rows) <= MOST_LEFT_OUT else f" The first {MOST_LEFT_OUT}."
    return Table(
        f"{count(rows['line'].nunique())} rows were left out and stand in no number of this "
        f"page.{more} All: left-out.csv.",
        (
            numeric("Line", "line", count),
            Column("Face", "element"),
            Column("Column", "column"),
            Column("Found", "found"),
            Column("What is wrong", "rule"),
        ),
        rows.head(MOST_LEFT_OUT).to_dict("records"),
    )
