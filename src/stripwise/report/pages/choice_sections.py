"""Which tables of the choices the page of a ranking shows."""

from __future__ import annotations

import pandas as pd

from stripwise.report.components import Block, Column, Paragraph, Table, numeric
from stripwise.report.pages.choice_text import (
    CHOICE_NAMES,
    choice_spans,
    clipped_note,
    option_text,
)
from stripwise.report.prose import sentence
from stripwise.studies.rank.choice_tables import INDEX, ChoiceTables
from stripwise.units import formatting
from stripwise.units.caution import DURABILITY_ONLY

__all__ = ["choice_blocks", "share_text"]


def choice_blocks(
    tables: ChoiceTables, *, strategy: str, units: str, horizon: float
) -> tuple[Block, ...]:
    """Lay out shares of the variance, interactions and every option alone."""
    shares = _share_rows(tables)
    blocks: tuple[Block, ...] = ()
    if shares:
        blocks = (
            Table(
                f"Share of the variance of the reliability index over all {tables.combinations} "
                "combinations of options",
                (
                    Column("choice", 0),
                    numeric("alone [%]", 1, str),
                    numeric("with the others [%]", 2, str),
                    numeric("with the others, uncertainty range [%]", 3, str),
                ),
                shares,
            ),
            Paragraph(sentence("rank.shares", clipped=clipped_note(tables)), "note"),
            Table(
                "Interactions: what two choices do together beyond the sum of both",
                (Column("choices", 0), numeric("share [%]", 1, str)),
                _interaction_rows(tables),
            ),
        )
    return (
        *blocks,
        _option_table(tables, strategy=strategy, units=units, horizon=horizon),
        Paragraph(
            "A shorter strip age is an option of the calculation, not a permission. "
            f"{DURABILITY_ONLY}",
            "note",
        ),
    )


def _share_rows(tables: ChoiceTables) -> list[tuple[str, ...]]:
    """List choice, share alone, total share and its band over epistemic inputs, the largest first."""
    own = _select_indices(tables, "choices", pair=False)
    own = own.dropna(subset=["total"]).sort_values("total", ascending=False)
    over = _select_indices(tables, "choices by epistemic point", pair=False)
    bands = {str(row["input"]): share_text(row, "total") for _, row in over.iterrows()}
    return [
        (
            CHOICE_NAMES[row["input"]],
            share_text(row, "first"),
            share_text(row, "total"),
            bands.get(str(row["input"]), formatting.DASH),
        )
        for _, row in own.iterrows()
    ]


def _interaction_rows(tables: ChoiceTables) -> list[tuple[str, str]]:
    """List the shares of pairs of choices, the largest first, then those of three and more."""
    pairs = _select_indices(tables, "choices", pair=True).dropna(subset=["second"])
    table = tables.indices
    more = table[
        (table["analysis"] == "choices") & (table["quantity"] == INDEX) & (table["group"] != "")
    ].dropna(subset=["first"])
    return [
        (
            f"{CHOICE_NAMES[row['input']]} with {CHOICE_NAMES[row['input2']]}",
            share_text(row, "second"),
        )
        for _, row in pairs.sort_values("second", ascending=False).iterrows()
    ] + [(str(row["group"]), share_text(row, "first")) for _, row in more.iterrows()]


def _option_table(tables: ChoiceTables, *, strategy: str, units: str, horizon: float) -> Table:
    """List every option alone, choices that move the probability most first."""
    plan = tables.options[tables.options["choice"] == ""]
    rows = pd.concat([plan, *(span.rows for span in choice_spans(tables))])

    def option(row: pd.Series) -> str:
        own = " (as planned)" if row["planned"] == "yes" and row["choice"] else ""
        return f"{option_text(row, units=units)}{own}"

    return Table(
        f"Each option alone, all else as in {strategy}",
        (
            Column("choice", "choice", lambda name: CHOICE_NAMES.get(name, "as planned")),
            numeric("option", write=option),
            numeric("probability", "probability", formatting.percent),
            numeric(
                "uncertainty range",
                write=lambda r: (
                    formatting.interval(r["know_low"], r["know_high"], formatting.percent)
                    or formatting.DASH
                ),
            ),
            numeric(
                "life at the target",
                "life_yr",
                lambda life: formatting.years(life, horizon=horizon),
            ),
            numeric(
                "probability over all combinations", "probability_over_all", formatting.percent
            ),
        ),
        [row for _, row in rows.iterrows()],
    )


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
