"""The [curing] section: reference curing, maturity, the law's inputs and follow-ups."""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Annotated

from pydantic import Field

from stripwise.curing.curing_law import UNCURED_H
from stripwise.curing.laws import DEFAULT_LAW, LAWS, CuringLaw, Variate, law_names
from stripwise.curing.maturity import MaturityFunction, equivalent_age
from stripwise.distributions.distribution import distribution
from stripwise.distributions.random_input import Input
from stripwise.published import constant
from stripwise.scenario.engine import declared, inputs_of, read_keys
from stripwise.scenario.fields import (
    ABOVE_0,
    CELSIUS,
    DAYS,
    FROM_0,
    KELVIN,
    MM,
    PLAIN,
    SHARE,
    Choice,
    Default,
    Quantity,
    Random,
)
from stripwise.scenario.problems import Problems
from stripwise.scenario.sections.follow_up_table import CONCRETE_TEMPERATURE
from stripwise.scenario.shapes import Constant, RandomInput, String, Table

__all__ = [
    "RETENTION",
    "Curing",
    "CuringTable",
    "read_curing",
    "uncured_problem",
]

OWN_LAW = "a law of the case's own"
"""Name of a law that is in no list."""

LAW_VARIATES = ("early_slope",)
"""Variates of curing laws that have a key."""

LAW_INPUTS = (*LAW_VARIATES, "affected_depth", "model_factor")

RETENTION = Random(
    "Share of the time of curing after stripping that counts as in the forms, by method and face; else published.",
    "moisture retention",
    PLAIN,
    "curing",
    usual=(0.0, 1.0),
    usual_sd=(0.002, 0.4),
    usual_bounds=(0.0, 1.0),
    bounds=SHARE,
    kind="knowledge",
    example="0.8",
)


