"""What the site reported about a strip, what warnings come first, and which follow-ups are left."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from stripwise.curing.curing_law import PUBLISHED_FROM_H
from stripwise.curing.follow_up import FACES, FOLLOW_UPS, NO_FOLLOW_UP, retention_name
from stripwise.errors import InputError
from stripwise.published import constant
from stripwise.scenario.model import FollowUp, Scenario
from stripwise.scenario.problems import Problems
from stripwise.scenario.sections.concrete_temperatures import HEAT, HOT
from stripwise.scenario.sections.curing import uncured_problem
from stripwise.scenario.sections.follow_up_table import CONCRETE_TEMPERATURE, FREEZING
from stripwise.scenario.sections.strategies import FIXED_STRIP_AGE
from stripwise.studies.logged_temperature import LoggedTemperature, LoggerFile, read_logged
from stripwise.units.caution import CAUTION
from stripwise.units.formatting import duration, number, temperature

__all__ = ["SiteRecord", "cautions", "follow_ups", "notes", "read_record"]

Array = NDArray[np.float64]

COLD_LIMIT = constant("aci347.wall_forms.temperature")
"""Concrete temperature [degC] below which frost is warned of."""


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
    logged
        The temperature record behind `temperature`; None where a mean was reported.
    """

    strip_age_h: float
    temperature: float
    follow_up_temperature: float
    face: str
    plan: str
    logged: LoggedTemperature | None = None

    @property
    def coldest(self) -> float:
        """Lowest concrete temperature that is known until stripping [degC]."""
        return self.temperature if self.logged is None else self.logged.coldest

    @property
    def intervals(self) -> tuple[Array, Array]:
        """Lengths of the parts of the time in the forms [h], and the temperature in each [degC]."""
        if self.logged is None:
            return np.array([self.strip_age_h]), np.array([self.temperature])
        return self.logged.hours, self.logged.degrees

    @property
    def freezes_after(self) -> bool:
        """Whether the face would be at 0 degC or below while a follow-up lasts."""
        return self.follow_up_temperature <= FREEZING

    def strategy_name(self, follow_up: FollowUp) -> str:
        """Return the name of the strip with a follow-up, as a strategy is named."""
        then = "" if follow_up.method == NO_FOLLOW_UP else f", then {follow_up.label}"
        return f"Stripped at {duration(self.strip_age_h)}{then}"


def read_record(
    scenario: Scenario,
    *,
    after: str,
    at: str | None,
    plan: str | None,
    face: str | None,
    follow_up_at: str | None,
    logger: LoggerFile | None = None,
    unusual: bool = False,
) -> SiteRecord:
    """Read what the site reports, with the units and limits of a scenario file.

    Texts carry their units; None means the scenario's. With `unusual` values outside their usual
    range are meant. Every problem is raised at once, as a ScenarioError. A `logger` stands in for
    `at`; without a follow-up temperature the lower of its mean and of its last reading holds.
    """
    if (at is None) == (logger is None):
        raise InputError("site record", "needs a mean temperature or a logger file, one of them")
    problems = Problems("site record", {}, insist="add --unusual")
    read_age = partial(FIXED_STRIP_AGE.read, unusual=unusual)
    read_temperature = partial(CONCRETE_TEMPERATURE.read, unusual=unusual)
    age = problems.number(read_age, after, ("after",))
    logged = None
    if logger is not None:
        problems.raise_all()
        logged = read_logged(logger, strip_age=age)
        at = f"{logged.mean} degC"
    temperature = problems.number(read_temperature, at, ("at",))
    # what has happened is judged by the scenario's own function, so that its cautions can be given
    own = (scenario.curing.maturity,)
    if broken := uncured_problem(age, temperature, scenario.curing, at=at, functions=own):
        problems.add(("after",), broken, found=after)
    later = temperature if logged is None else min(temperature, logged.last)
    if follow_up_at is not None:
        later = problems.number(read_temperature, follow_up_at, ("follow-up-at",))
    name = scenario.reference_strategy
    if plan is not None:
        names = tuple(strategy.name for strategy in scenario.strategies)
        name = problems.choice(plan, ("plan",), allowed=names)
    side = scenario.strategy(name).follow_up.face
    if face is not None:
        side = problems.choice(face, ("face",), allowed=FACES)
    problems.raise_all()
    return SiteRecord(age, temperature, later, side, name, logged)


def follow_ups(scenario: Scenario, record: SiteRecord) -> list[FollowUp]:
    """Return the usual follow-ups and the scenario's, at the record's temperature and on its face.

    "none" first, then by method and duration; "none" alone where the face would freeze: water and
    films cure no ice, and to propose them would be wrong.
    """
    if record.freezes_after:
        return [FollowUp(NO_FOLLOW_UP, 0.0, record.follow_up_temperature, record.face, "")]
    named = [strategy.follow_up for strategy in scenario.strategies]
    named += scenario.choices.follow_up if scenario.choices else ()
    hours = {(name, 24.0 * days) for name, m in FOLLOW_UPS.items() for days in m.offered_days}
    hours |= {(item.method, item.duration_h) for item in named if item.method != NO_FOLLOW_UP}
    order = list(FOLLOW_UPS)
    ordered = sorted(hours, key=lambda item: (order.index(item[0]), item[1]))
    at, face = record.follow_up_temperature, record.face
    return [
        FollowUp(NO_FOLLOW_UP, 0.0, at, face, ""),
        *(FollowUp(m, h, at, face, retention_name(m, face)) for m, h in ordered),
    ]


