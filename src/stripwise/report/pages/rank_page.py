"""What the page of a ranking says: what drives the answer, and how far to trust it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import matplotlib.figure
import numpy as np
import pandas as pd

from stripwise.report.components import (
    Block,
    Bullets,
    Column,
    Figure,
    Paragraph,
    Report,
    Section,
    Table,
    numeric,
    scenario_signature,
    sentence_case,
)
from stripwise.report.figures.ranking_figures import draw_ranking_figures, input_labels
from stripwise.report.files import declared_tables, scenario_record
from stripwise.report.pages.choice_sections import choice_blocks, share_text
from stripwise.report.pages.rank_text import ranking_answer, sentences, single_indices
from stripwise.report.prose import paragraphs, sentence
from stripwise.report.render import math
from stripwise.risk.sensitivity.quantities_of_interest import FAILURE, MARGIN, TIME
from stripwise.studies.rank.index_tables import LIFE
from stripwise.studies.rank.rank_study import Ranking
from stripwise.units import formatting
from stripwise.units.formatting import count, number, percent, points, signed, years

__all__ = ["rank_report"]

MAX_PAIRS = 10
"""Most interactions of two inputs in the table."""

Figures = Mapping[str, matplotlib.figure.Figure]


def rank_report(ranking: Ranking) -> Report:
    """Write up a ranking."""
    scenario = ranking.scenario
    target = scenario.target
    answer, found = ranking_answer(ranking), tuple(sentences(ranking))
    return Report(
        title=f"What drives the answer: {scenario.title}",
        about=f"Strategy {ranking.strategy}. Scenario {scenario.path.name}. Limit state: "
        "depassivation (the chloride content at the steel reaches its critical value); reference "
        f"period {years(target.service_life)} from first exposure; target index "
        f"{formatting.index(target.reliability_index)}.",
        answer=answer,
        findings=found,
        warnings=ranking.notes,
        sections=tuple(_sections(ranking)),
        signature=scenario_signature(scenario, {"seed": str(ranking.run["seed"])}),
        tables=declared_tables(
            {
                "sensitivity": ranking.indices,
                "convergence": ranking.convergence,
                "form": ranking.form,
                "elasticity": ranking.elasticity,
                "reliability": ranking.methods,
                "choices": ranking.choices.indices,
                "options": ranking.choices.options,
                "shapley": ranking.shapley if len(ranking.shapley) else None,
                "worth": ranking.value_of_information
                if len(ranking.value_of_information)
                else None,
            }
        ),
        record={
            **ranking.run,
            "scenario": scenario_record(scenario),
            "verdict": [*answer, *found],
            "warnings": list(ranking.notes),
        },
    )


def _sections(ranking: Ranking) -> Iterable[Section]:
    figures = draw_ranking_figures(ranking)
    yield Section(
        "The choices on the table",
        (
            *_figures(figures, "choices"),
            *choice_blocks(
                ranking.choices,
                strategy=ranking.strategy,
                units=ranking.scenario.units,
                horizon=ranking.scenario.sampling.horizon,
            ),
        ),
    )
    yield Section(
        "Over the life", tuple(_figures(figures, "shares", "total-margin", "total-failure"))
    )
    yield Section("At the target life", tuple(_index_blocks(ranking)))
    if len(ranking.shapley):
        yield _shapley_section(ranking)
    yield Section(
        "What drives failure",
        (*_figures(figures, "factors"), *_reliability_blocks(ranking)),
    )
    if ranking.value_of_information["variance_share"].notna().any():
        yield _value_of_information_section(ranking)
    yield Section(
        "How far the indices have settled",
        (
            *_figures(figures, "convergence-margin", "convergence-failure"),
            Paragraph(
                "The sample was doubled until the widest 95 % interval of a defined row was below "
                f"{number(ranking.run['precision'])}. Cost: {count(ranking.run['model_runs'])} model "
                f"runs, each at all {len(ranking.ages)} ages at once. convergence.csv holds the "
                "estimates of every size."
            ),
        ),
    )
    method = paragraphs("rank.method", repeats=ranking.run["repeats"])
    yield Section("Method", tuple(Paragraph(math(text)) for text in method))
    yield Section(
        "Limits",
        (Bullets(paragraphs("rank.limits")),),
    )


def _figures(figures: Figures, *names: str) -> Iterable[Block]:
    return (Figure(name, figures[name]) for name in names if name in figures)


def _label(ranking: Ranking, name: object) -> str:
    return input_labels(ranking).get(str(name), str(name))


def _index_blocks(ranking: Ranking) -> Iterable[Block]:
    life = ranking.scenario.target.service_life

    def label(row: pd.Series) -> str:
        return _label(ranking, row["input"]) if row["input"] else f"{row['group']} (group)"

    yield Paragraph(sentence("rank.index"), "note")
    for quantity, age in ((MARGIN, life), (LIFE, np.nan), (TIME, np.nan), (FAILURE, life)):
        rows = single_indices(ranking, quantity, age)
        if len(rows):
            yield Table(
                sentence_case(quantity),
                (
                    Column("input or group", write=label),
                    numeric("first [%]", write=lambda row: share_text(row, "first")),
                    numeric("total [%]", write=lambda row: share_text(row, "total")),
                    numeric("status", "status", str),
                ),
                _rows(rows.sort_values("total", ascending=False, kind="stable")),
            )
    table = ranking.indices
    pairs = table[
        (table["quantity"] == MARGIN) & (table["input2"] != "") & (table["age_yr"] == life)
    ].dropna(subset=["second"])
    if len(pairs):
        yield Table(
            "Interactions of two inputs in the depth margin, the largest ten",
            (
                Column(
                    "pair",
                    write=lambda r: (
                        f"{_label(ranking, r['input'])} with {_label(ranking, r['input2'])}"
                    ),
                ),
                numeric("second [%]", write=lambda row: share_text(row, "second")),
                numeric("status", "status", str),
            ),
            _rows(pairs.sort_values("second", ascending=False).head(MAX_PAIRS)),
        )


def _rows(table: pd.DataFrame) -> list[pd.Series]:
    return [row for _, row in table.iterrows()]


def _shapley_section(ranking: Ranking) -> Section:

    def effect(row: pd.Series) -> str:
        if row["status"] != "ok":
            return formatting.DASH
        return formatting.share_with_interval(row["effect"], row["low95"], row["high95"])

    tables = (
        Table(
            f"Shapley effects of the {quantity}",
            (
                Column("input", "input", lambda name: _label(ranking, name)),
                numeric("effect [%]", write=effect),
                numeric("correlated", "correlated", str),
            ),
            _rows(own.sort_values("effect", ascending=False)),
        )
        for quantity, own in ranking.shapley.groupby("quantity", sort=True)
    )
    return Section("Correlated inputs", (Paragraph(sentence("rank.shapley")), *tables), level=3)


def _reliability_blocks(ranking: Ranking) -> Iterable[Block]:
    form = ranking.form[ranking.form["age_yr"] == ranking.scenario.target.service_life]
    units = ranking.scenario.units
    named = Column("input", "input", lambda name: _label(ranking, name))
    if len(form):
        yield Table(
            "Design point at the target life: the most probable way to depassivate",
            (
                named,
                numeric("α", "alpha"),  # noqa: RUF001
                numeric("α² [%]", "alpha_squared", _share),
                numeric("γ² [%]", "gamma_squared", _share),
                numeric("standard deviations", "design_score"),
                numeric(
                    "value",
                    write=lambda r: formatting.amount(r["design_value"], r["unit"], units=units),
                ),
            ),
            _rows(form.sort_values("gamma_squared", ascending=False)),
        )
        yield Paragraph(sentence("rank.gamma"), "note")
    if len(ranking.elasticity):
        changes = ranking.elasticity.pivot_table(
            index="input", columns="moment", values="index_change", sort=False, dropna=False
        ).reindex(columns=["mean", "sd"])
        yield Table(
            "Change of the reliability index for 1 % more (a mean of 0: 1 % of the standard "
            "deviation)",
            (
                named,
                numeric("in its mean", "mean", _change),
                numeric("in its standard deviation", "sd", _change),
            ),
            changes.reset_index().to_dict("records"),
        )
    yield Table(
        "The same probability by independent methods; the gap is in reliability index",
        (
            Column("age", "age_yr", years),
            numeric("method", "method", str),
            numeric("probability", "probability", percent),
            numeric("coefficient of variation", "cov", percent),
            numeric("index", "reliability_index", formatting.index),
            numeric("gap to sampled", "gap_to_sampled", signed),
            numeric("model calls", "calls", count),
            numeric("note", "note", str),
        ),
        ranking.methods.sort_values("age_yr", kind="stable").to_dict("records"),
    )


def _share(value: float) -> str:
    return points(value) if np.isfinite(value) else formatting.DASH


def _change(value: float) -> str:
    return signed(value) if np.isfinite(value) else "impossible"


def _value_of_information_section(ranking: Ranking) -> Section:
    return Section(
        "What to measure first",
        (
            Paragraph(sentence("rank.worth")),
            Table(
                "Worth of a measurement, without error unless its name says otherwise",
                (
                    Column("measurement", "measurement", lambda name: _label(ranking, name)),
                    numeric(
                        "share of the doubt [%]",
                        write=lambda r: formatting.share_with_interval(
                            r["variance_share"], r["low95"], r["high95"]
                        ),
                    ),
                    numeric("chance of another choice", "chance_of_another_choice", percent),
                ),
                ranking.value_of_information.dropna(subset=["variance_share"]).to_dict("records"),
            ),
        ),
    )
