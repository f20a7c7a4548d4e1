"""What a ranking says in sentences."""

from __future__ import annotations

import numpy as np
import pandas as pd

from stripwise.report.figures.ranking_figures import input_labels
from stripwise.report.pages.choice_text import choice_sentences
from stripwise.risk.sensitivity.quantities_of_interest import MARGIN
from stripwise.studies.rank.rank_study import Ranking
from stripwise.units import formatting
from stripwise.units.formatting import number, percent, years

__all__ = ["ranking_answer", "sentences", "single_indices"]


def ranking_answer(ranking: Ranking) -> tuple[str, ...]:
    """Say what an owner can do: which choice moves the answer, and which measurement."""
    scenario = ranking.scenario
    texts = choice_sentences(
        ranking.choices,
        strategy=ranking.strategy,
        life=scenario.target.service_life,
        allowed=scenario.target.probability,
        units=scenario.units,
    )
    worth = ranking.value_of_information.dropna(subset=["variance_share"])
    if len(worth):
        top = worth.iloc[0]
        names, found = input_labels(ranking), str(top["measurement"])
        what = f"Measuring the {names[found]}" if found in names else f"A {found}"
        chance = percent(float(top["chance_of_another_choice"]))
        texts.append(
            f"{what} would take away {percent(float(top['variance_share']))} of the uncertainty of the probability at "
            f"the target life; the chance that it changes the choice of strategy is {chance}."
        )
    return tuple(texts)


def sentences(ranking: Ranking) -> list[str]:
    """Say which unknown drives the answer, the most important first."""
    life = ranking.scenario.target.service_life
    names = input_labels(ranking)
    texts = []
    best = _largest(single_indices(ranking, MARGIN, life), "total")
    if best is not None:
        texts.append(
            f"At {years(life)} the {names.get(str(best['input']), best['input'])} drives the "
            f"depth margin of {ranking.strategy} most: {percent(float(best['first']))} of "
            f"the variance alone, {percent(float(best['total']))} with interactions."
        )
    form = ranking.form[ranking.form["age_yr"] == life]
    if len(form):
        top = form.sort_values("gamma_squared", ascending=False).iloc[0]
        beta = _method_row(ranking, life, "FORM")
        share, index = float(top["gamma_squared"]), float(beta["reliability_index"])
        texts.append(
            f"Failure within {years(life)} depends most on "
            f"the {names.get(top['input'], top['input'])}: {percent(share)} at the design point "
            f"(first-order reliability index {formatting.index(index)}{_gap_text(beta)})."
        )
    return texts


def _gap_text(row: pd.Series) -> str:
    gap = float(row["gap_to_sampled"])
    if not np.isfinite(gap):
        return ""
    return f", {number(abs(gap), 2)} {'above' if gap > 0 else 'below'} the sampled one"


def _method_row(ranking: Ranking, age: float, method: str) -> pd.Series:
    rows = ranking.methods
    return rows[(rows["age_yr"] == age) & (rows["method"] == method)].iloc[0]


def single_indices(ranking: Ranking, quantity: str, age: float) -> pd.DataFrame:
    """Select the indices of inputs and groups; at an age, or of all ages if it is NaN."""
    table = ranking.indices
    here = (table["quantity"] == quantity) & (table["input2"] == "")
    if np.isfinite(age):
        here &= table["age_yr"] == age
    return table[here]


def _largest(rows: pd.DataFrame, column: str) -> pd.Series | None:
    single = rows[rows["input"] != ""].dropna(subset=[column])
    return None if not len(single) else single.sort_values(column).iloc[-1]
