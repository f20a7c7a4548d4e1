"""What the report of a run says: a letter to the owner, then a calculation."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import matplotlib.figure
import numpy as np
import pandas as pd
from markupsafe import Markup, escape

from stripwise.report.components import (
    GATES_BLOCK,
    Alarm,
    Block,
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
from stripwise.report.figures import curves_figure
from stripwise.report.files import declared_tables, run_record
from stripwise.report.pages import cover_answers
from stripwise.report.pages.run_method import method_sections
from stripwise.report.pages.run_tables import (
    hand_table,
    has_knowledge,
    input_table,
    strategy_rows,
    strategy_table,
)
from stripwise.report.pages.service_section import service_sections
from stripwise.report.prose import sentence
from stripwise.report.render import math
from stripwise.risk.model.own_front import BY_HAND_REFUSED
from stripwise.scenario.as_written import written_conversion
from stripwise.scenario.model import Scenario
from stripwise.studies.results import Assessment
from stripwise.studies.verdict import uncertainty_range
from stripwise.units.curing_words import curing_temperatures
from stripwise.units.formatting import (
    count,
    distinct_percents,
    duration,
    in_range,
    interval,
    join_with_and,
    length,
    number,
    percent,
    points,
    years,
)

__all__ = ["cured_at", "run_report", "run_tables"]

Figures = Mapping[str, matplotlib.figure.Figure]


def run_report(assessment: Assessment) -> Report:
    """Write up a run."""
    scenario = assessment.scenario
    figures = curves_figure.draw_run_figures(assessment)
    return Report(
        title=scenario.title,
        about="Service life of a concrete wall and the age at which its forms are stripped. "
        f"Exposure class {scenario.exposure_class or 'not given'} (a label without effect on the "
        f"numbers). Scenario {scenario.path.name}. Results concern {limit_state(scenario)}. "
        f"“Corrosion” here means depassivation: {_depassivation(scenario)}.",
        answer=assessment.answer,
        picture=Figure("answer", figures["answer"]),
        findings=assessment.verdict[len(assessment.answer) :],
        alarm=_alarm(assessment),
        warnings=assessment.warnings,
        sections=(
            *_answer_sections(assessment, figures),
            *_inputs(assessment),
            *service_sections(assessment, figures),
            *_uniform(assessment),
            _checks(assessment),
            *method_sections(assessment),
        ),
        signature=scenario_signature(scenario, assessment.run.get("versions", {})),
        tables=run_tables(assessment),
        record=run_record(assessment),
    )


def run_tables(assessment: Assessment) -> dict[str, pd.DataFrame]:
    """Return every table that a run writes, by file name."""
    service = assessment.service
    options = {
        "mechanisms.csv": service.mechanisms,
        "cracking.csv": service.cracking,
        "extent.csv": service.extent,
        "layers.csv": service.layers,
    }
    return {
        **declared_tables(
            {
                "curves": assessment.curves,
                "strategies": assessment.strategies,
                "sensitivity": assessment.sensitivity,
                "inputs": assessment.inputs,
            }
        ),
        **{name: table for name, table in options.items() if table is not None},
    }


def cured_at(scenario: Scenario) -> str:
    """Say at which concrete temperatures the choices hold."""
    open_to = scenario.choices.follow_up if scenario.choices else ()
    return curing_temperatures(
        scenario.curing.temperature,
        [(item.label, item.temperature) for item in open_to],
        units=scenario.units,
    )


def _depassivation(scenario: Scenario) -> str:
    chloride = "the chloride content at the steel reaches its critical value"
    carbonation = "the carbonation front reaches the steel"
    if not scenario.service.chloride:
        return carbonation
    return f"{chloride}, or {carbonation}" if scenario.service.carbonation else chloride


def _alarm(assessment: Assessment) -> Alarm | None:
    check = assessment.plain_check
    if check.agrees:
        return None
    sampled, plain = distinct_percents(check.sampled, check.plain)
    return Alarm(
        "Do not use these numbers: the check by plain Monte Carlo disagrees",
        "For the reference strategy at the service life the main calculation gives "
        f"{sampled}, plain Monte Carlo with {count(check.samples)} samples gives {plain}. "
        f"The difference is {number(check.deviations)} standard errors; at most 4 are accepted. "
        "Something in the calculation is wrong for this scenario. Report it with the scenario and "
        "run.json.",
    )


def _answer_sections(assessment: Assessment, figures: Figures) -> Iterable[Section]:
    yield Section(
        "Probability of depassivation over the years",
        (
            Figure("curves", figures["curves"], "Data: curves.csv."),
            Paragraph(_intervals(assessment)),
        ),
    )
    yield Section(
        "The strategies side by side",
        (
            strategy_table(assessment),
            *(Paragraph(f"{text}.", "note") for text in _remarks(assessment)),
            Paragraph(
                "“Too close to call” counts as failing: not even the largest sample tells on which "
                "side of the limit the probability lies. Beside every strip age stand the gates of "
                "the box on the first page: in-place strength, stability, frost. All digits: "
                "strategies.csv.",
                "note",
            ),
        ),
    )
    yield from _map_sections(assessment, figures)
    if "drivers" in figures:
        text = (
            "Which uncertainty matters, with the design left as it is. Data: sensitivity.csv, "
            "analysis “uncertainty”."
        )
        yield Section("What drives the answer", (Figure("drivers", figures["drivers"], text),))
    if "choices" in figures:
        text = (
            "Which decision moves the result, over the ranges that the scenario opens; other "
            "ranges give other shares. Data: sensitivity.csv, analysis “choices”."
        )
        yield Section("Which choice matters", (Figure("choices", figures["choices"], text),))
    yield from _exchange(assessment)
    yield _hand_check(assessment)


def _intervals(assessment: Assessment) -> Markup:
    widest = (assessment.curves["high95"] - assessment.curves["low95"]).max()
    error = points(0.5 * float(widest))
    entry = "run.knowledge" if has_knowledge(assessment) else "run.no_knowledge"
    inputs = escape(", ".join(_epistemic(assessment)))
    return Markup(sentence(entry, error=error, inputs=inputs, ends=_range_error(assessment)))


def _range_error(assessment: Assessment) -> str:
    """Write the largest sampling error of an end of an uncertainty range, in percentage points."""
    table = assessment.strategies
    reach = [
        (table[f"{end}_{bound}"] - table[end]).abs()
        for end in ("know_low", "know_high")
        for bound in ("low95", "high95")
    ]
    return points(float(np.nanmax(reach))) if has_knowledge(assessment) else ""


def _epistemic(assessment: Assessment) -> list[str]:
    """Name the inputs that uncertainty range and confidence count, each once."""
    labels = [i.label for i in assessment.scenario.inputs if i.epistemic_share > 0.0]
    return list(dict.fromkeys(labels))


def _remarks(assessment: Assessment) -> list[str]:
    """Write why a strategy has no change of life, once for all that share the reason."""
    numbers: dict[str, list[str]] = {}
    for row in strategy_rows(assessment):
        status = str(row["life_status"])
        if status not in ("ok", "reference", "nan", ""):
            numbers.setdefault(status, []).append(str(row["number"]))
    return [f"No. {join_with_and(n)}: {status}" for status, n in numbers.items()]


def _map_sections(assessment: Assessment, figures: Figures) -> Iterable[Section]:
    scenario, heading = assessment.scenario, "Cover and strip age together"
    covers = cover_answers.cover_table(assessment)
    earliest = cover_answers.earliest_table(assessment)
    cured = cured_at(scenario)
    blocks: tuple[Block, ...] = ()
    if "map" in figures:
        blocks = (Figure("map", figures["map"], cured),)
    if covers is None or earliest is None:
        if blocks:
            yield Section(heading, blocks)
        return
    yield Section(
        heading,
        (
            *blocks,
            matrix(
                "Nominal cover that meets the target, by strip age (rounded up)",
                "Curing after stripping",
                covers.heads,
                covers.rows,
            ),
            matrix(
                "Earliest strip age that meets the target, by nominal cover (rounded up to half "
                "hours, from 2 d on to tenths of a day)",
                "Curing after stripping",
                earliest.heads,
                earliest.rows,
            ),
            Paragraph(
                "The least cover and the earliest age are the ends "
                "of the ranges in [choices]; nothing beyond them was looked at. These are ages for "
                "durability alone.",
                "note",
            ),
            GATES_BLOCK,
            Paragraph(
                "For required covers with their intervals, rules for a hand calculation, a "
                "strip-age table for the site and, with prices, what each choice costs: stripwise "
                f"design {scenario.path.name}.",
                "note",
            ),
        ),
    )


def _exchange(assessment: Assessment) -> Iterable[Section]:
    rate, units = assessment.exchange, assessment.scenario.units
    if rate is None:
        return

    def length_text(mm: float) -> str:
        return length(mm, units=units)

    write = in_range(length_text)
    worth = write(rate.rate)
    bounds = uncertainty_range(rate.know_low, rate.know_high, write)
    sampling = interval(rate.low95, rate.high95, write)
    if not bounds and sampling:
        bounds = f" (sampling interval {sampling})"
    text = Markup(
        "At a nominal cover of {} and {} in the forms, <strong>{}</strong> more cover{} is as "
        "reliable as 24 h more in the forms."
    ).format(write(rate.cover), duration(rate.strip_age), worth, bounds)
    if np.isfinite(rate.saved):
        text += (
            f" The other way round the rate differs: with the forms kept "
            f"{duration(rate.strip_age + 24.0)}, {write(rate.saved)} of cover can be taken off. Both "
            "hold near this point only; the gates before stripping stay as they are."
        )
    yield Section("Trading cover against form time", (Paragraph(text),), level=3, keep=True)


def _hand_check(assessment: Assessment) -> Section:
    if not assessment.hand_check:
        return Section(
            "Check by hand at mean values", (Paragraph(f"Left out: {BY_HAND_REFUSED}."),), keep=True
        )
    text = Markup(
        "For the reference strategy, <bdi>{}</bdi>, with every input at its mean; a pocket "
        "calculator is enough. This is one calculation, not the probability: a front short of the "
        "steel at mean values still leaves a chance that it is not."
    ).format(assessment.scenario.reference_strategy)
    if assessment.scenario.units == "US":
        text += (
            " The formulas are in mm and degrees Celsius as printed in their sources; results are "
            "repeated in inches."
        )
    return Section(
        "Check by hand at mean values", (Paragraph(text), hand_table(assessment)), keep=True
    )


def _inputs(assessment: Assessment) -> Iterable[Section]:
    scenario = assessment.scenario
    by = written_conversion(scenario.raw)
    converted = f" ({by})" if by else ""
    if scenario.chloride_basis == "concrete":
        converted = f", converted from the scenario, which gives it by mass of concrete{converted}"
    elif by:
        converted = f", converted where the scenario gives it by volume{converted}"
    text = (
        f"Chloride in % by mass of binder{converted}. Strip ages that are fixed stand with the "
        "strategies. All digits: inputs.csv."
    )
    if scenario.correlations:
        pairs = (f"{c.first} with {c.second} {number(c.rank, 2)}" for c in scenario.correlations)
        text += f" Rank correlations: {'; '.join(pairs)}."
    yield Section("Inputs and their sources", (input_table(assessment), Paragraph(text, "note")))


def _uniform(assessment: Assessment) -> Iterable[Section]:
    whole = assessment.uniform_face
    if whole is None:
        return
    skin = assessment.strategies.set_index("strategy")["probability_at_target"]
    table = Table(
        f"Probability within {years(assessment.scenario.target.service_life)}",
        (
            Column("Strategy", "strategy"),
            numeric(
                "Penalty on the affected depth", "strategy", lambda name: percent(float(skin[name]))
            ),
            numeric("Penalty on the whole cover", "probability_at_target", percent),
        ),
        whole.to_dict("records"),
    )
    yield Section(
        "Penalty on a skin or on the whole cover",
        (Paragraph(math(sentence("run.uniform"))), table),
        keep=True,
    )


def _checks(assessment: Assessment) -> Section:
    check, table = assessment.plain_check, assessment.special_cases
    plain, sampled = distinct_percents(check.plain, check.sampled)
    text = (
        "Plain Monte Carlo of the reference strategy at the service life, "
        f"{count(check.samples)} pseudo-random samples: {plain} against {sampled} by the main "
        f"calculation, {number(check.deviations)} standard errors apart (at most 4 accepted): "
        f"{'they agree' if check.agrees else 'THEY DISAGREE'}."
    )
    special: Block = Paragraph(
        "No sample was special: none starts depassivated and none lacks a chloride front."
    )
    if len(table):
        special = Table(
            "Samples that are special; all are counted in the results, none is dropped",
            (
                Column("Case", "case"),
                Column("Strategy", "strategy", lambda name: str(name) or "all"),
                numeric("Share of samples", "share", percent),
            ),
            table.fillna({"strategy": ""}).to_dict("records"),
        )
    return Section("Checks and special cases", (Paragraph(text), special), keep=True)
