"""The [concrete] section: diffusivity, its age and its ageing."""

from __future__ import annotations

import dataclasses
import math
import re
from typing import Annotated

from stripwise.distributions.random_input import Input
from stripwise.scenario.engine import declared, inputs_of, read_keys
from stripwise.scenario.fields import (
    ABOVE_0,
    DAYS,
    KELVIN,
    MM2_PER_YEAR,
    PLAIN,
    SHARE,
    YEARS,
    Choice,
    Default,
    Quantity,
    Random,
)
from stripwise.scenario.problems import Problems
from stripwise.scenario.shapes import Constant, RandomInput, String, Table

__all__ = [
    "AGEING_EXPONENT",
    "CONCRETE_DIFFUSIVITY",
    "TEMPERATURE_COEFFICIENT",
    "Concrete",
    "ConcreteTable",
    "read_concrete",
    "specimens_warning",
]

IN_WATER = "water to 28 d"
WATER_D = 28.0
COMPLIANCE_SOURCE = re.compile(r"\b(fib|DuraCrete|NT Build|compliance)\b", re.IGNORECASE)
"""Sources of diffusivities that belong to test specimens kept in water."""

CONCRETE_DIFFUSIVITY = Random(
    "Diffusivity of the concrete at diffusivity_age and 20 degC, cured as curing.reference says.",
    "diffusivity",
    MM2_PER_YEAR,
    "concrete",
    usual=(0.05 * 31.5576, 100 * 31.5576),
    usual_words="0.05e-12 to 100e-12 m^2/s (1.6 to 3,160 mm^2/yr)",
    usual_cov=(0.01, 1.5),
    usual_bounds=(0.0, 500 * 31.5576),
    possible=(5e-5 * 31.5576, 1e5 * 31.5576),
    possible_words="5e-17 to 1e-7 m^2/s",
    bounds=ABOVE_0,
    missing="a value such as {}, or a distribution",
    example='"8.9e-12 m^2/s"',
)
AGEING_EXPONENT = Random(
    "Exponent of the fall of the diffusivity with age.",
    "ageing exponent",
    PLAIN,
    "concrete",
    usual=(0.0, 1.0),
    usual_sd=(0.002, 0.35),
    usual_bounds=(0.0, 1.0),
    bounds=SHARE,
    kind="knowledge",
    missing="a value such as {}, or a distribution",
    example="0.3",
)
TEMPERATURE_COEFFICIENT = Random(
    "Coefficient b_e of the temperature factor exp(b_e (1/293 K - 1/T)).",
    "temperature coefficient",
    KELVIN,
    "concrete",
    usual=(1000.0, 10000.0),
    usual_sd=(50.0, 2500.0),
    usual_bounds=(0.0, 15000.0),
    possible=(0.0, 15000.0),
    possible_words="0 K to 15000 K",
    largest_sd=5000.0,
    kind="knowledge",
    default=Default("fib34.chloride.temperature_coefficient"),
    example='{ family = "normal", mean = "4800 K", sd = "700 K" }',
)