class CuringTable(Table):
    """[curing]."""

    reference: Annotated[
        Constant | None,
        Quantity(
            "Curing of the concrete that the diffusivity belongs to; the penalty is 1 there.",
            DAYS,
            "12 h to 365 d",
            usual="2 d to 28 d",
            needed="the curing of the concrete that the diffusivity was measured on, such as {}",
            example='"7 d"',
        ),
    ] = None
    concrete_temperature: Annotated[
        Constant | None,
        replace(
            CONCRETE_TEMPERATURE,
            meaning="Temperature of the concrete in the forms, for [choices] and every strategy "
            "without its own.",
            missing="the concrete's temperature in the forms, such as {}",
        ),
    ] = None
    affected_depth: Annotated[
        RandomInput | None,
        Random(
            "Depth from the face that early stripping harms; the whole cover unless given.",
            "depth affected by curing",
            MM,
            "curing",
            usual=(5.0, 150.0),
            usual_cov=(0.01, 1.0),
            usual_bounds=(0.0, 300.0),
            bounds=FROM_0,
            kind="knowledge",
            word="whole cover",
            example='"whole cover"',
        ),
    ] = None
    maturity: Annotated[
        String | None,
        Choice("Maturity function.", ("arrhenius", "nurse-saul"), default="arrhenius"),
    ] = None
    activation_temperature: Annotated[
        Constant | None,
        Quantity(
            "Q of the Arrhenius function.",
            KELVIN,
            "1000 K to 15000 K",
            usual="2500 K to 9000 K",
            published="maturity.activation_temperature",
        ),
    ] = None
    datum_temperature: Annotated[
        Constant | None,
        Quantity(
            "T0 of the Nurse-Saul function.",
            CELSIUS,
            "-20 degC to 10 degC",
            usual="-12 degC to 5 degC",
            published="maturity.datum_temperature",
        ),
    ] = None
    reference_temperature: Annotated[
        Constant | None,
        Quantity(
            "Temperature at which an hour counts as an hour.",
            CELSIUS,
            "15 degC to 30 degC",
            usual="18 degC to 25 degC",
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
            "curing effect below 1 d (standard score)",
            PLAIN,
            "curing",
            usual=(-5.0, 5.0),
            usual_words="-5 to 5 (a standard normal variate)",
            usual_sd=(0.05, 3.0),
            usual_bounds=(-5.0, 5.0),
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
            usual_cov=(0.01, 1.0),
            usual_bounds=(0.0, 10.0),
            bounds=ABOVE_0,
            kind="knowledge",
            example='{ family = "lognormal", mean = 1.0, cov = 0.2 }',
        ),
    ] = None
    retention: Annotated[dict[str, dict[str, RandomInput]], RETENTION] = Field(default_factory=dict)


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
    row
        The law itself.
    affected_depth_input
        Name of the input with the affected depth [mm]; empty for the whole cover.
    model_factor_input
        Name of the factor on penalties out of a fit, from laboratory to field; empty for none.
    """

    reference_d: float
    maturity: MaturityFunction
    activation_temperature: float
    datum_temperature: float
    reference_temperature: float
    temperature: float
    layered: bool
    law: str
    affected_depth_input: str
    model_factor_input: str = ""
    row: CuringLaw = LAWS[DEFAULT_LAW]


def read_curing(
    table: CuringTable,
    problems: Problems,
    *,
    chloride: bool,
    temperature: float | None,
    law: CuringLaw | None = None,
) -> tuple[Curing, list[Input]]:
    """Read [curing] except the retentions: NaN where there was a problem, and the inputs.

    Without `chloride` the reference curing is that of the carbonation model unless given;
    `temperature` [degC] stands in for that of the concrete, None where it must be given; `law` is
    one that comes with the case instead of one of the list.
    """
    known = not chloride and table.reference is None
    skip = ("reference",) if known else ()
    found = read_keys(table, ("curing",), problems, first=LAW_INPUTS, skip=skip)
    if known:
        found["reference"] = constant("fib34.carbonation.reference_curing")
    if found["concrete_temperature"] is None:
        found["concrete_temperature"] = math.nan if temperature is None else temperature
        if temperature is None:
            need = declared(CuringTable, "concrete_temperature").need
            problems.missing(("curing", "concrete_temperature"), need)
    row = law or LAWS[found["law"]]
    variates = row.variates
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
        law=OWN_LAW if law else found["law"],
        row=row,
        affected_depth_input=names.get("affected_depth", ""),
        model_factor_input=names.get("model_factor", ""),
    )
    return curing, [*own, *inputs_of(found)]


def _law_input(variate: Variate) -> Input:
    law = distribution(variate.family, **dict(variate.numbers))
    return Input(variate.input, variate.label, law, "", "curing", "knowledge", variate.source)


@functools.lru_cache(maxsize=4096)
def _equivalent_hours(
    hours: float,
    temperature: float,
    function: MaturityFunction,
    numbers: tuple[float, float, float],
) -> float:
    reference, activation, datum = numbers
    return float(
        equivalent_age(
            hours,
            temperature,
            function=function,
            reference_c=reference,
            activation_temperature=activation,
            datum_c=datum,
        )
    )


def uncured_problem(
    hours: float,
    temperature: float,
    curing: Curing,
    *,
    at: object = None,
    functions: Sequence[MaturityFunction] | None = None,
) -> str:
    """Say why a strip age [h] at a concrete temperature [degC] is no curing at all, else "".

    `at` is the temperature as written; `functions` are the maturity functions that judge, all of
    them unless given.
    """
    numbers = (
        curing.reference_temperature,
        curing.activation_temperature,
        curing.datum_temperature,
    )
    if math.isnan(hours + temperature + sum(numbers)):  # a value that was told
        return ""
    written = f"{temperature:g} degC" if at is None else str(at).strip('"')
    for function in functions or declared(CuringTable, "maturity").options:
        equivalent = _equivalent_hours(float(hours), float(temperature), function, numbers)
        if equivalent < UNCURED_H:
            return (
                f"is {equivalent:.2g} equivalent hours at {written} by the {function} "
                f"function; below {UNCURED_H:g} h a face counts as not cured at all"
            )
    return ""
