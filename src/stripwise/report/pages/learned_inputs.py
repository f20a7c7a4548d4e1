"""The table of what data taught about epistemic inputs."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from stripwise.report.components import Column, Table, numeric
from stripwise.studies.update.before_and_after import SCORE
from stripwise.units.formatting import DASH, amount, number, percent

__all__ = ["learned_inputs_table"]

Row = Mapping[Any, Any]


def learned_inputs_table(caption: str, table: pd.DataFrame, *, units: str) -> Table:
    """Show the columns of `learned`; the share of the variance where it is known."""

    def value(name: str, when: str) -> Any:
        def write(row: Row) -> str:
            if row["unit"] == SCORE:
                return number(row[f"{name}_{when}"], 2)
            return amount(row[f"{name}_{when}"], row["unit"], units=units)

        return write

    explains = numeric("explains", "variance_share", lambda p: percent(p) if pd.notna(p) else DASH)
    return Table(
        caption,
        (
            Column("input", "label"),
            numeric("before", write=value("p50", "before")),
            numeric("5 %", write=value("p05", "before")),
            numeric("95 %", write=value("p95", "before")),
            numeric("after", write=value("p50", "after")),
            numeric("5 %", write=value("p05", "after")),
            numeric("95 %", write=value("p95", "after")),
            numeric("spread left", "sd_ratio", percent),
            *((explains,) if table["variance_share"].notna().any() else ()),
        ),
        table.to_dict("records"),
    )
