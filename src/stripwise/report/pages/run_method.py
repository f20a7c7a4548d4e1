"""How a run was computed, as its page says: chloride, curing, probability, service conditions."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from stripwise.report.components import Bullets, Paragraph, Section, limit_state
from stripwise.report.prose import paragraphs, sentence
from stripwise.report.render import math
from stripwise.scenario.model import Scenario
from stripwise.studies.results import Assessment
from stripwise.units.formatting import duration, join_with_and, number, temperature, years

__all__ = ["method_sections"]

MATURITY = {
    "arrhenius": "the Arrhenius function, exp(\N{MINUS SIGN}Q (1/T \N{MINUS SIGN} 1/T_r))",
    "nurse-saul": "the Nurse-Saul function, (T \N{MINUS SIGN} T_0) / (T_r \N{MINUS SIGN} T_0)",
}


def method_sections(assessment: Assessment) -> Iterable[Section]:
    """Lay out the method in parts, then the limits."""
    scenario = assessment.scenario
    yield Section("Method")
    if scenario.service.chloride:
        yield _chloride(scenario)
    yield _curing(assessment)
    yield _probability(scenario)
    if assessment.service.notes:
        yield Section("Service conditions", (Bullets(assessment.service.notes),), level=3)
    yield _limits(assessment)


def _chloride(scenario: Scenario) -> Section:
    return Section(
        "Chloride",
        (
            Paragraph(math(sentence("run.content"))),
            Paragraph(math(sentence("run.content_formula")), "formula"),
            Paragraph(math(sentence("run.front"))),
            Paragraph(math(sentence("run.front_formula")), "formula"),
            Paragraph(math(" ".join(_chloride_sentences(scenario)))),
        ),
        level=3,
    )


def _chloride_sentences(scenario: Scenario) -> Iterable[str]:
    service = scenario.service
    if scenario.ageing_convention == "instantaneous":
        age = duration(24.0 * scenario.exposure_age_d)
        yield sentence("run.instantaneous", exposure_age=age)
    else:
        yield sentence("run.apparent")
    yield sentence(
        "run.diffusivity",
        age=duration(24.0 * scenario.diffusivity_age_d),
        test_factor=number(scenario.test_factor),
    )
    if not np.isinf(scenario.ageing_ends):
        yield sentence("run.ageing_ends", age=years(scenario.ageing_ends))
    if scenario.monthly_temperature:
        yield sentence("run.months" if service.first_month is None else "run.seasons")
    yield sentence("run.temperature_coefficient")
    if service.history:
        yield sentence("run.history")
    if service.numerical:
        parts = ["layers of its own"] * bool(service.layers)
        parts += ["a coating"] * bool(service.coating)
        flux = sentence("run.flux") if service.coating else ""
        yield sentence("run.numerical", parts=join_with_and(parts), flux=flux)
    elif scenario.curing.layered:
        yield sentence("run.skin")


def _curing(assessment: Assessment) -> Section:
    scenario, curing = assessment.scenario, assessment.scenario.curing
    units, law = scenario.units, curing.row
    reference = temperature(curing.reference_temperature, units=units)
    function = MATURITY.get(curing.maturity, curing.maturity)
    how = (
        f"with Q = {number(curing.activation_temperature, 4)} K"
        if curing.maturity == "arrhenius"
        else f"with a datum of {temperature(curing.datum_temperature, units=units)}"
    )
    text = sentence(
        "run.curing",
        duration=duration(24.0 * curing.reference_d),
        reference=reference,
        function=function,
        how=how,
        law=law.method,
    )
    table = assessment.strategies
    early = _numbers(
        scenario,
        set(table.loc[table["effective_curing_h"] < 24.0 * law.extrapolated_below_d, "strategy"]),
    )
    if early:
        text += f" Here this concerns {'strategies' if ' ' in early else 'strategy'} No. {early}."
    given = _numbers(scenario, {s.name for s in scenario.strategies if s.penalty_input})
    if given:
        text += (
            f" The scenario gives the penalty of strategies No. {given} itself; the law is not used "
            "there."
        )
    blocks = (
        Paragraph(math(text)),
        *((Paragraph(sentence("run.own")),) if scenario.service.chloride else ()),
    )
    return Section("Curing", blocks, level=3)


def _numbers(scenario: Scenario, names: set[str]) -> str:
    """List the numbers of strategies, as the tables have them."""
    numbers = [str(n) for n, s in enumerate(scenario.strategies, start=1) if s.name in names]
    return join_with_and(numbers)


def _probability(scenario: Scenario) -> Section:
    sampling = scenario.sampling
    text = sentence(
        "run.probability",
        repeats=sampling.repeats,
        points=sampling.points,
        seed=sampling.seed,
        limit_state=limit_state(scenario),
    )
    return Section("Probability", (Paragraph(math(text)),), level=3)


def _limits(assessment: Assessment) -> Section:
    service = assessment.service
    after = sentence("run.after" if service.cracking is None else "run.after_cracking")
    point = paragraphs("run.point") if service.extent is None else ()
    return Section(
        "Limits", (Bullets((*paragraphs("run.limits", after=after), *point)),), keep=True
    )
