"""What the page of an update says: what the inspections changed, and how far to trust it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from typing import Any

import pandas as pd

from stripwise.report.components import (
    Bullets,
    Column,
    Figure,
    Paragraph,
    Report,
    Section,
    Table,
    limit_state,
    numeric,
    scenario_signature,
)
from stripwise.report.figures import sheet
from stripwise.report.figures.update_figures import (
    contents_figure,
    plot_update,
    plot_updated_curves,
)
from stripwise.report.files import csv_text, declared_tables, scenario_record
from stripwise.report.pages.learned_inputs import learned_inputs_table, sampling_paragraphs
from stripwise.report.prose import paragraphs, sentence
from stripwise.report.strict_json import json_text
from stripwise.scenario.posterior_record import MADE_BY, POSTERIOR, SIDECAR, law_record
from stripwise.scenario.sections.interventions import INTERVENTION_NOTE
from stripwise.studies.update.next_inspection import ASSUMED
from stripwise.studies.update.update_result import UpdateResult
from stripwise.studies.update.update_sentences import contradictions, update_sentences
from stripwise.units.formatting import (
    DASH,
    amount_without_unit,
    confidence,
    count,
    display_unit,
    interval,
    number,
    percent,
    price,
    signed_points,
    years,
)
from stripwise.units.software import version
from stripwise.units.source_files import SourceFile

__all__ = ["update_report"]

Row = Mapping[Any, Any]


def update_report(result: UpdateResult) -> Report:
    """Write up an update."""
    case = result.case
    found = update_sentences(result)
    further = tuple(source for one in result.sets for source in one.data_file.sources)
    return Report(
        title=f"What inspections change: {case.title}",
        about=f"Scenario {case.path.name}; {limit_state(case)}. Reference strategy: "
        f"{case.reference_strategy}.",
        answer=(*found, sentence("update.licensed")),
        findings=(),
        picture=Figure("update", sheet.draw(plot_update, result), "Data: answers.csv."),
        warnings=_warnings(result),
        sections=tuple(_sections(result)),
        signature=scenario_signature(
            case,
            {"stripwise": version("stripwise"), "seed": str(result.run["seed"])},
            further=further,
        ),
        tables=declared_tables(
            {
                "updated": result.curves,
                "answers": result.strategies,
                "learned": result.inputs,
                "inspections": result.data,
                "surprise": result.checks,
                "cover_spread": result.covers,
                "next_inspections": result.next_inspections,
                "contents": contents_table(result) if result.profiles else None,
            }
        )
        | {POSTERIOR: result.posterior},
        texts={SIDECAR: json_text(posterior_record(result, further))},
        record={
            **result.run,
            "scenario": scenario_record(case),
            "verdict": list(found),
            "warnings": list(_warnings(result)),
        },
    )


def posterior_record(result: UpdateResult, sources: tuple[SourceFile, ...]) -> dict[str, Any]:
    """Say what posterior.csv was made of: the prior, the data, and what its draws are worth."""
    draws = result.case.draws
    return {
        "made_by": MADE_BY,
        "sha256": hashlib.sha256(csv_text(result.posterior).encode()).hexdigest(),
        "first_exposure": result.run["first_exposure"],
        "prior": {
            "file": result.case.path.name,
            "sha256": result.case.digest,
            "knowledge": None if draws is None else draws.source or "a table in memory",
        },
        "inputs": law_record(result.case.inputs),
        "data": [{"file": source.name, "sha256": source.sha256} for source in sources],
        "draws": result.run["draws"],
        "effective_draws": result.run["effective_draws"],
        "stripwise": version("stripwise"),
    }


def contents_table(result: UpdateResult) -> pd.DataFrame:
    """Put the bands of every face and age into one table."""
    frames = []
    for one in result.profiles:
        names = {name: f"content_{name}" for name in one.bands if name != "depth_mm"}
        table = one.bands.rename(columns=names)
        table.insert(0, "age_yr", one.age)
        table.insert(0, "strategy", one.strategy)
        frames.append(table)
    return pd.concat(frames, ignore_index=True)


def _warnings(result: UpdateResult) -> tuple[str, ...]:
    planned = result.next_inspections
    told = () if planned is None or "worth_per_m2" not in planned else (INTERVENTION_NOTE,)
    data = [note for one in result.sets for note in one.data_file.notes]
    return (*result.notes, *data, *(text for text in result.case.warnings if text not in told))


def _sections(result: UpdateResult) -> Iterable[Section]:
    case = result.case
    yield Section("Before and after", (*_answer_blocks(result),))
    yield Section("What the data say", (*_data_blocks(result),))
    if result.profiles:
        drawing = sheet.draw(_drawn_contents, result)
        yield Section(
            "Contents of the cores", (Figure("contents", drawing, "Data: contents.csv."),)
        )
    yield Section("What was learned", (*_learned_blocks(result),))
    if result.next_inspections is not None:
        yield Section("What to look at next", (*_next_blocks(result, result.next_inspections),))
    sampled = sampling_paragraphs(result.run)
    yield Section(
        "Method",
        tuple(
            Paragraph(text)
            for text in (*paragraphs("update.method"), *sampled, *_use(case.path.name))
        ),
    )
    yield Section("Limits", (Bullets(paragraphs("update.limits")),))


def _use(name: str) -> tuple[str, ...]:
    return paragraphs("update.use", scenario=name, file=POSTERIOR)


def _drawn_contents(result: UpdateResult) -> Any:
    return contents_figure(result).axes[0]


def _answer_blocks(result: UpdateResult) -> Iterable[Any]:
    case = result.case
    horizon = case.sampling.horizon

    def probability(when: str) -> Any:
        return lambda row: percent(row[f"probability_{when}"])

    def ends(row: Row) -> str:
        return interval(row["know_low_after"], row["know_high_after"], percent) or DASH

    def life(when: str) -> Any:
        return lambda row: years(row[f"life_at_target_yr_{when}"], horizon=horizon)

    yield Figure("curves", sheet.draw(plot_updated_curves, result), "Data: updated.csv.")
    yield Table(
        f"Probability of depassivation within {years(case.target.service_life)}, and years until the "
        f"{percent(case.target.probability)} limit is exceeded",
        (
            Column("strategy", "strategy"),
            numeric("meets the limit", "meets_target_after", str),
            numeric("before it did", "meets_target_before", str),
            numeric("probability before", write=probability("before")),
            numeric("after", write=probability("after")),
            numeric("uncertainty range (95 %)", write=ends),
            numeric("confidence", "confidence_after", confidence),
            numeric("years before", write=life("before")),
            numeric("after", write=life("after")),
        ),
        result.strategies.to_dict("records"),
    )
    if result.age:
        yield Paragraph(sentence("update.remaining", year=number(result.age)), "note")


def _data_blocks(result: UpdateResult) -> Iterable[Any]:
    def moved(row: Row) -> str:
        change = row["probability_moved"]
        return f"{signed_points(change)} pts" if pd.notna(change) else DASH

    yield Table(
        f'Each file, and what the probability under "{result.case.reference_strategy}" would be without '
        "it",
        (
            Column("file", "file"),
            Column("data", "data"),
            Column("size", "size"),
            numeric("year", "age_yr", lambda x: number(x) if pd.notna(x) else DASH),
            numeric(
                "without it",
                "probability_without",
                lambda p: percent(p) if pd.notna(p) else DASH,
            ),
            numeric("it moved", write=moved),
        ),
        result.data.to_dict("records"),
    )
    for text in contradictions(result):
        yield Paragraph(text)
    yield Table(
        "How surprising the data are under the scenario",
        (
            Column("data", "data"),
            numeric("p value", "p_value", number),
            Column("", "status"),
        ),
        result.checks.to_dict("records"),
    )
    yield Paragraph(sentence("update.surprise"), "note")
    if result.covers is not None:
        unit = display_unit("mm", units=result.case.units)

        def spread(name: str) -> Any:
            return lambda row: amount_without_unit(row[name], "mm", units=result.case.units)

        yield Table(
            "Standard deviation of the cover along the wall, by the readings and in the scenario",
            (
                Column("file", "file"),
                Column("the readings say", "status"),
                numeric(f"by the readings [{unit}]", write=spread("sd_mm")),
                numeric("from", write=spread("low95")),
                numeric("to (95 %)", write=spread("high95")),
                numeric("in the scenario", write=spread("sd_scenario_mm")),
            ),
            result.covers.to_dict("records"),
        )
        yield Paragraph(sentence("update.covers"), "note")


def _learned_blocks(result: UpdateResult) -> Iterable[Any]:
    yield learned_inputs_table(
        "Every epistemic input: median and 5 to 95 % before and after, what is left of its spread, and "
        "what it explains of the variance of the probability now",
        result.inputs,
        units=result.case.units,
    )
    yield Paragraph(sentence("update.scores"), "note")


def _next_blocks(result: UpdateResult, table: pd.DataFrame) -> Iterable[Any]:
    def ends(low: str, high: str) -> Any:
        return lambda row: interval(row[low], row[high], percent)

    yield Paragraph(sentence("update.next", year=number(float(table["age_yr"].iloc[0]))))
    yield Table(
        "What a next inspection may be expected to tell",
        (
            Column("inspection", "design"),
            numeric("range narrower by", "narrowing", percent),
            numeric("sampling interval", write=ends("narrowing_low95", "narrowing_high95")),
            numeric("chance of another verdict", "chance_of_another_verdict", percent),
            numeric("sampling interval", write=ends("chance_low95", "chance_high95")),
        ),
        table.to_dict("records"),
    )
    cost = result.case.cost
    if cost is not None and "worth_per_m2" in table:

        def money(name: str) -> Any:
            return lambda row: price(cost.per_area(row[name]))

        yield Table(
            "What deciding on an intervention after the inspection, not before, is worth; best by what "
            f"is known now: {table['best_now'].iloc[0]}",
            (
                Column("inspection", "design"),
                numeric(f"worth [{cost.unit}]", write=money("worth_per_m2")),
                numeric("from", write=money("worth_low95")),
                numeric("to (95 % sampling interval)", write=money("worth_high95")),
            ),
            table.to_dict("records"),
        )
        yield Paragraph(sentence("update.worth"), "note")
    yield Paragraph(
        sentence(
            "update.next_assumed",
            layers=count(ASSUMED["layers"]),
            deepest=number(ASSUMED["deepest"]),
            core_error=percent(ASSUMED["core_error"]),
            readings=count(ASSUMED["readings"]),
            cover_error=number(ASSUMED["cover_error"]),
            detection=percent(ASSUMED["detection"]),
            false_alarm=percent(ASSUMED["false_alarm"]),
        ),
        "note",
    )