def cautions(scenario: Scenario, record: SiteRecord) -> tuple[str, ...]:
    """State what comes before any number of durability: strength, stability, frost, who decides."""
    return (
        "Strength: the age says nothing about it. Have the in-place strength of this face tested "
        "before it is loaded, backfilled or left to itself; look for edges and skin torn off with "
        "the form.",
        "Stability: check that the wall stands by itself against wind, fresh lifts, backfill and "
        "plant, and that props and ties which it still needs are in place.",
        _frost(scenario, record),
        CAUTION,
    )


def _frost(scenario: Scenario, record: SiteRecord) -> str:
    coldest = min(record.coldest, record.follow_up_temperature)
    limits = (
        f"{number(constant('aci306.frost_strength'))} MPa (500 psi; ACI 306R) or "
        f"{number(constant('en13670.frost_strength'))} MPa (725 psi; EN 13670, both recalled)"
    )
    freezing = _degrees(0.0, scenario.units)
    if coldest >= COLD_LIMIT:
        return (
            f"Frost: if the face may meet {freezing} or less, it must first have about "
            f"{limits}, or be protected."
        )
    shown = _degrees(coldest, scenario.units)
    text = f"Frost: {shown} is cold. Keep the face from freezing until it has {limits} in place. "
    if coldest <= FREEZING:
        text += f"Concrete at {freezing} or below may have frozen already: have it examined. "
    if record.coldest < COLD_LIMIT:
        text += (
            f"Hours below {_degrees(COLD_LIMIT, scenario.units)} do not count towards the "
            f"{duration(constant('aci347.wall_forms.hours'))} that ACI 347 names against damage at "
            "stripping, which are not a curing period. "
        )
    return text + (
        "Put no water on a face that may freeze, and cover a warm face against cold air: "
        "the shock may crack it."
    )


def notes(
    scenario: Scenario, record: SiteRecord, *, effective_h: float, equivalent_h: float
) -> tuple[str, ...]:
    """State how far the numbers may be trusted.

    Effective curing duration without a follow-up, and equivalent age at stripping, in hours.
    """
    sentences = []
    planned = scenario.input(scenario.strategy(record.plan).strip_age_input).distribution.mean
    if record.strip_age_h > planned * (1.0 + 1e-9):
        sentences.append(
            f"{duration(record.strip_age_h)} is later than the {duration(planned)} of the plan: this "
            "is no early strip. Check the age and its unit, and which plan was meant."
        )
    if record.freezes_after:
        sentences.append(
            f"At {_degrees(record.follow_up_temperature, scenario.units)} no curing after stripping is "
            "counted or proposed. Protect the face from frost first; --follow-up-at with a temperature above "
            f"{_degrees(0.0, scenario.units)} then shows what curing the protected face buys."
        )
    else:
        sentences += _about_follow_ups(scenario, record)
    if min(record.coldest, record.follow_up_temperature) <= FREEZING:
        sentences.append(
            "The numbers hold for concrete that has not frozen. So cold, the Arrhenius function "
            "is an extrapolation and may count too much; the Nurse-Saul function counts nothing "
            "up to its datum."
        )
    if max(record.temperature, record.follow_up_temperature) > HOT:
        sentences.append(f"Above {_degrees(HOT, scenario.units)}: {HEAT}")
    if scenario.curing.layered:
        sentences.append(
            "The penalty acts on the affected depth alone, as the scenario says; a run gives the "
            "probabilities with the penalty on the whole cover beside them."
        )
    limit = scenario.curing.row.extrapolated_below_d
    if effective_h < 24.0 * limit:
        sentences.append(
            f"Below {number(limit)} d of effective curing the law is an extrapolation."
        )
    if equivalent_h < PUBLISHED_FROM_H:
        sentences.append(
            f"The equivalent age lies below {duration(PUBLISHED_FROM_H)}: the curing law goes on there, "
            "far beyond anything published."
        )
    if scenario.strategy(record.plan).penalty_input:
        sentences.append(
            f'The penalty of "{record.plan}" is given; that of the strip comes from the curing '
            "law. The two are compared as they are."
        )
    if record.logged is not None:
        sentences += [f"{record.logged.source}: {note}." for note in record.logged.notes]
    return (*sentences, *scenario.warnings)


def _about_follow_ups(scenario: Scenario, record: SiteRecord) -> list[str]:
    sentences = [
        "Curing after stripping counts from the moment of stripping: every hour that the face stood bare "
        "comes off it.",
        "What such curing retains on a face is an assumption, and so is its range, unless the "
        "scenario gives measured values.",
    ]
    means = {item.name: item.distribution.mean for item in scenario.retentions}
    sentences += [
        method.without_effect.format(face=record.face)
        for name, method in FOLLOW_UPS.items()
        if method.without_effect and means.get(retention_name(name, record.face)) == 0.0
    ]
    return sentences


def _degrees(celsius: float, units: str) -> str:
    return temperature(celsius, units=units)
