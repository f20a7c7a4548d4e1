"""The [curing] section: reference curing, maturity, the law's inputs and follow-ups."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Annotated

from pydantic import Field

from stripwise.curing.curing_law import UNCURED_H
from stripwise.curing.follow_up import (
    FACES,
    FOLLOW_UPS,
    NO_FOLLOW_UP,
    REFERENCE_FACE,
    method_names,
    retention_name,
)
from stripwise.curing.laws import DEFAULT_LAW, LAWS, Variate, law_names
from stripwise.curing.maturity import equivalent_age
from stripwise.distributions.distribution import distribution
from stripwise.distributions.random_input import Input
from stripwise.scenario.engine import declared, inputs_of, read_keys
from stripwise.scenario.fields import (
    ABOVE_0,
    CELSIUS,
    DAYS,
    FROM_0,
    HOURS,
    KELVIN,
    MM,
    PLAIN,
    SHARE,
    Choice,
    Default,
    Quantity,
    Random,
)
from stripwise.scenario.problems import KeyPath, Problems
from stripwise.scenario.shapes import RandomInput, Scalar, String, Table

__all__ = [
    "CONCRETE_TEMPERATURE",
    "FREEZING",
    "RETENTION",
    "Curing",
    "CuringTable",
    "FollowUp",
    "FollowUpTable",
    "read_curing",
    "read_follow_up",
    "same_cure",
    "same_degree",
    "same_work",
    "uncured_problem",
]

LAW_VARIATES = ("early_slope",)
"""Variates of curing laws that have a key."""

LAW_INPUTS = (*LAW_VARIATES, "affected_depth", "model_factor")

FREEZING = 1e-6
"""Temperature up to which a face freezes [degC]; 32 degF converts to a rounding above 0."""

CONCRETE_TEMPERATURE = Quantity(
    "Temperature of the concrete in the forms.", CELSIUS, "-10 degC to 80 degC", example='"15 degC"'
)

RETENTION = Random(
    "Share of a follow-up's time that counts as in the forms, by method and face; else published.",
    "moisture retention",
    PLAIN,
    "curing",
    usual=(0.0, 1.0),
    bounds=SHARE,
    kind="knowledge",
    example="0.8",
)


class CuringTable(Table):
    """[curing]."""

    reference: Annotated[
        Scalar | None,
        Quantity(
            "Curing of the concrete that the diffusivity belongs to; the penalty is 1 there.",
            DAYS,
            "12 h to 365 d",
            needed="the curing of the concrete that the diffusivity was measured on, such as {}",
            example='"7 d"',
        ),
    ] = None
    concrete_temperature: Annotated[
        Scalar | None,
        replace(CONCRETE_TEMPERATURE, needed="the concrete's temperature in the forms, such as {}"),
    ] = None
    affected_depth: Annotated[
        RandomInput | None,
        Random(
            "Depth from the face that early stripping harms.",
            "depth affected by curing",
            MM,
            "curing",
            usual=(1.0, 200.0),
            bounds=FROM_0,
            kind="knowledge",
            word="whole cover",
            needed='write {}, or a depth such as "30 mm"',
            example='"whole cover"',
        ),
    ] = None
    maturity: Annotated[
        String | None,
        Choice("Maturity function.", ("arrhenius", "nurse-saul"), default="arrhenius"),
    ] = None
    activation_temperature: Annotated[
        Scalar | None,
        Quantity(
            "Q of the Arrhenius function.",
            KELVIN,
            "1000 K to 15000 K",
            published="maturity.activation_temperature",
        ),
    ] = None
    datum_temperature: Annotated[
        Scalar | None,
        Quantity(
            "T0 of the Nurse-Saul function.",
            CELSIUS,
            "-20 degC to 10 degC",
            published="maturity.datum_temperature",
        ),
    ] = None
    reference_temperature: Annotated[
        Scalar | None,
        Quantity(
            "Temperature at which an hour counts as an hour.",
            CELSIUS,
            "15 degC to 30 degC",
            published="maturity.reference_temperature.europe",
        ),
    ] = None
    law: Annotated[
        String | None,
        Choice("Law from the curing duration to the penalty.", law_names, default=DEFAULT_LAW),
    ] = None
    early_slope: Annotated[
        RandomInput | None,
        Random(
            "Slope of the curing law below 1 d, a standard normal variate.",
            "curing law below 1 d",
            PLAIN,
            "curing",
            usual=(-5.0, 5.0),
            usual_words="-5 to 5 (a standard normal variate)",
            possible=(-10.0, 10.0),
            possible_words="-10 to 10",
            largest_sd=10.0,
            kind="knowledge",
            default=Default("curing.early_slope_sd", "normal", (("mean", 0.0), ("sd", 1.0))),
        ),
    ] = None
    model_factor: Annotated[
        RandomInput | None,
        Random(
            "Factor on penalties out of a fit, from the laboratory to the field.",
            "factor on fitted penalties, laboratory to field",
            PLAIN,
            "curing",
            usual=(0.3, 3.0),
            bounds=ABOVE_0,
            kind="knowledge",
            example='{ family = "lognormal", mean = 1.0, cov = 0.2 }',
        ),
    ] = None
    retention: Annotated[dict[str, dict[str, RandomInput]], RETENTION] = Field(default_factory=dict)


class FollowUpTable(Table):
    """Curing after stripping."""

    method: Annotated[
        String | None,
        Choice(
            "What is done after stripping.",
            method_names,
            needed="use one of {options}",
            example='"sheet"',
        ),
    ] = None
    duration: Annotated[
        Scalar | None,
        Quantity(
            "How long it stays; a membrane has a published duration.",
            HOURS,
            "1 h to 60 d",
            example='"3 d"',
        ),
    ] = None
    temperature: Annotated[
        Scalar | None,
        replace(
            CONCRETE_TEMPERATURE,
            meaning="Temperature of the concrete meanwhile; that in the forms unless given.",
        ),
    ] = None
    face: Annotated[
        String | None, Choice("Orientation of the face.", FACES, default=REFERENCE_FACE)
    ] = None


@dataclass(frozen=True, slots=True)
class FollowUp:
    """Curing after stripping.

    Attributes
    ----------
    method
        One of `method_names`.
    duration_h
        Duration [h]; 0 for "none".
    temperature
        Concrete temperature meanwhile [degC].
    face
        "vertical" or "horizontal".
    retention_input
        Name of the input that holds its moisture retention; empty for "none".
    """

    method: str
    duration_h: float
    temperature: float
    face: str
    retention_input: str

    @property
    def label(self) -> str:
        """Short words for a table, such as "sheet 3 d"."""
        if self.method == NO_FOLLOW_UP:
            return NO_FOLLOW_UP
        days = self.duration_h / 24.0
        length = f"{days:g} d" if days >= 1 else f"{self.duration_h:g} h"
        return f"{self.method} {length}"


@dataclass(frozen=True, slots=True)
class Curing:
    """How curing is turned into a penalty factor.

    Attributes
    ----------
    reference_d
        Curing of the concrete that the diffusivity belongs to, at the reference temperature [d].
    maturity
        "arrhenius" or "nurse-saul".
    activation_temperature
        Q of the Arrhenius function [K].
    datum_temperature
        T0 of the Nurse-Saul function [degC].
    reference_temperature
        Temperature at which an hour counts as an hour [degC].
    temperature
        Concrete temperature of the choices and the default of the strategies [degC].
    layered
        Whether only the affected depth is penalised.
    law
        Name of the curing law.
    affected_depth_input
        Name of the input with the affected depth [mm]; empty for the whole cover.
    model_factor_input
        Name of the factor on penalties out of a fit, from laboratory to field; empty for none.
    """

    reference_d: float
    maturity: str
    activation_temperature: float
    datum_temperature: float
    reference_temperature: float
    temperature: float
    layered: bool
    law: str
    affected_depth_input: str
    model_factor_input: str = ""


def same_degree(one: float, other: float) -> bool:
    """Whether two temperatures [degC] differ by no more than the rounding of their units."""
    return math.isclose(one, other, abs_tol=1e-6)


def same_work(one: FollowUp, other: FollowUp) -> bool:
    """Whether both are the same method for as long on the same face, at whatever temperature."""
    return (one.method, one.duration_h, one.face) == (other.method, other.duration_h, other.face)


def same_cure(one: FollowUp, other: FollowUp) -> bool:
    """Whether both are the same work and as warm, or both none."""
    if one.method == other.method == NO_FOLLOW_UP:
        return True
    return same_work(one, other) and same_degree(one.temperature, other.temperature)


def read_curing(table: CuringTable, problems: Problems) -> tuple[Curing, list[Input]]:
    """Read [curing] except the retentions: NaN where there was a problem, and the inputs."""
    found = read_keys(table, ("curing",), problems, first=LAW_INPUTS)
    variates = LAWS[found["law"]].variates
    own = [_law_input(item) for item in variates if item.key not in LAW_INPUTS]
    for key in LAW_VARIATES:
        if key not in {item.key for item in variates}:
            del found[key]
            if getattr(table, key) is not None:
                problems.add(
                    ("curing", key), f'is not used by law = "{found["law"]}"; leave it out'
                )
    names = {key: item.name for key, item in found.items() if isinstance(item, Input)}
    curing = Curing(
        reference_d=found["reference"],
        maturity=found["maturity"],
        activation_temperature=found["activation_temperature"],
        datum_temperature=found["datum_temperature"],
        reference_temperature=found["reference_temperature"],
        temperature=found["concrete_temperature"],
        layered="affected_depth" in names,
        law=found["law"],
        affected_depth_input=names.get("affected_depth", ""),
        model_factor_input=names.get("model_factor", ""),
    )
    return curing, [*own, *inputs_of(found)]


def _law_input(variate: Variate) -> Input:
    law = distribution(variate.family, **dict(variate.numbers))
    return Input(variate.input, variate.label, law, "", "curing", "knowledge", variate.source)


def read_follow_up(
    table: FollowUpTable | None, path: KeyPath, *, temperature: float, problems: Problems
) -> FollowUp:
    """Read a follow-up, NaN where there was a problem; `temperature` [degC] stands in for its own."""
    method = None
    if table is not None:
        method = read_keys(table, path, problems, only=("method",))["method"]
    if table is None or method is None:
        return FollowUp(NO_FOLLOW_UP, 0.0, temperature, REFERENCE_FACE, "")
    found = read_keys(table, path, problems, first=("face",), skip=("method", "duration"))
    face, own = found["face"], found["temperature"]
    temperature = temperature if own is None else own
    if method == NO_FOLLOW_UP:
        if table.duration is not None and method == table.method:
            problems.add(
                (*path, "duration"),
                'is not used by method = "none"; leave it out',
                found=table.duration,
            )
        return FollowUp(NO_FOLLOW_UP, 0.0, temperature, face, "")
    if temperature <= FREEZING:
        problems.add(
            (*path, "temperature"),
            "must be above 0 degC: no follow-up cures a face that freezes. Give the temperature of "
            "the protected concrete, not that of the forms or the air",
            found=table.temperature,
        )
    hours = _duration(table, path, method=method, problems=problems)
    return FollowUp(method, hours, temperature, face, retention_name(method, face))


def _duration(table: FollowUpTable, path: KeyPath, *, method: str, problems: Problems) -> float:
    where = (*path, "duration")
    if table.duration is not None:
        return problems.number(declared(FollowUpTable, "duration").read, table.duration, where)
    published_days = FOLLOW_UPS[method].duration_d
    if published_days is not None:
        return 24.0 * published_days
    problems.missing(where, f'how long the {method} stays, such as "3 d"')
    return math.nan


def uncured_problem(hours: float, temperature: float, curing: Curing) -> str:
    """Say why a strip age [h] at a concrete temperature [degC] is no curing at all, else ""."""
    if math.isnan(hours + temperature + curing.reference_temperature):
        return ""
    for function in declared(CuringTable, "maturity").options:
        equivalent = equivalent_age(
            hours,
            temperature,
            function=function,
            reference_c=curing.reference_temperature,
            activation_temperature=curing.activation_temperature,
            datum_c=curing.datum_temperature,
        )
        if equivalent < UNCURED_H:
            return (
                f"is {float(equivalent):.2g} equivalent hours at {temperature:g} degC by the {function} "
                f"function; below {UNCURED_H:g} h a face counts as not cured at all"
            )
    return ""
