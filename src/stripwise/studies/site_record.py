"""A strip as the site reports it: its record, the cautions that come first, what can follow."""

from __future__ import annotations

from dataclasses import dataclass

from stripwise.published import constant
from stripwise.scenario.model import FollowUp, Scenario
from stripwise.scenario.problems import Problems
from stripwise.scenario.sections.curing import (
    CONCRETE_TEMPERATURE,
    FACES,
    FREEZING,
    METHODS,
    retention_name,
)
from stripwise.scenario.sections.strategies import FIXED_STRIP_AGE
from stripwise.units.quantities import convert

__all__ = ["SiteRecord", "cautions", "follow_ups", "notes", "read_record"]

USUAL_DAYS = (
    ("sheet", 3.0),
    ("sheet", 7.0),
    ("membrane", constant("curing.membrane_duration")),
    ("wet covering", 3.0),
    ("kept wet", 3.0),
    ("kept wet", 7.0),
)
"""Follow-ups that are always looked at, with their days."""

MILD = constant("aci347.wall_forms.temperature")
"""Concrete temperature [degC] below which the cold is spoken of."""


@dataclass(frozen=True, slots=True)
class SiteRecord:
    """A strip that has happened.

    Attributes
    ----------
    strip_age_h
        Age at which the forms went [h].
    temperature
        Mean concrete temperature until then [degC].
    follow_up_temperature
        Concrete temperature during a follow-up [degC].
    face
        "vertical" or "horizontal".
    plan
        Name of the strategy that was meant.
    """

    strip_age_h: float
    temperature: float
    follow_up_temperature: float
    face: str
    plan: str

    @property
    def freezes_after(self) -> bool:
        """Whether the face would be at 0 degC or below while a follow-up lasts."""
        return self.follow_up_temperature <= FREEZING

    def name_with(self, follow_up: FollowUp) -> str:
        """Return the name of the strip with a follow-up, as a strategy is named."""
        then = "" if follow_up.method == "none" else f", then {follow_up.label}"
        return f"Stripped at {self.strip_age_h:g} h{then}"


def read_record(
    case: Scenario,
    *,
    after: str,
    at: str,
    plan: str | None,
    face: str | None,
    follow_up_at: str | None,
) -> SiteRecord:
    """Read what the site says, with the units and limits of a scenario file.

    Parameters
    ----------
    case
        The scenario.
    after, at, follow_up_at
        Strip age and temperatures as text with their units.
    plan, face
        Words; None for those of the scenario.

    Returns
    -------
    The `SiteRecord`.

    Raises
    ------
    ScenarioError
        With every problem, one line each.
    """
    problems = Problems("site record", {})
    age = problems.number(FIXED_STRIP_AGE.read, after, ("after",))
    temperature = problems.number(CONCRETE_TEMPERATURE.read, at, ("at",))
    later = temperature
    if follow_up_at is not None:
        later = problems.number(CONCRETE_TEMPERATURE.read, follow_up_at, ("follow-up-at",))
    name = case.reference_strategy
    if plan is not None:
        names = tuple(strategy.name for strategy in case.strategies)
        name = problems.choice(plan, ("plan",), allowed=names)
    side = case.strategy(name).follow_up.face
    if face is not None:
        side = problems.choice(face, ("face",), allowed=FACES)
    problems.raise_all()
    return SiteRecord(age, temperature, later, side, name)


def follow_ups(case: Scenario, record: SiteRecord) -> list[FollowUp]:
    """Return the follow-ups worth a look: the usual ones, and those the scenario names.

    Parameters
    ----------
    case
        The scenario.
    record
        The strip.

    Returns
    -------
    Follow-ups from the moment of stripping, at the record's temperature and on its face; "none"
    first, then by method and duration. "none" alone where the face would freeze: water and films
    cure no ice, and to propose them would be wrong.
    """
    if record.freezes_after:
        return [FollowUp("none", 0.0, record.follow_up_temperature, record.face, "")]
    named = [strategy.follow_up for strategy in case.strategies]
    named += case.choices.follow_up if case.choices else ()
    hours = {(method, 24.0 * days) for method, days in USUAL_DAYS}
    hours |= {(item.method, item.duration_h) for item in named if item.method != "none"}
    ordered = sorted(hours, key=lambda item: (METHODS.index(item[0]), item[1]))
    at, face = record.follow_up_temperature, record.face
    return [
        FollowUp("none", 0.0, at, face, ""),
        *(FollowUp(m, h, at, face, retention_name(m, face)) for m, h in ordered),
    ]


