"""The pages of an early strip, for the site to sign and file."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from typing import Any

from stripwise.report.components import (
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
from stripwise.report.files import declared_tables, scenario_record
from stripwise.report.pages.stripped_text import (
    comparison_rows,
    follow_up_table,
    headline,
    maturity_lines,
    plan_line,
)
from stripwise.scenario.model import Scenario
from stripwise.studies.stripped import SiteAnswer
from stripwise.units.caution import CAUTION
from stripwise.units.formatting import duration, temperature
from stripwise.units.software import version

__all__ = ["site_answer_report", "site_sentences", "stripped_record", "stripped_report"]


def stripped_report(answer: SiteAnswer, scenario: Scenario) -> Report:
    """Write up an early strip: gates first, what happened, what it did, what still helps."""
    versions = {"stripwise": version("stripwise")}
    logged = answer.record.logged
    signature = scenario_signature(
        scenario, versions, further=() if logged is None else logged.sources
    )
    return Report(
        title=f"Forms stripped early: {scenario.title}",
        about=f"For the file of this pour. Scenario {scenario.path.name}; {limit_state(scenario)}.",
        findings=(),
        sections=tuple(_sections(answer, scenario)),
        signature=dataclasses.replace(
            signature,
            heading="Decision",
            rows=(("Pour", "Stripped on"), ("Decided", "Name"), ("Signed", "Date")),
        ),
        caution_label="First, before any number",
        tables=declared_tables({"outcomes": answer.outcomes, "curves": answer.curves}),
        record={
            "versions": versions,
            "scenario": scenario_record(scenario),
            **stripped_record(answer, scenario),
        },
        compact=True,
    )


def site_answer_report(answer: SiteAnswer) -> Report:
    """Write up an early strip by the scenario that the answer holds."""
    return stripped_report(answer, answer.case)


def site_sentences(answer: SiteAnswer) -> tuple[str, ...]:
    """Say what the strip did."""
    return (headline(answer, answer.case),)


def _sections(answer: SiteAnswer, scenario: Scenario) -> Iterable[Section]:
    gates = tuple(text for text in answer.cautions if text != CAUTION)
    yield Section("This face, now", (Bullets(gates),), keep=True)
    yield Section("What happened", (_happened(answer, scenario),), keep=True)
    heads, *lines = comparison_rows(answer, scenario)
    compared = Table(
        plan_line(answer),
        (Column("", 0), *(numeric(sentence_case(h), k, str) for k, h in enumerate(heads[1:], 1))),
        [(line[0].strip(), *line[1:]) for line in lines],
    )
    yield Section("What it did", (Paragraph(headline(answer, scenario)), compared))
    table = follow_up_table(answer, scenario)
    flat = tuple(
        dataclasses.replace(column, header=column.header.replace("\n", " ").strip())
        for column in table.columns
    )
    yield Section(
        "What still helps, from now",
        (dataclasses.replace(table, caption=f"{table.caption.removesuffix(':')}.", columns=flat),),
        keep=True,
    )
    yield Section("Before you use the numbers", (Bullets(answer.notes),))


def _happened(answer: SiteAnswer, scenario: Scenario) -> Table:
    record, units = answer.record, scenario.units
    mean = temperature(record.temperature, units=units)
    rows: list[tuple[str, str | Cell]] = [
        ("Forms stripped after", duration(record.strip_age_h)),
        ("Mean concrete temperature until then", mean),
    ]
    if record.logged is not None:
        coldest = temperature(record.coldest, units=units)
        rows[-1] = (rows[-1][0], f"{mean}, coldest {coldest}; logger file {record.logged.source}")
    function, *ages = (line.strip() for line in maturity_lines(answer, scenario))
    rows += [
        (function.removesuffix(":"), "; ".join(ages)),
        ("Face", record.face),
        ("Planned", record.plan),
        (
            "Concrete temperature taken for what follows",
            temperature(record.follow_up_temperature, units=units),
        ),
    ]
    return Table("", (Column("", 0), Column("", 1)), rows)


def stripped_record(answer: SiteAnswer, scenario: Scenario) -> dict[str, Any]:
    """Collect what run.json and --json say about an early strip."""
    record = answer.record
    return {
        "cautions": list(answer.cautions),
        "record": {
            "strip_age_h": record.strip_age_h,
            "temperature_degC": record.temperature,
            "follow_up_temperature_degC": record.follow_up_temperature,
            "face": record.face,
            "plan": record.plan,
            **(
                {}
                if record.logged is None
                else {"logger": record.logged.source, "coldest_degC": record.coldest}
            ),
        },
        "target": {
            "service_life_yr": scenario.target.service_life,
            "probability": scenario.target.probability,
        },
        "maturity": answer.maturity.to_dict(orient="records"),
        "outcomes": answer.outcomes.to_dict(orient="records"),
        "kept_wet_to_match_d": answer.kept_wet_to_match_d,
        "notes": list(answer.notes),
    }
