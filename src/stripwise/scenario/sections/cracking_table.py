"""The [cracking] section: from depassivation to the first crack."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import Annotated

from stripwise.distributions.distribution import distribution, fixed
from stripwise.distributions.random_input import Input
from stripwise.published import published_value
from stripwise.scenario.engine import declared, inputs_of, read_keys
from stripwise.scenario.fields import (
    ABOVE_0,
    MM,
    PLAIN,
    Bounds,
    Choice,
    Flag,
    Measure,
    Random,
    Text,
)
from stripwise.scenario.problems import Problems
from stripwise.scenario.shapes import Logical, RandomInput, String, Table
from stripwise.units.quantities import Kind

__all__ = ["Cracking", "CrackingTable", "read_cracking"]

STRESSES = {"MPa": "MPa", "N/mm^2": "MPa", "N/mm2": "MPa", "psi": "psi", "ksi": "ksi"}
STRESS = Measure(Kind("a strength", MappingProxyType(STRESSES), "2.5 MPa"), "MPa")
RATES = {
    "um/yr": "um / year",
    "\u00b5m/yr": "um / year",
    "mm/yr": "mm / year",
    "mil/yr": "0.001 * inch / year",
}
RATE = Measure(
    Kind("a corrosion rate", MappingProxyType(RATES), "30 um/yr"), "um/yr", RATES["um/yr"]
)
PATH = ("cracking",)
PAIR = ("corrosion_rate", "wet_share")
"""Keys that a published rate gives."""


class CrackingTable(Table):
    """[cracking]."""

    bar_diameter: Annotated[
        RandomInput | None,
        Random(
            "Diameter of the outermost bars.",
            "bar diameter",
            MM,
            "steel",
            usual=(5.0, 60.0),
            usual_cov=(0.001, 0.5),
            usual_bounds=(0.0, 100.0),
            bounds=ABOVE_0,
            needed="a value such as {}, or a distribution",
            example='"50 mm"',
        ),
    ] = None
    tensile_strength: Annotated[
        RandomInput | None,
        Random(
            "Splitting tensile strength of the concrete.",
            "tensile strength of the concrete",
            STRESS,
            "concrete",
            usual=(0.5, 8.0),
            usual_words="0.5 to 8 MPa",
            usual_cov=(0.01, 0.6),
            usual_bounds=(0.0, 15.0),
            bounds=ABOVE_0,
            needed="a value such as {}, or a distribution",
            example='"2.5 MPa"',
        ),
    ] = None
    corrosion_rate: Annotated[
        RandomInput | None,
        Random(
            "Corrosion rate while the concrete is wet.",
            "corrosion rate while wet",
            RATE,
            "steel",
            usual=(0.1, 500.0),
            usual_words="0.1 to 500 um/yr",
            usual_cov=(0.01, 3.0),
            usual_bounds=(0.0, 5000.0),
            bounds=ABOVE_0,
            missing="a value such as {}, or a distribution; or give published_rate",
            example='"30 um/yr"',
        ),
    ] = None
    wet_share: Annotated[
        RandomInput | None,
        Random(
            "Share of the time that the concrete at the bars is wet.",
            "share of time wet",
            PLAIN,
            "exposure",
            usual=(0.0, 1.0),
            usual_sd=(0.002, 0.5),
            usual_bounds=(0.0, 1.0),
            bounds=Bounds(0.0, 1.0, open_low=True),
            missing="a value such as {}, or a distribution; or give published_rate",
            example="0.75",
        ),
    ] = None
    published_rate: Annotated[
        String | None,
        Choice(
            "Exposure whose published rate and time of wetness are taken.",
            ("rarely dry", "cyclic", "airborne", "tidal"),
        ),
    ] = None
    steel: Annotated[String | None, Text("Label of the steel, such as a grade.", shown=True)] = None
    coated: Annotated[Logical | None, Flag("Whether the bars are coated; no credit is taken.")] = (
        None
    )


@dataclass(frozen=True, slots=True)
class Cracking:
    """What follows depassivation, as far as the first crack.

    `steel` is a label, such as a grade with its standard. `coated` says that the bars are coated,
    of which no credit is taken. The numbers are inputs named ``cracking.*``.
    """

    steel: str
    coated: bool


def read_cracking(table: CrackingTable, problems: Problems) -> tuple[Cracking, list[Input]]:
    """Read [cracking] and its inputs, as far as they could be read."""
    defaults = _published(table, problems)
    found = read_keys(table, PATH, problems, skip=("published_rate",))
    for key in PAIR:
        if getattr(table, key) is None:
            found[key] = defaults.get(key)
            if key not in defaults:
                problems.missing((*PATH, key), declared(CrackingTable, key).need)
    return Cracking(table.steel or "", bool(found["coated"])), inputs_of(found)


def _published(table: CrackingTable, problems: Problems) -> dict[str, Input]:
    """Return rate and share of time wet of a published exposure; nothing after a problem."""
    if table.published_rate is None:
        return {}
    path, before = (*PATH, "published_rate"), len(problems)
    read_keys(table, PATH, problems, only=("published_rate",))
    if table.corrosion_rate is not None:
        problems.add(path, "is given beside corrosion_rate; give one of them")
    if len(problems) > before:
        for key in PAIR:
            problems.excuse((*PATH, key))
        return {}
    entry = published_value(f"duracrete.corrosion_rate.{table.published_rate.replace(' ', '_')}")
    # the source gives moments; a lognormal keeps the rate above zero
    rate = distribution("lognormal", mean=entry.numbers["mean"], sd=entry.numbers["sd"])
    laws = {"corrosion_rate": rate, "wet_share": fixed(entry.numbers["wet_share"])}
    chosen = {"corrosion_rate": "; lognormal is this project's choice"}
    found = {}
    for key, law in laws.items():
        rule, source = declared(CrackingTable, key), entry.citation + chosen.get(key, "")
        name = ".".join((*PATH, key))
        found[key] = Input(name, rule.label, law, rule.unit, rule.group, rule.kind, source)
    return found
