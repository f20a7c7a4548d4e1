"""The [exposure] section: temperature, chloride at the surface, what contents refer to."""

from __future__ import annotations

import math
from typing import Annotated

from pydantic import Field

from stripwise.distributions.random_input import Input
from stripwise.ingress.season import MONTHS
from stripwise.scenario.engine import declared, inputs_of, read_keys
from stripwise.scenario.fields import (
    CELSIUS,
    FROM_0,
    KG_PER_M3,
    MM,
    PERCENT,
    Choice,
    Default,
    Meant,
    Measure,
    Quantity,
    Random,
    Text,
)
from stripwise.scenario.problems import Problems
from stripwise.scenario.sections.chloride_basis import Contents
from stripwise.scenario.sections.de_icing import SURFACE_CHLORIDE, DeIcingTable, de_icing_input
from stripwise.scenario.sections.surface_table import SurfaceHistoryTable
from stripwise.scenario.shapes import BASES, Constant, ContentInput, RandomInput, String, Table
from stripwise.units.names import printable
from stripwise.units.quantities import TEMPERATURE

__all__ = ["MECHANISMS", "ExposureTable", "read_contents", "read_exposure"]

MECHANISMS = ("chloride", "carbonation")
MONTH_COUNT = 12

LARGEST_SHIFT = 6.0
"""Usual distance of a month from the mean of its neighbours [K]; a season that swings by 30 K to
each side as a sine moves 4 K. A plausibility limit of this project."""

CONTENT_KEYS = ("binder_content", "density", "chloride_basis")
ELSEWHERE = ("class", "mechanisms", "first_exposure", *CONTENT_KEYS)
"""Keys that other steps read."""


class ExposureTable(Table):
    """[exposure]."""

    label: Annotated[
        String | None,
        Text("Exposure class, a label without effect on the numbers.", shown=True, example='"XD3"'),
    ] = Field(default=None, alias="class")
    temperature: Annotated[
        RandomInput | None,
        Random(
            "Mean temperature of the concrete in service.",
            "temperature of exposure",
            Measure(TEMPERATURE, "K"),
            "exposure",
            usual=(268.15, 308.15),
            usual_words="-5 degC to 35 degC",
            usual_sd=(0.05, 12.0),
            usual_bounds=(233.15, 323.15),
            possible=(213.15, 353.15),
            possible_words="-60 degC to 80 degC",
            largest_sd=30.0,
            kind="knowledge",
            missing="such as {}; or give monthly_temperature with 12 values",
            example='"9 degC"',
        ),
    ] = None
    monthly_temperature: Annotated[
        list[Constant] | None,
        Quantity(
            "Twelve monthly means from January on, in place of temperature.",
            CELSIUS,
            "-40 degC to 50 degC",
            usual="-30 degC to 40 degC",
        ),
    ] = None
    surface_chloride: Annotated[ContentInput | None, SURFACE_CHLORIDE] = None
    initial_chloride: Annotated[
        ContentInput | None,
        Random(
            "Chloride content of the concrete as mixed.",
            "initial chloride",
            PERCENT,
            "exposure",
            usual=(0.0, 2.0),
            usual_cov=(0.01, 1.5),
            usual_bounds=(0.0, 5.0),
            usual_words="0 to 2 % by mass of binder",
            bounds=FROM_0,
            default=Default(family="fixed", numbers=(("mean", 0.0),), source="default: none"),
            example="0.1",
        ),
    ] = None
    convection_zone: Annotated[
        RandomInput | None,
        Random(
            "Depth that wetting and drying reach, from which depths count.",
            "convection zone",
            MM,
            "exposure",
            usual=(0.0, 60.0),
            usual_cov=(0.01, 1.5),
            usual_bounds=(0.0, 150.0),
            bounds=FROM_0,
            default=Default(family="fixed", numbers=(("mean", 0.0),), source="default: none"),
            example='"10 mm"',
        ),
    ] = None
    chloride_basis: Annotated[
        String | None,
        Choice(
            "Mass that the per cents of all contents refer to.",
            BASES,
            missing='"binder" or "concrete": the mass that the per cents refer to',
            example='"binder"',
        ),
    ] = None
    binder_content: Annotated[
        Constant | None,
        Quantity(
            "Binder in the concrete.",
            KG_PER_M3,
            "100 kg/m^3 to 1000 kg/m^3",
            usual="200 kg/m^3 to 600 kg/m^3",
            missing='chloride_basis = "concrete" needs it, such as {}',
            example='"350 kg/m^3"',
        ),
    ] = None
    density: Annotated[
        Constant | None,
        Quantity(
            "Density of the concrete.",
            KG_PER_M3,
            "1000 kg/m^3 to 4000 kg/m^3",
            usual="1500 kg/m^3 to 2800 kg/m^3",
            missing='chloride_basis = "concrete" needs it, such as {}',
            example='"2350 kg/m^3"',
        ),
    ] = None
    mechanisms: Annotated[
        list[String] | None,
        Choice("What attacks the passive layer.", MECHANISMS, default="chloride"),
    ] = None
    temperature_series: Annotated[
        String | None, Text("CSV of date and temperature_degC beside the file.")
    ] = None
    first_exposure: Annotated[
        String | None,
        Choice("Month of first exposure, from which the seasons are integrated.", MONTHS),
    ] = None
    surface_history: SurfaceHistoryTable | None = None
    de_icing: DeIcingTable | None = None