def cautions(case: Scenario, record: SiteRecord) -> tuple[str, ...]:
    """Say what comes before any number of durability.

    Parameters
    ----------
    case
        The scenario, for its units.
    record
        The strip.

    Returns
    -------
    Sentences: strength, stability, frost, who decides.
    """
    return (
        "Strength: the age says nothing about it. Have the in-place strength of this face tested "
        "before it is loaded, backfilled or left to itself; look for edges and skin torn off with "
        "the form.",
        "Stability: check that the wall stands by itself against wind, fresh lifts, backfill and "
        "plant, and that props and ties which it still needs are in place.",
        _frost(case, record),
        "The responsible engineer decides on all three; local codes and licensed practice govern. "
        "Nothing below checks them.",
    )


def _frost(case: Scenario, record: SiteRecord) -> str:
    coldest = min(record.temperature, record.follow_up_temperature)
    limits = (
        f"{constant('aci306.frost_strength'):g} MPa (500 psi; ACI 306R) or "
        f"{constant('en13670.frost_strength'):g} MPa (725 psi; EN 13670, both recalled)"
    )
    freezing = _degrees(0.0, case.units)
    if coldest >= MILD:
        return (
            f"Frost: if the face may meet {freezing} or less, it must first have about "
            f"{limits}, or be protected."
        )
    shown = _degrees(coldest, case.units)
    text = f"Frost: {shown} is cold. Keep the face from freezing until it has {limits} in place. "
    if coldest <= FREEZING:
        text += f"Concrete at {freezing} or below may have frozen already: have it examined. "
    if record.temperature < MILD:
        text += (
            f"Hours below {_degrees(MILD, case.units)} do not count towards the "
            f"{constant('aci347.wall_forms.hours'):g} h that ACI 347 names against damage at "
            "stripping, which are not a curing period. "
        )
    return text + (
        "Put no water on a face that may freeze, and cover a warm face against cold air: "
        "the shock may crack it."
    )


def notes(
    case: Scenario, record: SiteRecord, *, effective_h: float, equivalent_h: float
) -> tuple[str, ...]:
    """Say how far the numbers may be trusted.

    Parameters
    ----------
    case
        The scenario.
    record
        The strip.
    effective_h, equivalent_h
        Effective curing duration without a follow-up, and equivalent age at stripping [h].

    Returns
    -------
    Sentences.
    """
    found = []
    if record.freezes_after:
        found.append(
            f"At {_degrees(record.follow_up_temperature, case.units)} no follow-up is counted or "
            "proposed. Protect the face from frost first; --follow-up-at with a temperature above "
            f"{_degrees(0.0, case.units)} then shows what a follow-up on the protected face buys."
        )
    else:
        found += _about_follow_ups(case, record)
    if min(record.temperature, record.follow_up_temperature) <= FREEZING:
        found.append(
            "The numbers hold for concrete that has not frozen. So cold, the Arrhenius function "
            "is an extrapolation and may count too much; the Nurse-Saul function counts nothing "
            "up to its datum."
        )
    if case.curing.layered:
        found.append(
            "The penalty acts on the affected depth alone, as the scenario says; a run gives the "
            "probabilities with the penalty on the whole cover beside them."
        )
    if effective_h < 24.0:
        found.append("Below 1 d of effective curing the law is an extrapolation.")
    floor = constant("curing.shortest_duration")
    if equivalent_h < floor:
        found.append(
            f"The equivalent age lies below {floor:g} h, the shortest effective curing of the law: "
            "the true penalty may be worse."
        )
    if case.strategy(record.plan).penalty_input:
        found.append(
            f'The penalty of "{record.plan}" is given; that of the strip comes from the curing '
            "law. The two are compared as they are."
        )
    return (*found, *case.warnings)


def _about_follow_ups(case: Scenario, record: SiteRecord) -> list[str]:
    found = [
        "A follow-up counts from the moment of stripping: every hour that the face stood bare "
        "comes off it.",
        "What a follow-up retains on a face is an assumption, and so is its range, unless the "
        "scenario gives measured values.",
    ]
    name = retention_name("wet covering", record.face)
    if any(i.name == name and i.distribution.mean == 0.0 for i in case.retentions):
        found.append(
            f"A wet covering is taken to dry out on a {record.face} face and counts as none: "
            "common practice, no source."
        )
    return found


def _degrees(celsius: float, units: str) -> str:
    to = "degC" if units == "SI" else "degF"
    return f"{convert(celsius, 'degC', to=to):.3g} {to}"
