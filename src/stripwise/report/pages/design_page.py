"""What the report of a design and the one-page table for the site say."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

import matplotlib.figure
import numpy as np
from markupsafe import Markup

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
from stripwise.report.figures.design_figures import draw_design_figures
from stripwise.report.figures.strategy_markers import reasons_off_map
from stripwise.report.files import declared_tables, scenario_record
from stripwise.report.pages.choice_page import choice_page, chosen_record
from stripwise.report.pages.cost_sections import cost_sections
from stripwise.report.pages.explore_page import explore_page
from stripwise.report.pages.run_page import cured_at
from stripwise.report.pages.site_page import follow_up_text, site_page
from stripwise.report.prose import paragraphs, sentence
from stripwise.report.render import math
from stripwise.risk.model.own_front import BY_HAND_REFUSED
from stripwise.scenario.describe import inputs_table
from stripwise.studies.design.design_result import DesignResult
from stripwise.studies.design.exchange_rates import COVER_PER_DAY, ON_TARGET_LINE
from stripwise.studies.design.sentences import design_answer
from stripwise.units.curing_words import strip_age
from stripwise.units.formatting import (
    count,
    duration,
    in_range,
    interval,
    join_with_and,
    length,
    per_unit,
    percent,
    temperature,
    years,
)
from stripwise.units.result_columns import columns

__all__ = ["design_report"]

MAX_COVERS = 7
"""Most covers side by side."""

Row = Mapping[Any, Any]
Figures = Mapping[str, matplotlib.figure.Figure]
Write = Callable[[float], str]


def design_report(result: DesignResult) -> Report:
    """Write up a design."""
    scenario, answer = result.scenario, design_answer(result)
    figures = draw_design_figures(result)
    priced = ", and what the owner pays for either" if result.cost is not None else ""
    return Report(
        title=f"Cover and strip age together: {scenario.title}",
        about="How much cover each strip age needs, how early the forms may go for each cover"
        f"{priced}. Scenario {scenario.path.name}. Results concern {limit_state(scenario)}. "
        "“Corrosion” here means depassivation.",
        answer=answer,
        picture=Figure(
            "required",
            figures["required"],
            "A change of the nominal cover moves the mean of the cover "
            " and leaves its scatter. Data: required.csv.",
        ),
        findings=result.verdict[len(answer) :],
        warnings=result.warnings,
        sections=tuple(_sections(result, figures)),
        signature=scenario_signature(scenario, result.run["versions"]),
        tables=declared_tables(
            {
                "design": result.design,
                "required": result.required,
                "earliest": result.earliest,
                "exchange": result.exchange,
                "rules": result.rules,
                "strip-ages": result.strip_ages,
                "cost": result.cost,
                "pareto": result.pareto,
                "choice": result.choice,
            }
        ),
        pages={
            "strip-ages.html": site_page(result),
            **({"choice.html": choice_page(result)} if result.chosen else {}),
            **({"explore.html": explore_page(result)} if result.explore is not None else {}),
        },
        record={
            **result.run,
            "chosen": [chosen_record(pair) for pair in result.chosen],
            **({"explore": result.explore_refusal} if result.explore_refusal else {}),
            "scenario": scenario_record(scenario),
            "inputs": inputs_table(scenario)[columns("inputs")].to_dict("records"),
            "warnings": list(result.warnings),
            "verdict": list(result.verdict),
        },
    )


def _interval_text(row: Row, kind: str, write: Write) -> str:
    """Write the "sampling" interval or the "uncertainty" range."""
    ends = ("low95", "high95") if kind == "sampling" else ("know_low", "know_high")
    return interval(float(row[ends[0]]), float(row[ends[1]]), in_range(write))


def _length(result: DesignResult) -> Write:
    return lambda mm: length(float(mm), units=result.scenario.units)


def _has_knowledge(result: DesignResult) -> bool:
    return bool(result.required["know_low"].notna().any())


def _sections(result: DesignResult, figures: Figures) -> Iterable[Section]:
    scenario = result.scenario
    cured = cured_at(scenario)
    yield Section(
        "The map",
        (
            Figure(
                "map",
                figures["map"],
                f"{cured} A stripping limit is not a curing period: twelve hours protect "
                "the face from damage, not from chloride. Data: design.csv.",
            ),
            *_off_map(result),
            _reference_table(result),
        ),
    )
    yield Section(
        "Required nominal cover",
        (_required_table(result),),
    )
    yield Section(
        "Earliest strip age",
        (
            _earliest_table(result),
            Paragraph("Durability alone.", "note"),
            GATES_BLOCK,
            Paragraph(
                "The table for the site, over concrete temperatures, is strip-ages.html; all "
                "digits are in earliest.csv and strip-ages.csv.",
                "note",
            ),
        ),
        keep=True,
    )
    yield _exchange_section(result)
    yield _rules_section(result)
    yield from cost_sections(result, figures)
    yield _method_section(result)
    yield Section("Limits", (Bullets(paragraphs("design.limits")),), level=3)


def _off_map(result: DesignResult) -> tuple[Bullets, ...]:
    """Say why strategies are not on the map, a line per reason."""
    lines = tuple(
        f"Not on the map: No. {join_with_and([str(n) for n in numbers])}, since {reason}."
        for reason, numbers in reasons_off_map(result).items()
    )
    return (Bullets(lines),) if lines else ()


def _reference_table(result: DesignResult) -> Table:
    scenario = result.scenario

    def hours(row: Row) -> str:
        texts = [duration(float(row[k])) for k in ("low_h", "hours", "high_h")]
        return texts[0] if len(set(texts)) == 1 else ", ".join(texts)

    return Table(
        "Durations of standards, for a concrete temperature of "
        f"{temperature(scenario.curing.temperature, units=scenario.units)}; strength development "
        "rapid, medium, slow where a standard distinguishes it",
        (
            Column("Standard", "name", kind="tight"),
            Column("What it is", "meaning"),
            numeric("Duration", write=hours, kind="tight"),
            Column("Source", write=lambda r: f"{r['source']} ({r['mark']})", kind="source"),
        ),
        result.references.to_dict("records"),
    )


def _required_table(result: DesignResult) -> Table:
    write, scenario = _length(result), result.scenario
    step = "1/4 in" if scenario.units == "US" else "5 mm"
    return Table(
        f"Nominal cover at which each strategy meets the target, and the one to draw ({step} "
        "steps, by the decision rule). In grey: 95 % sampling interval.",
        (
            numeric("No.", "number", str),
            Column("Strategy", "strategy"),
            numeric(
                "Required cover",
                write=lambda r: Cell(
                    write(r["required_cover_mm"]), _interval_text(r, "sampling", write)
                ),
            ),
            numeric("To draw", "drawn_cover_mm", _drawn(write)),
            numeric(
                "Uncertainty range (95 %)", write=lambda r: _interval_text(r, "uncertainty", write)
            ),
            Column("Status", "status", lambda text: "" if text == "ok" else text),
        ),
        result.required.assign(number=range(1, len(result.required) + 1)).to_dict("records"),
        bold=lambda r: bool(r["strategy"] == scenario.reference_strategy),
    )


def _drawn(write: Write) -> Write:
    return lambda mm: write(mm) if np.isfinite(mm) else "none in the range"


def _earliest_table(result: DesignResult) -> Table:
    table, write = result.earliest, _length(result)
    covers = np.sort(table["nominal_cover_mm"].unique())
    spread = np.linspace(0, len(covers) - 1, min(len(covers), MAX_COVERS))
    picks = [float(covers[k]) for k in np.unique(np.round(spread).astype(int))]
    longest = duration(float(result.design["strip_age_h"].max()))

    def cell(row: Row) -> Cell:
        hours = float(row["site_strip_age_h"])
        if not np.isfinite(hours):
            return Cell(f"over {longest}")
        return Cell(strip_age(hours), _interval_text(row, "sampling", duration))

    lines = []
    for label, rows in table.groupby("follow_up", sort=False):
        by_cover = {float(row["nominal_cover_mm"]): row for row in rows.to_dict("records")}
        lines.append((follow_up_text(str(label)), [cell(by_cover[cover]) for cover in picks]))
    return matrix(
        "Earliest strip age that meets the target, by nominal cover, in whole hours, above 3 d in "
        f"whole days. {cured_at(result.scenario)} In grey: sampling interval of the exact age; "
        "without one any strip age of the range will do.",
        "Curing after stripping",
        [write(cover) for cover in picks],
        lines,
    )


def _exchange_section(result: DesignResult) -> Section:
    text = sentence("design.exchange")
    if _has_knowledge(result):
        text += " " + sentence("design.exchange_knowledge")
    return Section(
        "Trading cover against form time",
        (Paragraph(text), _exchange_table(result), _target_line_table(result)),
    )


def _price(result: DesignResult, value: float, unit: str) -> str:
    cost = result.scenario.cost
    return per_unit(value, unit) if cost is None else cost.text(value, unit)


def _exchange_table(result: DesignResult) -> Table:
    table = result.exchange
    on_line = (table["place"] == ON_TARGET_LINE) & (table["question"] == COVER_PER_DAY)

    def writer(row: Row) -> Write:
        unit = str(row["unit"])
        return _length(result) if unit == "mm" else lambda x: _price(result, x, unit)

    def place(row: Row) -> str:
        parts = [str(row["place"])]
        if np.isfinite(row["nominal_cover_mm"]) and row["place"] == "at the design point":
            parts.append(_length(result)(row["nominal_cover_mm"]))
        return ", ".join(
            [*parts, duration(float(row["strip_age_h"])), follow_up_text(str(row["follow_up"]))]
        )

    def value(row: Row) -> str:
        found = float(row["value"])
        return writer(row)(found) if np.isfinite(found) else str(row["status"])

    return Table(
        "",
        (
            Column("Question", "question"),
            Column("Where", write=place),
            numeric("Worth", write=value, kind="tight"),
            numeric("Sampling interval", write=lambda r: _interval_text(r, "sampling", writer(r))),
            numeric(
                "Uncertainty range (95 %)",
                write=lambda r: _interval_text(r, "uncertainty", writer(r)),
            ),
        ),
        table[~on_line].to_dict("records"),
    )


def _target_line_table(result: DesignResult) -> Table:
    """Set the rates along the target line out by follow-up and strip age."""
    table, write = result.exchange, _length(result)
    rows = table[(table["place"] == ON_TARGET_LINE) & (table["question"] == COVER_PER_DAY)]
    kind = "uncertainty range" if _has_knowledge(result) else "sampling interval"

    def cell(row: Row) -> Cell:
        small = _interval_text(row, "uncertainty", write) or _interval_text(row, "sampling", write)
        return Cell(write(row["value"]), small)

    return matrix(
        "Along the target line: cover saved by 24 h more in the forms, from the strip age above "
        f"each column. In grey: {kind}. All rows: exchange.csv.",
        "Curing after stripping",
        [duration(float(age)) for age in sorted(rows["strip_age_h"].unique())],
        [
            (
                follow_up_text(str(label)),
                [cell(row) for row in part.sort_values("strip_age_h").to_dict("records")],
            )
            for label, part in rows.groupby("follow_up", sort=False)
        ],
    )


def _rules_section(result: DesignResult) -> Section:
    scenario, write = result.scenario, _length(result)
    heading = "Rules for a calculation by hand"
    if scenario.front_model is not None:
        return Section(heading, (Paragraph(f"Left out: {BY_HAND_REFUSED}."),), keep=True)
    text = sentence("design.rule")
    if scenario.curing.layered:
        text += " " + sentence("design.rule_layered")
    if result.rules["status"].eq("ok").all():
        margin = write(result.rules["rule_margin_mm"].max())
        text += f" A margin of {margin} serves all strategies of this scenario."
    table = Table(
        f"Margin per strategy; run back with {count(200_000)} pseudo-random walls, allowed "
        f"{percent(scenario.target.probability)}",
        (
            Column("Strategy", "strategy"),
            numeric("Penalty in the hand calculation", "hand_penalty"),
            numeric(Markup("Front x<sub>c</sub>"), "hand_front_mm", write, kind="tight"),
            numeric(
                "Margin",
                write=lambda r: Cell(write(r["margin_mm"]), _interval_text(r, "sampling", write)),
                kind="tight",
            ),
            numeric("Rule", "rule_margin_mm", write, kind="tight"),
            numeric("Cover by the rule", "rule_cover_mm", write, kind="tight"),
            numeric("Run back", "checked_probability", percent, kind="tight"),
            Column("Status", "status", lambda text: "holds" if text == "ok" else text),
        ),
        result.rules.to_dict("records"),
    )
    return Section(
        heading,
        (
            Paragraph(math(sentence("design.hand", life=years(scenario.target.service_life)))),
            Paragraph(Markup("c<sub>nom</sub> ≥ x<sub>c</sub> + margin"), "formula"),
            Paragraph(text),
            table,
        ),
        keep=True,
    )


def _method_section(result: DesignResult) -> Section:
    scenario, run = result.scenario, result.run
    follow_ups, ages, covers = run["map_shape"]
    text = sentence(
        "design.method",
        follow_ups=follow_ups,
        ages=ages,
        covers=covers,
        repeats=scenario.sampling.repeats,
        map_points=run["map_points"],
        strategy_points=run["strategy_points"],
        seed=scenario.sampling.seed,
        file=scenario.path.name,
    )
    return Section("How it was computed", (Paragraph(text),), keep=True)
