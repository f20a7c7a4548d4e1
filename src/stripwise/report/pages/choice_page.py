"""The pages of a chosen pair: the clause for the specification and the calculation behind it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from stripwise.report.components import (
    GATES_BLOCK,
    Block,
    Bullets,
    Cell,
    Column,
    Paragraph,
    Report,
    Section,
    Table,
    limit_state,
    numeric,
    scenario_signature,
    sentence_case,
)
from stripwise.report.pages.run_tables import scenario_inputs, step_table
from stripwise.report.pages.site_page import follow_up_text
from stripwise.report.prose import sentence
from stripwise.scenario.describe import inputs_table
from stripwise.scenario.model import Scenario
from stripwise.studies.decision import YES
from stripwise.studies.design.chosen_pair import ChosenPair
from stripwise.studies.design.design_result import DesignResult
from stripwise.studies.from_scenario import target_from
from stripwise.studies.verdict import answer_sentence
from stripwise.units.curing_words import strip_age
from stripwise.units.formatting import (
    DASH,
    confidence,
    count,
    distinct_percents,
    duration,
    index,
    interval,
    length,
    number,
    percent,
    price,
    temperature,
    years,
)

__all__ = ["choice_page", "chosen_record"]

LABELS = "AB"

Row = Mapping[Any, Any]


def choice_page(result: DesignResult) -> Report:
    """Make the pages of the chosen pairs, two for each."""
    scenario, chosen = result.scenario, result.chosen
    findings = []
    for label, pair in zip(LABELS, chosen, strict=False):
        text = answer_sentence(pair.choice.name, pair.result, target_from(scenario))
        findings.append(f"Pair {label}: {text}" if len(chosen) > 1 else text)
    missed = [pair.choice.name for pair in chosen if not pair.met]
    if missed:
        findings.append(f"Do not specify {' or '.join(missed)}: the stated target is not met.")
    sections: list[Section] = []
    for label, pair in zip(LABELS, chosen, strict=False):
        prefix = f"Pair {label}: " if len(chosen) > 1 else ""
        sections += _sections(result, pair, prefix)
    sections.append(
        Section(
            "Inputs with their sources",
            (scenario_inputs(scenario, inputs_table(scenario), short=True),),
        )
    )
    return Report(
        title=f"Cover and strip age as chosen: {scenario.title}",
        about=f"For the checker. Scenario {scenario.path.name}; {limit_state(scenario)}.",
        findings=tuple(findings),
        sections=tuple(sections),
        signature=scenario_signature(scenario, result.run["versions"]),
        warnings=result.warnings,
        compact=True,
    )


def _sections(result: DesignResult, pair: ChosenPair, prefix: str) -> Iterable[Section]:
    scenario = result.scenario
    yield Section(sentence_case(f"{prefix}clause for the specification"), _clause(scenario, pair))
    yield Section("Full probabilistic calculation", _full(scenario, pair), level=3)
    yield Section("Calculation by hand", _hand(scenario, pair), level=3)
    yield Section("Pairs beside it", (_neighbours(scenario, pair),), level=3)


def _clause(scenario: Scenario, pair: ChosenPair) -> tuple[Block, ...]:
    choice, units = pair.choice, scenario.units
    cover = length(choice.cover, units=units)
    reference = temperature(scenario.curing.reference_temperature, units=units)
    at = temperature(choice.temperature, units=units)
    texts = [
        f"Nominal cover of the outermost bars: {cover}.",
        f"Leave the forms on for at least {strip_age(choice.hours)} at a mean concrete temperature "
        f"of {at}, {duration(pair.equivalent_h)} of equivalent age at {reference}. At another "
        "temperature of the concrete in the forms the table holds, the colder column in doubt.",
        _curing_clause(scenario, pair),
        "These are least values for durability. Strip only when the gates below hold too, whatever "
        "the hours.",
    ]
    table = pair.strip_ages
    columns = [
        numeric(temperature(float(t), units=units), k + 1, strip_age, kind="tight")
        for k, t in enumerate(table["temperature_degC"])
    ]
    hours = Table(
        "Time in the forms at least, by mean temperature of the concrete in the forms, at equal "
        "equivalent hours, rounded up to whole hours or days",
        (Column("Concrete at", 0), *columns),
        [("in the forms", *(float(h) for h in table["strip_age_h"]))],
    )
    return (Bullets(tuple(texts)), GATES_BLOCK, hours)


def _curing_clause(scenario: Scenario, pair: ChosenPair) -> str:
    after = pair.choice.follow_up
    if not after.duration_h:
        return "Curing after stripping: none is counted."
    at = temperature(after.temperature, units=scenario.units)
    return (
        f"Curing after stripping: {after.label} on the {after.face} face, begun as soon as the form "
        f"is off, with the concrete at {at} or warmer; never on a face that may freeze."
    )


def _hand(scenario: Scenario, pair: ChosenPair) -> tuple[Block, ...]:
    units, rule = scenario.units, pair.rule
    if not pair.steps:
        return (Paragraph(f"Left out: {rule['status']}."),)
    table = step_table(pair.steps, units=scenario.units)
    if not np.isfinite(rule["margin_mm"]) or not np.isfinite(rule.get("rule_margin_mm", np.nan)):
        return (table, Paragraph(f"No margin rule: {rule['status']}.", "note"))
    front = float(rule["hand_front_mm"])
    margin, have = float(rule["rule_margin_mm"]), pair.choice.cover - front
    holds = "enough" if have >= margin - 1e-9 else "NOT ENOUGH"
    error = 100.0 * float(rule["checked_error"])
    text = (
        f"Rule for this strip age and curing: nominal cover = front + margin, the front with the "
        f"same characteristic penalty. The margin that meets the target is {length(margin, units=units)}; "
        f"the pair has {length(have, units=units)}: {holds}. Run back by plain Monte Carlo at "
        f"{length(front + margin, units=units)}: {percent(float(rule['checked_probability']))} "
        f"(standard error {number(error, 2)} percentage points), allowed "
        f"{percent(float(rule['allowed_probability']))}."
    )
    if scenario.curing.layered:
        text += " " + sentence("design.rule_layered")
    return (table, Paragraph(text))


def _full(scenario: Scenario, pair: ChosenPair) -> tuple[Block, ...]:
    row, check = pair.result, pair.check
    life = years(scenario.target.service_life)
    plain, sampled = distinct_percents(check.plain, check.sampled)
    rows = [
        ("Meets the target", str(row["meets_target"])),
        (f"Probability of depassivation within {life}", percent(row["probability_at_target"])),
        ("Allowed", percent(scenario.target.probability)),
        ("Sampling interval (95 %)", interval(row["low95"], row["high95"], percent) or DASH),
        ("Uncertainty range (95 %)", interval(row["know_low"], row["know_high"], percent) or DASH),
        ("Confidence", confidence(float(row["confidence"]))),
        (
            f"Years until {percent(scenario.target.probability)}",
            years(float(row["life_at_target_yr"]), horizon=scenario.sampling.horizon),
        ),
        (
            "Penalty factor k_c, mean (sd)",
            f"{number(row['penalty_mean'])} ({number(row['penalty_sd'])})",
        ),
        (
            f"Plain Monte Carlo, {count(check.samples)} walls",
            f"{plain} against {sampled}, {number(check.deviations, 2)} standard errors apart: "
            f"{'agrees' if check.agrees else 'DISAGREES, do not use this pair'}",
        ),
    ]
    cost = scenario.cost
    if cost is not None:
        own = cost.shown(pair.neighbours).iloc[0]
        rows.append(
            (
                f"Cost, {cost.unit}",
                f"first {price(float(own['first_cost']))}; with expected repairs "
                f"{price(float(own['cost']))}",
            )
        )
    return (Table("", (Column("", 0), Column("", 1)), rows),)


def _neighbours(scenario: Scenario, pair: ChosenPair) -> Table:
    table, units, cost = pair.neighbours, scenario.units, scenario.cost
    if cost is not None:
        table = cost.shown(table)
    columns = [
        numeric(
            "Nominal cover", "nominal_cover_mm", lambda mm: length(mm, units=units), kind="tight"
        ),
        numeric("Strip age", "strip_age_h", strip_age, kind="tight"),
        Column("Curing after stripping", "follow_up", follow_up_text),
        Column(
            "Meets the target",
            "meets_target",
            lambda text: Cell(text, kind="yes" if text == YES else ""),
        ),
        numeric("Probability", "probability", percent, kind="tight"),
        numeric("Confidence", "confidence", confidence, kind="tight"),
    ]
    if cost is not None:
        columns += [
            numeric(f"First cost, {cost.unit}", "first_cost", price),
            numeric("With repairs", "cost", price),
        ]
    rows = table.assign(chosen=[True, *[False] * (len(table) - 1)]).to_dict("records")
    return Table(
        f"At {temperature(pair.choice.temperature, units=units)} in the forms; the chosen pair "
        "in bold. Allowed: "
        f"{percent(scenario.target.probability)}, index {index(scenario.target.reliability_index)}.",
        tuple(columns),
        rows,
        bold=lambda row: bool(row["chosen"]),
    )


def chosen_record(pair: ChosenPair) -> dict[str, Any]:
    """Collect what run.json and --json say about a chosen pair."""
    choice = pair.choice
    return {
        "nominal_cover_mm": choice.cover,
        "strip_age_h": choice.hours,
        "temperature_degC": choice.temperature,
        "follow_up": choice.follow_up.label,
        "equivalent_h": pair.equivalent_h,
        "result": dict(pair.result),
        "plain_monte_carlo": {
            "samples": pair.check.samples,
            "probability": pair.check.plain,
            "deviations": pair.check.deviations,
            "agrees": pair.check.agrees,
        },
        "rule": dict(pair.rule),
        "strip_ages": pair.strip_ages.to_dict("records"),
        "neighbours": pair.neighbours.to_dict("records"),
    }
