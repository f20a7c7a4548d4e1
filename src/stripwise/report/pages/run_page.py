"""What the report of a run says, as one HTML page: a letter to the owner, then a calculation."""

from __future__ import annotations

import functools
import re
import xml.etree.ElementTree as ET
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources

import jinja2
import numpy as np
from markupsafe import Markup, escape

from stripwise.report import formatting
from stripwise.report.pages import cover_answers, run_tables
from stripwise.report.pages.service_section import service_part
from stripwise.scenario.model import Scenario
from stripwise.studies.results import Assessment

__all__ = ["inline_svg", "number_writers", "render", "style_sheet", "template"]

SVG = "http://www.w3.org/2000/svg"
XLINK = "http://www.w3.org/1999/xlink"

SUBSCRIPT = re.compile(r"(?<=[A-Za-z\u03b1-\u03c9])_([A-Za-z0-9,]+)")

MATURITY = {
    "arrhenius": "the Arrhenius function, exp(\N{MINUS SIGN}Q (1/T \N{MINUS SIGN} 1/T_r))",
    "nurse-saul": "the Nurse-Saul function, (T \N{MINUS SIGN} T_0) / (T_r \N{MINUS SIGN} T_0)",
}


@dataclass(frozen=True, slots=True)
class UniformRow:
    """Probability at the service life by a penalty on the skin and on the whole cover."""

    name: str
    skin: str
    whole: str


def render(assessment: Assessment, figures: Mapping[str, str]) -> str:
    """Write the report: self-contained HTML without scripts and without network."""
    scenario = assessment.scenario
    rows = run_tables.strategy_rows(assessment)
    return template("page.html.j2").render(
        a=assessment,
        s=scenario,
        css=style_sheet(),
        figures={name: inline_svg(svg, name=name) for name, svg in figures.items()},
        strategies=rows,
        remarks=_remarks(rows),
        inputs=[row for row in run_tables.input_rows(assessment) if not _is_fixed_strip_age(row)],
        hand=run_tables.hand_rows(assessment),
        covers=cover_answers.cover_table(assessment),
        earliest=cover_answers.earliest_table(assessment),
        uniform=_uniform(assessment),
        special=_special(assessment),
        limit_state=_limit_state(assessment),
        knowledge=bool(assessment.curves["know_high"].notna().any()),
        sampling_error=_sampling_error(assessment),
        exchange=_exchange(assessment),
        maturity=MATURITY.get(scenario.curing.maturity, scenario.curing.maturity),
        given_penalty=_numbers([i.name for i in scenario.strategies if i.penalty_input], rows),
        early=_numbers(_below_one_day(assessment), rows),
        layered=scenario.curing.layered,
        versions=assessment.run.get("versions", {}),
        endless=bool(np.isinf(scenario.ageing_ends)),
        service=service_part(assessment),
        depassivation=_depassivation(assessment),
        **number_writers(scenario.units),
    )


def inline_svg(svg: str, *, name: str) -> Markup:
    """Prepare a figure to stand in a page beside others.

    Identifiers get the figure's name in front, so that no two figures share one; the style sheet,
    which would reach the whole page, becomes attributes of the figure; the size is left to the
    page.
    """
    ET.register_namespace("", SVG)
    ET.register_namespace("xlink", XLINK)
    root = ET.fromstring(svg)
    for parent in list(root.iter()):
        for child in list(parent):
            if child.tag in (f"{{{SVG}}}style", f"{{{SVG}}}metadata"):
                parent.remove(child)
    for element in root.iter():
        for key, value in element.attrib.items():
            if key == "id":
                element.set(key, f"{name}-{value}")
            elif key.endswith("href") and value.startswith("#"):
                element.set(key, f"#{name}-{value[1:]}")
            elif "url(#" in value:
                element.set(key, value.replace("url(#", f"url(#{name}-"))
    for key in ("width", "height", "version"):
        root.attrib.pop(key, None)
    root.set("stroke-linejoin", "round")
    root.set("stroke-linecap", "butt")
    root.set("role", "img")
    root.set("aria-label", f"Figure: {name}; its headline and numbers are text")
    return Markup(ET.tostring(root, encoding="unicode"))


