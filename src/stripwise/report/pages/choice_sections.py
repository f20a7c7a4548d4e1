"""Tables of the choices for the page of a ranking."""

from __future__ import annotations

import pandas as pd

from stripwise.report import formatting
from stripwise.report.pages.choice_text import CHOICE_NAMES, option_text, reaches
from stripwise.studies.rank.choice_tables import INDEX, ChoiceTables

__all__ = ["interaction_rows", "option_rows", "share_of", "share_rows"]


def share_rows(tables: ChoiceTables) -> list[tuple[str, ...]]:
    """List the share of each choice in the reliability index, the largest first.

    Parameters
    ----------
    tables
        What the choices do.

    Returns
    -------
    Choice, share alone, total share, total share over what is not known; empty if nothing varies.
    """
    own = _of(tables, "choices", pair=False)
    own = own.dropna(subset=["total"]).sort_values("total", ascending=False)
    doubted = {
        str(row["input"]): share_of(row, "total")
        for _, row in _of(tables, "choices over knowledge", pair=False).iterrows()
    }
    told: list[tuple[str, ...]] = []
    for _, row in own.iterrows():
        name = str(row["input"])
        band = doubted.get(name, formatting.DASH)
        told.append((CHOICE_NAMES[name], share_of(row, "first"), share_of(row, "total"), band))
    return told


def interaction_rows(tables: ChoiceTables) -> list[tuple[str, str]]:
    """List the shares of the interactions, the largest first.

    Parameters
    ----------
    tables
        What the choices do.

    Returns
    -------
    Names of two choices and their share; at the end the rest, of three and more choices.
    """
    rows = _of(tables, "choices", pair=True).dropna(subset=["second"])
    told = [
        (
            f"{CHOICE_NAMES[row['input']]} with {CHOICE_NAMES[row['input2']]}",
            share_of(row, "second"),
        )
        for _, row in rows.sort_values("second", ascending=False).iterrows()
    ]
    table = tables.indices
    more = table[
        (table["analysis"] == "choices") & (table["quantity"] == INDEX) & (table["group"] != "")
    ].dropna(subset=["first"])
    return told + [(str(row["group"]), share_of(row, "first")) for _, row in more.iterrows()]


def option_rows(tables: ChoiceTables, *, units: str, horizon: float) -> list[tuple[str, ...]]:
    """List every option alone, choices that move the probability most first.

    Parameters
    ----------
    tables
        What the choices do.
    units
        "SI" or "US".
    horizon
        Last age that was looked at [yr].

    Returns
    -------
    Choice, option, probability, its band, life and mean over all combinations.
    """
    plan = tables.options[tables.options["choice"] == ""]
    told: list[tuple[str, ...]] = []
    for rows in [plan, *(reach.rows for reach in reaches(tables))]:
        for _, row in rows.iterrows():
            name = CHOICE_NAMES.get(str(row["choice"]), "as planned")
            own = " (as planned)" if row["planned"] == "yes" and row["choice"] else ""
            low, high = float(row["know_low"]), float(row["know_high"])
            told.append(
                (
                    name,
                    f"{option_text(row, units=units)}{own}",
                    formatting.percent(float(row["probability"])),
                    formatting.interval(low, high, formatting.percent) or formatting.DASH,
                    formatting.years(float(row["life_yr"]), horizon=horizon),
                    formatting.percent(float(row["probability_over_all"])),
                )
            )
    return told


def _of(tables: ChoiceTables, analysis: str, *, pair: bool) -> pd.DataFrame:
    table = tables.indices
    here = (table["analysis"] == analysis) & (table["quantity"] == INDEX)
    kind = table["input2"] != "" if pair else (table["input"] != "") & (table["input2"] == "")
    return table[here & kind]


def share_of(row: pd.Series, name: str) -> str:
    """Write the index `name` of a row in % with the interval that stands beside it."""
    return formatting.shares(*(float(row[f"{name}{end}"]) for end in ("", "_low95", "_high95")))
