"""Which tables of the choices the page of a ranking shows."""

from __future__ import annotations

import pandas as pd

from stripwise.report import formatting
from stripwise.report.pages.choice_text import CHOICE_NAMES, choice_spans, option_text
from stripwise.studies.rank.choice_tables import INDEX, ChoiceTables

__all__ = ["interaction_rows", "option_rows", "share_rows", "share_text"]


def share_rows(tables: ChoiceTables) -> list[tuple[str, ...]]:
    """List choice, share alone, total share and its band over epistemic inputs, the largest first."""
    own = _select_indices(tables, "choices", pair=False)
    own = own.dropna(subset=["total"]).sort_values("total", ascending=False)
    knowledge_totals = {
        str(row["input"]): share_text(row, "total")
        for _, row in _select_indices(tables, "choices over knowledge", pair=False).iterrows()
    }
    result_rows: list[tuple[str, ...]] = []
    for _, row in own.iterrows():
        name = str(row["input"])
        band = knowledge_totals.get(name, formatting.DASH)
        result_rows.append(
            (CHOICE_NAMES[name], share_text(row, "first"), share_text(row, "total"), band)
        )
    return result_rows


def interaction_rows(tables: ChoiceTables) -> list[tuple[str, str]]:
    """List the shares of pairs of choices, the largest first, then those of three and more."""
    rows = _select_indices(tables, "choices", pair=True).dropna(subset=["second"])
    result_rows = [
        (
            f"{CHOICE_NAMES[row['input']]} with {CHOICE_NAMES[row['input2']]}",
            share_text(row, "second"),
        )
        for _, row in rows.sort_values("second", ascending=False).iterrows()
    ]
    table = tables.indices
    more = table[
        (table["analysis"] == "choices") & (table["quantity"] == INDEX) & (table["group"] != "")
    ].dropna(subset=["first"])
    return result_rows + [
        (str(row["group"]), share_text(row, "first")) for _, row in more.iterrows()
    ]


def option_rows(tables: ChoiceTables, *, units: str, horizon: float) -> list[tuple[str, ...]]:
    """List every option alone, choices that move the probability most first.

    Choice, option, probability, its band, life and probability over all combinations.
    """
    plan = tables.options[tables.options["choice"] == ""]
    result_rows: list[tuple[str, ...]] = []
    for rows in [plan, *(reach.rows for reach in choice_spans(tables))]:
        for _, row in rows.iterrows():
            name = CHOICE_NAMES.get(str(row["choice"]), "as planned")
            own = " (as planned)" if row["planned"] == "yes" and row["choice"] else ""
            low, high = float(row["know_low"]), float(row["know_high"])
            result_rows.append(
                (
                    name,
                    f"{option_text(row, units=units)}{own}",
                    formatting.percent(float(row["probability"])),
                    formatting.interval(low, high, formatting.percent) or formatting.DASH,
                    formatting.years(float(row["life_yr"]), horizon=horizon),
                    formatting.percent(float(row["probability_over_all"])),
                )
            )
    return result_rows


def _select_indices(tables: ChoiceTables, analysis: str, *, pair: bool) -> pd.DataFrame:
    table = tables.indices
    here = (table["analysis"] == analysis) & (table["quantity"] == INDEX)
    kind = table["input2"] != "" if pair else (table["input"] != "") & (table["input2"] == "")
    return table[here & kind]


def share_text(row: pd.Series, name: str) -> str:
    """Write the index `name` of a row in % with its interval."""
    return formatting.share_with_interval(
        *(float(row[f"{name}{end}"]) for end in ("", "_low95", "_high95"))
    )
