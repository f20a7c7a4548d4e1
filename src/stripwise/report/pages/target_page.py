"""What the page of a study of targets says: who meets which target, what each target asks for and costs."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import matplotlib.figure
import numpy as np
import pandas as pd

from stripwise.report.components import (
    GATES_BLOCK,
    Bullets,
    Cell,
    Column,
    Figure,
    Paragraph,
    Report,
    Section,
    Table,
    limit_state,
    matrix,
    numeric,
    scenario_signature,
)
from stripwise.report.figures.target_figures import draw_target_figures
from stripwise.report.files import declared_tables, scenario_record
from stripwise.report.pages.site_page import follow_up_text
from stripwise.report.prose import paragraphs, sentence
from stripwise.studies.candidate_targets import GRID, STATED
from stripwise.studies.decision import YES
from stripwise.studies.target_costs import NO_TARGET
from stripwise.studies.target_sentences import FLAT, over_stated_life, passing
from stripwise.studies.target_study import TargetResult
from stripwise.units.curing_words import strip_age
from stripwise.units.formatting import (
    DASH,
    confidence,
    index,
    length,
    percent,
    price,
    years,
)

__all__ = ["target_report"]

Row = Mapping[Any, Any]


def target_report(result: TargetResult) -> Report:
    """Write up a study of targets."""
    scenario = result.scenario
    return Report(
        title=f"Which durability target to set: {scenario.title}",
        about="What each target asks of the strategies: who meets it, how much nominal cover and how "
        f"long in the forms it takes. Scenario {scenario.path.name}; its stated target: "
        f"{limit_state(scenario)}. “Corrosion” here means depassivation.",
        findings=result.verdict,
        warnings=result.warnings,
        sections=tuple(_sections(result)),
        signature=scenario_signature(scenario, result.run["versions"]),
        tables=declared_tables(
            {"targets": result.targets, "annual": result.annual, "target-costs": result.costs}
        ),
        record={
            **result.run,
            "scenario": scenario_record(scenario),
            "warnings": list(result.warnings),
            "verdict": list(result.verdict),
        },
    )


def _sections(result: TargetResult) -> Iterable[Section]:
    scenario, figures = result.scenario, draw_target_figures(result)
    life = years(scenario.target.service_life)
    yield Section(
        f"Targets over {life}",
        (
            Figure("passing", figures["passing"], "Data: targets.csv."),
            _answers_table(result),
        ),
    )
    if scenario.choices is not None:
        yield _needs_section(result, figures)
    if result.costs is not None:
        yield _cost_section(result, figures)
    yield Section("Other service lives", (_lives_table(result),), keep=True)
    yield Section(
        "Published targets",
        (Paragraph(sentence("target.published", life=life)), _published_table(result)),
        keep=True,
    )
    yield Section(
        "Targets per year",
        (Paragraph(sentence("target.annual", life=life)), _annual_table(result)),
        level=3,
        keep=True,
    )
    yield Section("How it was computed", (Bullets(paragraphs("target.method")),), keep=True)
    yield Section("Limits", (Bullets(paragraphs("design.limits")),), level=3)


def _answer_cell(row: Row) -> Cell:
    """Write an answer with its confidence."""
    return Cell(
        str(row["meets_target"]),
        "" if np.isnan(row["confidence"]) else confidence(float(row["confidence"])),
        kind="yes" if row["meets_target"] == YES else "",
    )


def _by_probability(result: TargetResult) -> dict[float, pd.DataFrame]:
    rows = over_stated_life(result.scenario, result.targets)
    return {float(str(p)): part for p, part in rows.groupby("allowed_probability", sort=True)}


def _answers_table(result: TargetResult) -> Table:
    parts = _by_probability(result)
    cells = {
        p: {str(row["strategy"]): _answer_cell(row) for row in part.to_dict("records")}
        for p, part in parts.items()
    }
    grey = ""
    if result.targets["confidence"].notna().any():
        grey = " In grey: the confidence, the share of the epistemic points that meet the target."
    return matrix(
        f"Whether a strategy meets a target, by allowed probability.{grey}",
        "Strategy",
        [_target_name(result, p) for p in parts],
        [
            (strategy.name, [cells[p][strategy.name] for p in parts])
            for strategy in result.scenario.strategies
        ],
    )


def _target_name(result: TargetResult, probability: float) -> str:
    stated = " (stated)" * (probability == result.scenario.target.probability)
    return f"{percent(probability)}{stated}"


def _drawn(result: TargetResult, mm: float) -> str:
    return "none in the range" if np.isinf(mm) else length(mm, units=result.scenario.units)


def _hours(hours: float) -> str:
    return "none in the range" if np.isinf(hours) else strip_age(hours)


def _needs_section(
    result: TargetResult, figures: Mapping[str, matplotlib.figure.Figure]
) -> Section:
    scenario = result.scenario
    parts = _by_probability(result)

    def table(caption: str, column: str, write: Any) -> Table:
        values = {
            p: dict(zip(part["strategy"], part[column], strict=True)) for p, part in parts.items()
        }
        return matrix(
            caption,
            "Strategy",
            [_target_name(result, p) for p in parts],
            [
                (s.name, [write(float(values[p][s.name])) for p in parts])
                for s in scenario.strategies
            ],
        )

    nominal = length(scenario.nominal_cover, units=scenario.units)
    return Section(
        "What each target asks for",
        (
            Figure(
                "target-cover",
                figures["target-cover"],
                "Data: targets.csv.",
            ),
            table(
                "Nominal cover to draw, in drawing steps and by the decision rule, with the strategy "
                "as it is",
                "drawn_cover_mm",
                lambda mm: _drawn(result, mm),
            ),
            table(
                f"Earliest strip age to build at {nominal} of nominal cover, in whole hours or days "
                "and by the decision rule, with the curing after stripping of the strategy. "
                f"“{DASH}”: its penalty is given, so no strip age follows.",
                "site_strip_age_h",
                _hours,
            ),
            Paragraph("Durability alone.", "note"),
            GATES_BLOCK,
        ),
    )


def _cost_section(result: TargetResult, figures: Mapping[str, matplotlib.figure.Figure]) -> Section:
    costs = result.costs
    assert costs is not None
    prices = result.scenario.cost
    assert prices is not None
    unit = prices.unit
    own = costs["source"].isin([NO_TARGET, STATED, GRID])
    shown = costs[own].sort_values("allowed_probability", na_position="first", kind="stable")
    least = float(costs.loc[costs["source"] == NO_TARGET, "cost"].iloc[0])

    def name(row: Row) -> str:
        if row["source"] == NO_TARGET:
            return "no target"
        return _target_name(result, float(row["allowed_probability"]))

    def pair(row: Row) -> str:
        if not np.isfinite(row["cost"]):
            return str(row["status"])
        return ", ".join(
            [
                length(float(row["nominal_cover_mm"]), units=result.scenario.units),
                strip_age(float(row["strip_age_h"])),
                follow_up_text(str(row["follow_up"])),
            ]
        )

    def more(row: Row) -> str:
        if not np.isfinite(row["cost"]):
            return DASH
        return percent(max(float(row["cost"]) / least - 1.0, 0.0))

    table = Table(
        f"The cheapest pair that can be built and meets each target, [{unit}]. “More” is against "
        "the least expected cost. A row weaker than the stated target shows what the stated one "
        "costs; it is no offer.",
        (
            Column("Allowed", write=name, kind="tight"),
            Column("Cheapest pair", write=pair),
            numeric("Probability", "probability", percent, kind="tight"),
            numeric("First cost", "first_cost", price),
            numeric("With repairs", "cost", price),
            numeric("More", write=more, kind="tight"),
        ),
        prices.shown(shown).to_dict("records"),
        bold=lambda row: row["source"] == STATED,
    )
    return Section(
        "What each target costs",
        (
            Figure("target-cost", figures["target-cost"], "Data: target-costs.csv."),
            table,
            Paragraph(
                f"Costs within {percent(FLAT)} ({prices.text(FLAT * least)}) of each other say "
                "little: prices and penalties are less certain than that. "
                + sentence("design.repair", parts=""),
                "note",
            ),
        ),
    )


def _lives_table(result: TargetResult) -> Table:
    """Set how many strategies meet a target and the reference's cover out by life and probability."""
    scenario, targets = result.scenario, result.targets
    grid = targets[targets["source"].isin([STATED, GRID])]
    heads = list(_by_probability(result))

    def cell(part: pd.DataFrame) -> Cell:
        if not len(part):
            return Cell(DASH)
        own = part[part["strategy"] == scenario.reference_strategy].iloc[0]
        small = "" if scenario.choices is None else _drawn(result, float(own["drawn_cover_mm"]))
        return Cell(f"{len(passing(part))} of {len(part)}", small)

    grey = ""
    if scenario.choices is not None:
        grey = f" In grey: nominal cover to draw with {scenario.reference_strategy}."
    return matrix(
        f"How many strategies meet the target, by service life and allowed probability.{grey}",
        "Service life",
        [_target_name(result, p) for p in heads],
        [
            (
                years(float(str(life))),
                [cell(part[part["allowed_probability"] == p]) for p in heads],
            )
            for life, part in grid.groupby("service_life_yr", sort=True)
        ],
    )


