"""What data taught about epistemic inputs: the table, and how the draws were taken."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from stripwise.report.components import Column, Table, numeric
from stripwise.report.prose import paragraphs, sentence
from stripwise.studies.update.before_and_after import SCORE
from stripwise.units.formatting import DASH, amount, count, number, percent

__all__ = ["learned_inputs_table", "sampling_paragraphs"]

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


def sampling_paragraphs(run: Mapping[str, Any]) -> tuple[str, ...]:
    """Say how the posterior was sampled, from what run.json holds of it."""
    steps = run["tempering_steps"]
    return paragraphs(
        "update.sampled",
        way=sentence("update.tempered", steps=count(steps))
        if steps
        else sentence("update.weighted"),
        draws=count(run["draws"]),
        effective=count(run["effective_draws"]),
        least=count(run["least_effective_draws"]),
        error=number(run["log_likelihood_error"], 2),
    )
