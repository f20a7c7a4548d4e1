"""What the page of an inventory says of inspections: what they changed, and how far to trust them."""

# ruff: noqa: PLC0415 - every inventory imports this, and few have inspections

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from stripwise.report.components import Block, Column, Paragraph, Section, Table, numeric
from stripwise.report.pages.learned_inputs import learned_inputs_table, sampling_paragraphs
from stripwise.report.prose import paragraphs, sentence
from stripwise.studies.inventory.inventory_study import InventoryResult
from stripwise.studies.inventory.inventory_tables import MOVED
from stripwise.units.formatting import (
    DASH,
    count,
    distinct_percents,
    first_few,
    number,
    percent,
    signed_points,
)

__all__ = ["inspection_sections", "inspection_sentences"]

Row = Mapping[Any, Any]

MOST_MOVED = 10
"""Faces of the table of those that moved most."""


def inspection_sentences(result: InventoryResult) -> tuple[str, ...]:
    """Say in ten seconds what the inspections changed; nothing where there are none."""
    if result.inspected is None:
        return ()
    before, after = result.meeting_before, result.meeting
    faces = result.inspected["element"].nunique()
    whose = f"The inspections of {count(faces)} face{'' if faces == 1 else 's'}"
    what = "the number of faces that meet the target"
    whole = f"{count(after)} of {count(result.faces)}"
    lost = result.meeting_lost
    gained = after - before + lost
    turned = ""
    if lost and gained:
        turned = (
            f": {count(gained)} {'meets' if gained == 1 else 'meet'} it now that did not before, and "
            f"{count(lost)} no longer {'does' if lost == 1 else 'do'}"
        )
    if before == after:
        first = f"{whose} leave {what} at {whole}{turned}."
    else:
        verb = "raise" if after > before else "lower"
        first = f"{whose} {verb} {what} from {count(before)} to {whole}{turned}."
    found = [*_contradictions(result.inspected), first]
    rows = result.next_faces[result.next_faces["criterion"] == MOVED].to_dict("records")
    found.append(
        f"The probability of {rows[0]['element']} moved most: {_moved(rows[0])} within its service life."
    )
    one, other = result.probability_before
    if not np.isnan(one):
        was, now = distinct_percents(one, other)
        found.append(
            "The other faces learn from what they share with these: their mean probability "
            f"{f'stays at {now}' if was == now else f'goes from {was} to {now}'}."
        )
    return tuple(found)


def _moved(row: Row) -> str:
    now = float(row["probability_at_target"])
    was, now_text = distinct_percents(now - float(row["value"]), now)
    return f"from {was} to {now_text}"


def _contradictions(table: pd.DataFrame) -> list[str]:
    """Say on which faces the scenario would hardly have produced the data."""
    from stripwise.studies.inventory.inspected_faces import MOST_NAMED
    from stripwise.studies.update.prior_predictive import SURPRISING

    own = table[table["p_value"] < SURPRISING].sort_values("p_value", kind="stable")
    if own.empty:
        return []
    rows = own.to_dict("records")
    named = first_few([f"{row['element']} ({row['data']})" for row in rows], most=MOST_NAMED)
    return [
        sentence(
            "inventory.contradict",
            found=count(len(rows)),
            checked=count(len(table)),
            often=count(1.0 / SURPRISING),
            named=named,
        )
    ]


def inspection_sections(result: InventoryResult) -> Iterable[Section]:
    """Return what the page shows of inspections."""
    if result.inspected is None or result.learned is None:
        return
    rows = result.next_faces[result.next_faces["criterion"] == MOVED].head(MOST_MOVED)
    moved = Table(
        "The faces that the inspections moved most. All lists: next_faces.csv.",
        (
            Column("Face", "element"),
            Column("Group", "group"),
            numeric(
                "Before", write=lambda row: percent(row["probability_at_target"] - row["value"])
            ),
            numeric("After", "probability_at_target", percent),
            numeric("Moved [pts]", "value", signed_points),
            Column("Meets", "meets_target"),
        ),
        rows.to_dict("records"),
    )
    found = Table(
        "What was found on each inspected face, and how surprising it is under the scenario",
        (
            Column("Face", "element"),
            Column("Data", "data"),
            Column("Size", "size"),
            numeric("Age [yr]", "age_yr", lambda x: number(x) if pd.notna(x) else DASH),
            numeric("Before", "probability_before", percent),
            numeric("After", "probability_at_target", percent),
            Column("Meets", "meets_target"),
            numeric("p value", "p_value", number),
            Column("", "status"),
        ),
        result.inspected.to_dict("records"),
    )
    blocks: list[Block] = [moved, found, Paragraph(sentence("update.surprise"), "note")]
    if len(result.learned):
        blocks.append(
            learned_inputs_table(
                "What faces share, before and after: median and 5 to 95 %, and what is left of its "
                "spread",
                result.learned,
                units=result.case.units,
            )
        )
        blocks.append(Paragraph(sentence("update.scores"), "note"))
    sampled = sampling_paragraphs(result.learning)
    method = (*paragraphs("inventory.inspections"), *sampled)
    yield Section("What the inspections changed", (*blocks, *(Paragraph(text) for text in method)))
