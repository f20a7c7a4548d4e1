"""What a run says about the results that it stands against."""

from __future__ import annotations

from typing import Any

import pandas as pd

from stripwise.report.components import Block, Cell, Column, Paragraph, Section, Table
from stripwise.studies.revision import Revision
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


def against_sentences(revision: Revision) -> list[str]:
    """Say in a few sentences what the revision changed."""
    rows = revision.table.to_dict(orient="records")
    both = [row for row in rows if row["status"] == "both"]
    turned = [row for row in both if row["meets_target_before"] != row["meets_target_now"]]
    where = f"Against the results in {revision.earlier.folder.name}"
    if not both:
        return [f"{where}: no strategy stands in both."]
    if not turned:
        first = f"{where}, no strategy changes between meeting the target and failing it."
    else:
        texts = [
            f'"{row["strategy"]}" goes from "{row["meets_target_before"]}" to '
            f'"{row["meets_target_now"]}"'
            for row in turned
        ]
        first = f"{where}, {join_with_and(texts)} (meets the target)."
    most = max(both, key=lambda row: abs(row["probability_change"]))
    if most["probability_change"] == 0:
        second = "No probability changes."
    else:
        second = (
            f'The probability changes most for "{most["strategy"]}", from '
            f"{percent(most['probability_before'])} to {percent(most['probability_now'])}."
        )
    changes = len(revision.changes)
    third = f"{changes} given values differ." if changes != 1 else "One given value differs."
    return [first, second, third if changes else "Nothing that was given differs."]


def against_section(revision: Revision, *, horizon: float, units: str) -> Section:
    """Lay two runs out side by side."""

    def pair(name: str, write: Any) -> Any:
        def cell(row: Any) -> Cell:
            return Cell(write(row[f"{name}_now"]), f"before {write(row[f'{name}_before'])}")

        return cell

    def text(value: Any) -> str:
        return value if isinstance(value, str) else DASH

    strategies = Table(
        "Each strategy now, and before in small print",
        (
            Column("meets", None, pair("meets_target", text)),
            Column("strategy", "strategy"),
            Column("probability", None, pair("probability", percent), right=True),
            Column("confidence", None, pair("confidence", confidence), right=True),
            Column(
                "years until the limit",
                None,
                pair("life_yr", lambda t: years(t, horizon=horizon)),
                right=True,
            ),
            Column("in", "status", lambda status: "both runs" if status == "both" else status),
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
        "What was given and differs",
        (
            Column("what", "what"),
            Column("before", None, value("before"), right=True),
            Column("now", None, value("now"), right=True),
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
