"""What the page of a ranking says: what drives the answer, and how far to trust it."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import resources

import jinja2
import numpy as np
import pandas as pd
from markupsafe import Markup

from stripwise.report import formatting
from stripwise.report.figures.ranking_figures import input_labels
from stripwise.report.pages.choice_sections import (
    interaction_rows,
    option_rows,
    share_rows,
    share_text,
)
from stripwise.report.pages.choice_text import choice_sentences, clipped_note
from stripwise.report.pages.run_page import inline_svg
from stripwise.risk.sensitivity.quantities_of_interest import FAILURE, MARGIN, TIME
from stripwise.studies.rank.index_tables import LIFE
from stripwise.studies.rank.rank_study import Ranking

__all__ = ["render", "sentences"]


def sentences(ranking: Ranking) -> list[str]:
    """Put the ranking in words for the reader, the most important first."""
    life = ranking.scenario.target.service_life
    names = input_labels(ranking)
    scenario = ranking.scenario
    texts = choice_sentences(
        ranking.choices,
        strategy=ranking.strategy,
        life=life,
        allowed=scenario.target.probability,
        units=scenario.units,
    )
    best = _largest(_single_indices(ranking, MARGIN, life), "total")
    if best is not None:
        texts.append(
            f"At {formatting.number(life)} yr {names.get(str(best['input']), best['input'])} drives the "
            f"depth margin of {ranking.strategy} most: {formatting.percent(float(best['first']))} of "
            f"the variance alone, {formatting.percent(float(best['total']))} with interactions."
        )
    form = ranking.form[ranking.form["age_yr"] == life]
    if len(form):
        top = form.sort_values("gamma_squared", ascending=False).iloc[0]
        beta = _method_row(ranking, life, "FORM")
        share, index = float(top["gamma_squared"]), float(beta["reliability_index"])
        texts.append(
            f"Failure within {formatting.number(life)} yr depends most on "
            f"{names.get(top['input'], top['input'])}: {formatting.percent(share)} at the design point "
            f"(first-order reliability index {formatting.index(index)}{_gap_text(beta)})."
        )
    worth = ranking.value_of_information.dropna(subset=["variance_share"])
    if len(worth):
        top = worth.iloc[0]
        name = names.get(str(top["measurement"]), str(top["measurement"]))
        chance = formatting.percent(float(top["chance_of_another_choice"]))
        texts.append(
            f"Measuring {name} would take away {formatting.percent(float(top['variance_share']))} of "
            "what is in doubt about the probability at the target life, and would change the "
            f"choice of strategy with a chance of {chance}."
        )
    return texts


def _gap_text(row: pd.Series) -> str:
    gap = float(row["gap_to_sampled"])
    if not np.isfinite(gap):
        return ""
    return f", {formatting.number(abs(gap), 2)} {'above' if gap > 0 else 'below'} the sampled one"


def _method_row(ranking: Ranking, age: float, method: str) -> pd.Series:
    rows = ranking.methods
    return rows[(rows["age_yr"] == age) & (rows["method"] == method)].iloc[0]


def _single_indices(ranking: Ranking, quantity: str, age: float) -> pd.DataFrame:
    table = ranking.indices
    here = (table["quantity"] == quantity) & (table["input2"] == "")
    if np.isfinite(age):
        here &= table["age_yr"] == age
    return table[here]


def _largest(rows: pd.DataFrame, column: str) -> pd.Series | None:
    single = rows[rows["input"] != ""].dropna(subset=[column])
    return None if not len(single) else single.sort_values(column).iloc[-1]


def render(ranking: Ranking, figures: Mapping[str, str]) -> str:
    """Write the report of a ranking: self-contained HTML without scripts and without network."""
    environment = jinja2.Environment(
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    life = ranking.scenario.target.service_life
    quantities = [(MARGIN, life), (LIFE, np.nan), (TIME, np.nan), (FAILURE, life)]
    return environment.from_string(_text("ranking.html.j2")).render(
        r=ranking,
        s=ranking.scenario,
        css=Markup(_text("page.css")),
        figures={name: inline_svg(svg, name=name) for name, svg in figures.items()},
        verdict=[formatting.no_break_spaces(line) for line in sentences(ranking)],
        blocks=[
            (q, _index_rows(ranking, _single_indices(ranking, q, age))) for q, age in quantities
        ],
        pairs=_pair_rows(ranking),
        form=_form_rows(ranking),
        bends=_elasticity_rows(ranking),
        methods=_method_rows(ranking),
        worth=_value_of_information_rows(ranking),
        shapley=_shapley_rows(ranking),
        shares=share_rows(ranking.choices),
        interactions=interaction_rows(ranking.choices),
        options=option_rows(
            ranking.choices, units=ranking.scenario.units, horizon=ranking.scenario.sampling.horizon
        ),
        clipped=clipped_note(ranking.choices),
        number=formatting.number,
    )


def _text(name: str) -> str:
    return resources.files("stripwise.report.templates").joinpath(name).read_text(encoding="utf-8")


def _index_rows(ranking: Ranking, rows: pd.DataFrame) -> list[tuple[str, str, str, str]]:
    names = input_labels(ranking)
    result_rows = []
    for _, row in rows.sort_values("total", ascending=False, kind="stable").iterrows():
        group = "" if row["input"] else f"{row['group']} (group)"
        label = names.get(row["input"], row["input"]) or group
        result_rows.append(
            (str(label), share_text(row, "first"), share_text(row, "total"), str(row["status"]))
        )
    return result_rows


def _pair_rows(ranking: Ranking) -> list[tuple[str, str, str]]:
    """Interactions of the depth margin at the target life, the ten largest."""
    table = ranking.indices
    life = ranking.scenario.target.service_life
    rows = table[
        (table["quantity"] == MARGIN) & (table["input2"] != "") & (table["age_yr"] == life)
    ].dropna(subset=["second"])
    names = input_labels(ranking)
    return [
        (
            f"{names.get(row['input'], row['input'])} with "
            f"{names.get(row['input2'], row['input2'])}",
            share_text(row, "second"),
            str(row["status"]),
        )
        for _, row in rows.sort_values("second", ascending=False).head(10).iterrows()
    ]


def _form_rows(ranking: Ranking) -> list[tuple[str, ...]]:
    names, units = input_labels(ranking), ranking.scenario.units
    rows = ranking.form[ranking.form["age_yr"] == ranking.scenario.target.service_life]
    result_rows: list[tuple[str, ...]] = []
    for _, row in rows.sort_values("gamma_squared", ascending=False).iterrows():
        squared = float(row["alpha_squared"])
        value = float(row["design_value"])
        result_rows.append(
            (
                names.get(row["input"], row["input"]),
                formatting.number(float(row["alpha"])),
                formatting.one_decimal(100.0 * squared)
                if np.isfinite(squared)
                else formatting.DASH,
                formatting.one_decimal(100.0 * float(row["gamma_squared"])),
                formatting.number(float(row["design_score"])),
                formatting.amount(value, str(row["unit"]), units=units),
            )
        )
    return result_rows


def _elasticity_rows(ranking: Ranking) -> list[tuple[str, ...]]:
    names = input_labels(ranking)
    table = ranking.elasticity
    result_rows: list[tuple[str, ...]] = []
    for name, own in table.groupby("input", sort=False):
        values = own.set_index("moment")["index_change"]
        result_rows.append(
            (
                names.get(str(name), str(name)),
                *(_signed(float(values.get(moment, np.nan))) for moment in ("mean", "sd")),
            )
        )
    return result_rows


def _signed(value: float) -> str:
    if not np.isfinite(value):
        return "impossible"
    return f"{value:+.4f}".replace("-", formatting.MINUS)


def _method_rows(ranking: Ranking) -> list[tuple[str, ...]]:
    result_rows: list[tuple[str, ...]] = []
    for _, row in ranking.methods.sort_values(["age_yr"], kind="stable").iterrows():
        p = float(row["probability"])
        spread = float(row["cov"])
        result_rows.append(
            (
                f"{formatting.number(float(row['age_yr']))} yr",
                str(row["method"]),
                formatting.number(p),
                f"{100.0 * spread:.1f} %" if np.isfinite(spread) else formatting.DASH,
                formatting.index(float(row["reliability_index"]))
                if np.isfinite(p)
                else formatting.DASH,
                _signed_gap(float(row["gap_to_sampled"])),
                formatting.number(float(row["calls"]), 7),
                str(row["note"]),
            )
        )
    return result_rows


def _signed_gap(value: float) -> str:
    return f"{value:+.3f}".replace("-", formatting.MINUS) if np.isfinite(value) else formatting.DASH


def _value_of_information_rows(ranking: Ranking) -> list[tuple[str, str, str]]:
    names = input_labels(ranking)
    rows = ranking.value_of_information.dropna(subset=["variance_share"])
    return [
        (
            names.get(str(row["measurement"]), str(row["measurement"])),
            formatting.share_with_interval(
                *(float(row[part]) for part in ("variance_share", "low95", "high95"))
            ),
            formatting.percent(float(row["chance_of_another_choice"])),
        )
        for _, row in rows.iterrows()
    ]


def _shapley_rows(ranking: Ranking) -> list[tuple[str, str, str, str]]:
    names = input_labels(ranking)
    result_rows = []
    for _, row in ranking.shapley.sort_values("effect", ascending=False).iterrows():
        shown = formatting.DASH
        if row["status"] == "ok":
            shown = formatting.share_with_interval(
                *(float(row[part]) for part in ("effect", "low95", "high95"))
            )
        label = names.get(str(row["input"]), str(row["input"]))
        result_rows.append((str(row["quantity"]), label, shown, str(row["correlated"])))
    return sorted(result_rows, key=lambda line: line[0])