def _published_table(result: TargetResult) -> Table:
    scenario, targets, costs = result.scenario, result.targets, result.costs
    caption = f"Published targets, applied over {years(scenario.target.service_life)}."
    more: list[Column] = []
    if scenario.choices is not None:
        caption += (
            f" Cover: nominal cover to draw with {scenario.reference_strategy}; in grey the earliest "
            f"strip age to build at {length(scenario.nominal_cover, units=scenario.units)} with its "
            "curing after stripping."
        )
        more.append(numeric("Cover", 5, lambda cell: cell))
    if costs is not None and scenario.cost is not None:
        caption += (
            f" Cost: first cost of the cheapest pair that meets it, in grey with repairs "
            f"[{scenario.cost.unit}]."
        )
        more.append(numeric("Cost", 6, lambda cell: cell))
    rows = []
    published = targets[~targets["source"].isin([STATED, GRID]) & targets["strategy"].ne("")]
    for source, part in published.groupby("source", sort=False):
        first = part.iloc[0]
        period = float(first["source_period_yr"])
        names = passing(part)
        (own,) = part[part["strategy"] == scenario.reference_strategy].to_dict("records")
        rows.append(
            (
                str(source),
                index(float(first["reliability_index"])),
                percent(float(first["allowed_probability"])),
                "service life" if np.isnan(period) else years(period),
                ", ".join(names) if names else "none",
                _asked(result, own),
                _published_cost(costs, str(source)),
            )
        )
    return Table(
        caption,
        (
            Column("Source", 0, kind="source"),
            numeric("Index", 1, str),
            numeric("Probability", 2, str, kind="tight"),
            Column("Its own period", 3),
            Column("Strategies that meet it", 4),
            *more,
        ),
        rows,
    )