class ConcreteTable(Table):
    """[concrete]."""

    diffusivity: Annotated[RandomInput | None, CONCRETE_DIFFUSIVITY] = None
    diffusivity_age: Annotated[
        Constant | None,
        Quantity(
            "Age of the concrete that the diffusivity belongs to.",
            DAYS,
            "1 d to 10 yr",
            usual="3 d to 10 yr",
            default="28 d",
        ),
    ] = None
    specimens: Annotated[
        String | None,
        Choice(
            "How the specimens of the diffusivity were cured.",
            (IN_WATER, "cured as the face"),
            example='"cured as the face"',
        ),
    ] = None
    ageing_exponent: Annotated[RandomInput | None, AGEING_EXPONENT] = None
    ageing_convention: Annotated[
        String | None,
        Choice(
            "Whether the diffusivity is the mean since exposure or that of the instant.",
            ("apparent", "instantaneous"),
            default="apparent",
        ),
    ] = None
    exposure_age: Annotated[
        Constant | None,
        Quantity(
            "Age of the concrete at first exposure, for the instantaneous convention.",
            DAYS,
            "1 d to 10 yr",
            usual="3 d to 3 yr",
            default="28 d",
        ),
    ] = None
    ageing_ends: Annotated[
        Constant | None,
        Quantity(
            "Time since exposure after which the diffusivity no longer falls; never unless given.",
            YEARS,
            "1 yr to 500 yr",
            usual="5 yr to 200 yr",
            example='"30 yr"',
        ),
    ] = None
    test_factor: Annotated[
        Constant | None,
        Quantity(
            "Factor k_t from the test to the structure.",
            PLAIN,
            "0.1 to 10",
            usual="0.5 to 2",
            default="1",
        ),
    ] = None
    temperature_coefficient: Annotated[RandomInput | None, TEMPERATURE_COEFFICIENT] = None


@dataclasses.dataclass(frozen=True, slots=True)
class Concrete:
    """The plain facts of [concrete]; ages in d, `ageing_ends` in yr.

    `in_water` is whether the diffusivity belongs to specimens kept in water to 28 d: the file says
    so, or its source is one of published compliance values.
    """

    diffusivity_age_d: float = 28.0
    exposure_age_d: float = 28.0
    ageing_ends: float = math.inf
    test_factor: float = 1.0
    ageing_convention: str = "apparent"
    in_water: bool = False


def read_concrete(table: ConcreteTable, problems: Problems) -> tuple[Concrete, list[Input]]:
    """Read [concrete]: its plain numbers, NaN where there was a problem, and its inputs."""
    for key in ("diffusivity", "ageing_exponent"):
        if getattr(table, key) is None:
            problems.missing(("concrete", key), declared(ConcreteTable, key).need)
    found = read_keys(table, ("concrete",), problems)
    numbers = Concrete(
        diffusivity_age_d=found["diffusivity_age"],
        exposure_age_d=found["exposure_age"],
        ageing_ends=math.inf if found["ageing_ends"] is None else found["ageing_ends"],
        test_factor=found["test_factor"],
        ageing_convention=found["ageing_convention"],
        in_water=found["specimens"] == IN_WATER or _cites_compliance_test(found["diffusivity"]),
    )
    if found["diffusivity"] is not None:
        label = f"diffusivity at {numbers.diffusivity_age_d:g} d"
        found["diffusivity"] = dataclasses.replace(found["diffusivity"], label=label)
    return numbers, inputs_of(found)


def _cites_compliance_test(diffusivity: Input | None) -> bool:
    return diffusivity is not None and bool(COMPLIANCE_SOURCE.search(diffusivity.source))


def specimens_warning(specimens: str | None, concrete: Concrete, *, reference_d: float) -> str:
    """Return a sentence where the reference curing may not be that of the test specimens, else "".

    `specimens` is None where the file does not say how they were cured.
    """
    if concrete.diffusivity_age_d < WATER_D:
        return ""
    if concrete.in_water and reference_d < WATER_D:
        text = (
            f"curing.reference is {reference_d:g} d, but the diffusivity belongs to specimens kept in "
            "water to 28 d. The DuraCrete project pairs k_c = 1 after 7 d with the diffusivity of such "
            'a test (recalled), and so does this scenario; with reference = "28 d", k_c = 1 for '
            "concrete cured like the specimens, every penalty is larger."
        )
        if specimens not in (None, IN_WATER):
            text += (
                f' concrete.specimens says "{specimens}", yet the source of the diffusivity is one of '
                "published values, which come from specimens in water."
            )
        return text
    if specimens is None and concrete.diffusivity_age_d == WATER_D:
        return (
            f"curing.reference ({reference_d:g} d) must be the curing of the specimens that the "
            "diffusivity was measured on; concrete.specimens does not say how they were cured."
        )
    return ""