def read_contents(table: ExposureTable, problems: Problems) -> Contents:
    """Read the basis of the chloride contents, which has no default."""
    path = ("exposure",)
    found = read_keys(table, path, problems, only=CONTENT_KEYS)
    basis, raw = found["chloride_basis"], table.chloride_basis
    if raw is None:
        need = declared(ExposureTable, "chloride_basis").need
        problems.missing((*path, "chloride_basis"), need)
    if raw == "concrete":
        for key in CONTENT_KEYS[:2]:
            if getattr(table, key) is None:
                problems.missing((*path, key), declared(ExposureTable, key).need)
    binder, density = (math.nan if found[key] is None else found[key] for key in CONTENT_KEYS[:2])
    return Contents(raw if raw is not None and basis == raw else "", binder, density)


def read_exposure(
    table: ExposureTable, contents: Contents, *, problems: Problems, series: tuple[float, ...] = ()
) -> tuple[tuple[float, ...], list[Input]]:
    """Read [exposure]: the monthly temperatures [degC], empty where one is given, and the inputs.

    `series` are those of a file beside the scenario, empty where there is none.
    """
    path = ("exposure",)
    skip = {*ELSEWHERE, *_temperature_rules(table, problems), *_surface_rules(table, problems)}
    converters = contents.converters(
        table, path, {"surface_chloride", "initial_chloride"} - skip, problems
    )
    found = read_keys(table, path, problems, skip=skip, converters=converters)
    _check_seasons(table, found.get("monthly_temperature"), problems)
    if table.de_icing is not None and table.surface_chloride is None:
        found["surface_chloride"] = de_icing_input(table.de_icing, contents, problems)
    return found.get("monthly_temperature") or series, inputs_of(found)


def _check_seasons(
    table: ExposureTable, months: tuple[float, ...] | None, problems: Problems
) -> None:
    """Refuse the month that stands out most from its neighbours, such as one in another unit."""
    if not months or table.monthly_temperature is None:
        return
    shifts = [abs(t - (months[i - 1] + months[i - 11]) / 2) for i, t in enumerate(months)]
    most = max(range(MONTH_COUNT), key=lambda i: shifts[i])
    raw = table.monthly_temperature[most]
    if shifts[most] > LARGEST_SHIFT and not (isinstance(raw, Meant) and raw.unusual):
        problems.add(
            ("exposure", "monthly_temperature", most),
            f"{MONTHS[most]} is {shifts[most]:.3g} K off the mean of the months beside it; up to "
            f"{LARGEST_SHIFT:g} K is usual. Check the unit, or write {{ value = {printable(raw)}, "
            "unusual = true } if it is meant",
            found=raw,
        )


def _temperature_rules(table: ExposureTable, problems: Problems) -> set[str]:
    """Check that one temperature is given; return what must not be read."""
    there = [
        key
        for key in ("temperature", "monthly_temperature", "temperature_series")
        if getattr(table, key) is not None
    ]
    if not there:
        need = declared(ExposureTable, "temperature").need
        problems.missing(("exposure", "temperature"), need)
    skip = set()
    monthly = table.monthly_temperature
    if monthly is not None and len(monthly) != MONTH_COUNT:
        rule = f"has {len(monthly)} values; must have 12, from January on"
        problems.add(("exposure", "monthly_temperature"), rule)
        skip.add("monthly_temperature")
    rule = "is given beside {}; give exactly one of them"
    if "monthly_temperature" in there and "temperature_series" in there:
        where = ("exposure", "temperature_series")
        problems.add(where, rule.format("monthly_temperature"))
    if "temperature" in there and len(there) > 1:
        problems.add(("exposure", "temperature"), rule.format(there[1]))
        skip.add("temperature")
    return skip


def _surface_rules(table: ExposureTable, problems: Problems) -> set[str]:
    """Check that one surface content is given; return what must not be read."""
    if table.de_icing is None:
        if table.surface_chloride is None:
            need = declared(ExposureTable, "surface_chloride").need
            problems.missing(("exposure", "surface_chloride"), need)
        return set()
    if table.surface_chloride is not None:
        problems.add(
            ("exposure", "de_icing"), "is given beside surface_chloride; give exactly one of them"
        )
        return {"surface_chloride"}
    return set()
