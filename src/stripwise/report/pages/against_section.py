"""What a run says about the results that it stands against."""

from __future__ import annotations

from typing import Any

import pandas as pd

from stripwise.report.components import Block, Cell, Column, Paragraph, Section, Table
from stripwise.studies.decision import NO, TOO_CLOSE, YES
from stripwise.studies.revision import Revision
from stripwise.studies.verdict import VERBS
from stripwise.units.formatting import (
    DASH,
    amount,
    confidence,
    duration,
    join_with_and,
    number,
    percent,
    years,
)

__all__ = ["against_section", "against_sentences"]

BEFORE = {YES: "met", NO: "failed", TOO_CLOSE: "was too close to call against"}


def against_sentences(revision: Revision) -> list[str]:
    """Say in a few sentences what the revision changed."""
    rows = revision.table.to_dict(orient="records")
    both = [row for row in rows if row["status"] == "both"]
    turned = [row for row in both if row["meets_target_before"] != row["meets_target_now"]]
    where = f"Compared with the results in {revision.earlier.folder.name}"
    if not both:
        return [f"{where}: no strategy is in both."]
    if not turned:
        first = f"{where}, no strategy changes from meeting the target to failing it or back."
    else:
        texts = [
            f'"{row["strategy"]}" now {VERBS[row["meets_target_now"]]} the target, which it '
            f"{BEFORE[row['meets_target_before']]} before"
            for row in turned
        ]
        first = f"{where}, {join_with_and(texts)}."
    most = max(both, key=lambda row: abs(row["probability_change"]))
    if most["probability_change"] == 0:
        second = "No probability changes."
    else:
        second = (
            f'The probability changes most for "{most["strategy"]}", from '
            f"{percent(most['probability_before'])} to {percent(most['probability_now'])}."
        )
    changes = len(revision.changes)
    third = f"{changes} inputs differ." if changes != 1 else "One input differs."
    return [first, second, third if changes else "No input differs."]


def against_section(revision: Revision, *, horizon: float, units: str) -> Section:
    """Lay two runs out side by side."""

    def pair(name: str, write: Any) -> Any:
        def cell(row: Any) -> Cell:
            return Cell(write(row[f"{name}_now"]), f"before {write(row[f'{name}_before'])}")

        return cell

    def text(value: Any) -> str:
        return value if isinstance(value, str) else DASH

    strategies = Table(
        "Each strategy now; the earlier run in small print.",
        (
            Column("Meets", None, pair("meets_target", text)),
            Column("Strategy", "strategy"),
            Column("Probability", None, pair("probability", percent), right=True),
            Column("Confidence", None, pair("confidence", confidence), right=True),
            Column(
                "Years until the limit",
                None,
                pair("life_yr", lambda t: years(t, horizon=horizon)),
                right=True,
            ),
            Column("In", "status", lambda status: "both runs" if status == "both" else status),
        ),
        revision.table.to_dict(orient="records"),
    )

    def value(name: str) -> Any:
        def written(row: Any) -> str:
            found = row[name]
            if pd.isna(found) or found == "":
                return DASH
            if isinstance(found, str):
                return found
            return _quantity(found, row, units)

        return written

    given = Table(
        "Inputs that differ.",
        (
            Column("Input", "what"),
            Column("Before", None, value("before"), right=True),
            Column("Now", None, value("now"), right=True),
        ),
        revision.changes.to_dict(orient="records"),
    )
    blocks: list[Block] = [Paragraph(" ".join(against_sentences(revision))), strategies]
    if len(revision.changes):
        blocks.append(given)
    return Section("What the revision changed", tuple(blocks))


def _quantity(value: float, row: Any, units: str) -> str:
    """Write a value in the reader's unit."""
    if row["unit"] == "h":
        return duration(value)
    return amount(value, row["unit"], units=units) if row["unit"] else number(value)