@functools.cache
def template(name: str) -> jinja2.Template:
    """Return a template by its file name; it escapes its values and fails on missing ones."""
    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(_text),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["subscripts"] = _subscripts
    environment.filters["tied"] = formatting.no_break_spaces
    return environment.get_template(name)


def _subscripts(text: str) -> Markup:
    """Set what follows an underscore as a subscript: k_e, t_ref."""
    return Markup(SUBSCRIPT.sub(r"<sub>\1</sub>", str(escape(text))))


def style_sheet() -> Markup:
    """Return the style of every page."""
    return Markup(_text("page.css"))


def _text(name: str) -> str:
    return resources.files("stripwise.report.templates").joinpath(name).read_text(encoding="utf-8")


def number_writers(units: str) -> dict[str, object]:
    """Return the functions by which a template writes numbers, bound to the units of the report."""
    return {
        "number": formatting.number,
        "percent": formatting.percent,
        "index": formatting.index,
        "duration": formatting.duration,
        "length": functools.partial(formatting.length, units=units),
        "temperature": functools.partial(formatting.temperature, units=units),
        "cured_at": _cured_at,
    }


def _cured_at(scenario: Scenario) -> str:
    open_to = scenario.choices.follow_up if scenario.choices else ()
    return formatting.curing_temperatures(
        scenario.curing.temperature,
        [(item.label, item.temperature) for item in open_to],
        units=scenario.units,
    )


def _depassivation(assessment: Assessment) -> str:
    service = assessment.scenario.service
    chloride = "the chloride content at the steel reaches its critical value"
    carbonation = "the carbonation front reaches the steel"
    if not service.chloride:
        return carbonation
    return f"{chloride}, or {carbonation}" if service.carbonation else chloride


def _is_fixed_strip_age(row: run_tables.InputRow) -> bool:
    """Whether the table of strategies has this input already."""
    return row.name.endswith(".strip_age") and row.family == "fixed"


def _limit_state(assessment: Assessment) -> str:
    target = assessment.scenario.target
    return (
        f"limit state: depassivation; reference period: {formatting.number(target.service_life)} yr "
        f"from first exposure; target: index {formatting.index(target.reliability_index)}, "
        f"probability {formatting.percent(target.probability)}"
    )


def _sampling_error(assessment: Assessment) -> str:
    half = 50.0 * (assessment.curves["high95"] - assessment.curves["low95"]).max()
    return formatting.number(float(half), 1)


def _exchange(assessment: Assessment) -> dict[str, str] | None:
    rate, units = assessment.exchange, assessment.scenario.units
    if rate is None:
        return None

    def length(mm: float) -> str:
        return formatting.length(mm, units=units)

    return {
        "cover": length(rate.cover),
        "strip_age": formatting.duration(rate.strip_age),
        "rate": length(rate.rate),
        "sampling": formatting.interval(rate.low95, rate.high95, length),
        "knowledge": formatting.interval(rate.know_low, rate.know_high, length),
    }


def _uniform(assessment: Assessment) -> list[UniformRow]:
    whole = assessment.uniform_face
    if whole is None:
        return []
    skin = assessment.strategies.set_index("strategy")["probability_at_target"]
    return [
        UniformRow(str(name), formatting.percent(float(skin[name])), formatting.percent(float(p)))
        for name, p in zip(whole["strategy"], whole["probability_at_target"], strict=True)
    ]


def _remarks(rows: list[run_tables.StrategyRow]) -> list[str]:
    """Write why a strategy has no change of life, once for all that share the reason."""
    numbers: dict[str, list[str]] = {}
    for row in rows:
        if row.status:
            numbers.setdefault(row.status, []).append(str(row.number))
    return [f"No. {formatting.join_with_and(n)}: {status}" for status, n in numbers.items()]


def _numbers(names: list[str], rows: list[run_tables.StrategyRow]) -> str:
    return formatting.join_with_and([str(row.number) for row in rows if row.name in names])


def _special(assessment: Assessment) -> list[tuple[str, str, str]]:
    table = assessment.special_cases
    return [
        (str(case), str(strategy) or "all", formatting.percent(float(share)))
        for case, strategy, share in zip(
            table["case"], table["strategy"].fillna(""), table["share"], strict=True
        )
    ]


def _below_one_day(assessment: Assessment) -> list[str]:
    rows = assessment.strategies
    return [str(name) for name in rows.loc[rows["effective_curing_h"] < 24.0, "strategy"]]