def _asked(result: TargetResult, row: Row) -> Cell:
    """Write the cover that a target asks for, with the strip age below it."""
    if result.scenario.choices is None:
        return Cell(DASH)
    hours = float(row["site_strip_age_h"])
    return Cell(
        _drawn(result, float(row["drawn_cover_mm"])), DASH if np.isnan(hours) else _hours(hours)
    )


def _published_cost(costs: pd.DataFrame | None, source: str) -> Cell:
    """Write first and expected cost of the cheapest pair under a published target."""
    if costs is None:
        return Cell(DASH)
    row = costs[costs["source"] == source].iloc[0]
    if not np.isfinite(row["cost"]):
        return Cell("no pair")
    return Cell(price(float(row["first_cost"])), price(float(row["cost"])))


def _annual_table(result: TargetResult) -> Table:
    per_year = result.targets[result.targets["strategy"].eq("")]
    rows = [
        *(
            (
                row["strategy"],
                float(row["age_yr"]),
                float(row["probability"]),
                float(row["reliability_index"]),
                "computed",
            )
            for row in result.annual.to_dict("records")
        ),
        *(
            (
                str(row["source"]),
                np.nan,
                float(row["allowed_probability"]),
                float(row["reliability_index"]),
                "not comparable",
            )
            for row in per_year.to_dict("records")
        ),
    ]
    return Table(
        "Largest probability of depassivation within a year, given none before, and published "
        "targets per year",
        (
            Column("Strategy or source", 0),
            numeric("In year", 1, years, kind="tight"),
            numeric("Probability", 2, percent, kind="tight"),
            numeric("Index", 3, index),
            Column("", 4),
        ),
        rows,
    )
