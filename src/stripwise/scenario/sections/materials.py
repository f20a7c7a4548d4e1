"""The [exposure], [concrete] and [reinforcement] sections."""

from __future__ import annotations

import dataclasses
import math

from stripwise.distributions.distribution import distribution, fixed
from stripwise.distributions.random_input import Input
from stripwise.published import published_value
from stripwise.scenario.input_rules import (
    AGEING_EXPONENT,
    CONVECTION_ZONE,
    COVER,
    CRITICAL_CHLORIDE,
    DIFFUSIVITY_RULE,
    EXPOSURE_TEMPERATURE,
    INITIAL_CHLORIDE,
    MEAN_COVER,
    SURFACE_CHLORIDE,
    TEMPERATURE_COEFFICIENT,
    Rule,
)
from stripwise.scenario.problems import KeyPath, Problems
from stripwise.scenario.random_inputs import build_input
from stripwise.scenario.schema import (
    ConcretePart,
    ExposurePart,
    RandomInput,
    ReinforcementPart,
    ScenarioFile,
)
from stripwise.scenario.sections.chloride_basis import Contents
from stripwise.scenario.sections.curing import cited
from stripwise.scenario.sections.de_icing import de_icing_input
from stripwise.scenario.sections.target import HORIZON_LIMIT
from stripwise.units.quantities import LENGTH, NUMBER, TEMPERATURE, TIME, parse

__all__ = [
    "Concrete",
    "cover_bias",
    "mean_doubt_alone",
    "read_concrete",
    "read_exposure",
    "read_reinforcement",
    "specimens_warning",
]

CONVENTIONS = ("apparent", "instantaneous")
IN_WATER = "water to 28 d"
SPECIMENS = (IN_WATER, "cured as the face")
MONTHS = 12
NONE = "default: none"


@dataclasses.dataclass(frozen=True, slots=True)
class Concrete:
    """The plain numbers of [concrete]; ages in d, `ageing_ends` in yr."""

    diffusivity_age_d: float
    exposure_age_d: float
    ageing_ends: float
    test_factor: float
    ageing_convention: str


def read_exposure(
    part: ExposurePart,
    contents: Contents,
    *,
    problems: Problems,
    series: tuple[float, ...] = (),
) -> tuple[tuple[float, ...], list[Input]]:
    """Read [exposure].

    Parameters
    ----------
    part
        The section.
    contents
        How chloride contents are converted.
    problems
        Where to note.
    series
        Monthly temperatures [degC] of a series beside the scenario; empty where there is none.

    Returns
    -------
    The monthly temperatures [degC], empty where a temperature is given, and the inputs.
    """
    monthly = _monthly(part, problems) or series
    temperature = None
    where = ("exposure", "temperature")
    if part.temperature_series is not None and part.monthly_temperature is not None:
        problems.add(
            ("exposure", "temperature_series"),
            "is given beside monthly_temperature; give exactly one of them",
        )
    if part.temperature is not None and part.monthly_temperature is not None:
        problems.add(where, "is given beside monthly_temperature; give exactly one of them")
    elif part.temperature is not None and part.temperature_series is not None:
        problems.add(where, "is given beside temperature_series; give exactly one of them")
    elif part.temperature is not None:
        temperature = build_input(
            part.temperature,
            where,
            name="exposure.temperature",
            rule=EXPOSURE_TEMPERATURE,
            problems=problems,
        )
    elif part.monthly_temperature is None and part.temperature_series is None:
        problems.missing(where, 'such as "9 degC"; or give monthly_temperature with 12 values')
    surface = _surface(part, contents, problems)
    initial = Input(
        "exposure.initial_chloride",
        INITIAL_CHLORIDE.label,
        fixed(0.0),
        "%",
        "exposure",
        source=NONE,
    )
    zone: Input | None = Input(
        "exposure.convection_zone",
        CONVECTION_ZONE.label,
        fixed(0.0),
        "mm",
        "exposure",
        source=NONE,
    )
    first: Input | None = initial
    if part.initial_chloride is not None:
        first = _chloride(part.initial_chloride, initial.name, contents, problems)
    if part.convection_zone is not None:
        zone = _plain(part.convection_zone, "exposure.convection_zone", CONVECTION_ZONE, problems)
    return monthly, [item for item in (temperature, surface, first, zone) if item is not None]


def _surface(part: ExposurePart, contents: Contents, problems: Problems) -> Input | None:
    if part.de_icing is None:
        return _chloride(part.surface_chloride, "exposure.surface_chloride", contents, problems)
    if part.surface_chloride is not None:
        problems.add(
            ("exposure", "de_icing"), "is given beside surface_chloride; give exactly one of them"
        )
        return None
    return de_icing_input(part.de_icing, contents, problems)


def _monthly(part: ExposurePart, problems: Problems) -> tuple[float, ...]:
    if part.monthly_temperature is None:
        return ()
    path: KeyPath = ("exposure", "monthly_temperature")
    if len(part.monthly_temperature) != MONTHS:
        problems.add(
            path, f"has {len(part.monthly_temperature)} values; must have 12, from January on"
        )
        return ()
    return tuple(
        problems.quantity(
            raw,
            (*path, month),
            kind=TEMPERATURE,
            to="degC",
            low=(-40.0, "-40 degC"),
            high=(50.0, "50 degC"),
        )
        for month, raw in enumerate(part.monthly_temperature)
    )


_CHLORIDES = {
    "exposure.surface_chloride": SURFACE_CHLORIDE,
    "exposure.initial_chloride": INITIAL_CHLORIDE,
    "reinforcement.critical_chloride": CRITICAL_CHLORIDE,
}


def _chloride(
    spec: RandomInput | None, name: str, contents: Contents, problems: Problems
) -> Input | None:
    path = tuple(name.split("."))
    if spec is None:
        problems.missing(path, "a number in % of the chloride basis, or a distribution")
        return None
    converter = contents.converter(spec, path, problems)
    if converter is None:
        return None
    return build_input(
        spec, path, name=name, rule=_CHLORIDES[name], problems=problems, converter=converter
    )


def _plain(
    spec: RandomInput | None,
    name: str,
    rule: Rule,
    problems: Problems,
    *,
    allow_knowledge: bool = True,
) -> Input | None:
    path = tuple(name.split("."))
    if spec is None:
        example = f'"{rule.quantity.example}"' if not rule.quantity.dimensionless else "0.3"
        problems.missing(path, f"a value such as {example}, or a distribution")
        return None
    for key in ("basis", "nominal", "bias"):
        there = getattr(spec, key)
        if there is not None and (key == "basis" or rule is not COVER):
            problems.add((*path, key), f"does not belong to {name}; leave it out", found=there)
    return build_input(
        spec, path, name=name, rule=rule, problems=problems, allow_knowledge=allow_knowledge
    )


def read_concrete(part: ConcretePart, problems: Problems) -> tuple[Concrete, list[Input]]:
    """Read [concrete].

    Parameters
    ----------
    part
        The section.
    problems
        Where to note.

    Returns
    -------
    Its plain numbers, NaN where there was a problem, and its inputs.
    """

    def age(key: str, raw: object, high: tuple[float, str], unit: str = "day") -> float:
        path = ("concrete", key)
        low = (1.0, "1 d" if unit == "day" else "1 yr")
        return problems.quantity(raw, path, kind=TIME, to=unit, low=low, high=high)

    numbers = Concrete(
        diffusivity_age_d=age("diffusivity_age", part.diffusivity_age, (3653.0, "10 yr")),
        exposure_age_d=age("exposure_age", part.exposure_age, (3653.0, "10 yr")),
        ageing_ends=math.inf
        if part.ageing_ends is None
        else age("ageing_ends", part.ageing_ends, (HORIZON_LIMIT, f"{HORIZON_LIMIT:g} yr"), "year"),
        test_factor=problems.quantity(
            part.test_factor,
            ("concrete", "test_factor"),
            kind=NUMBER,
            to="",
            low=(0.1, "0.1"),
            high=(10.0, "10"),
        ),
        ageing_convention=problems.choice(
            part.ageing_convention, ("concrete", "ageing_convention"), allowed=CONVENTIONS
        ),
    )
    if part.specimens is not None:
        problems.choice(part.specimens, ("concrete", "specimens"), allowed=SPECIMENS)
    diffusivity = _plain(part.diffusivity, "concrete.diffusivity", DIFFUSIVITY_RULE, problems)
    if diffusivity is not None:
        label = f"diffusivity at {numbers.diffusivity_age_d:g} d"
        diffusivity = dataclasses.replace(diffusivity, label=label)
    ageing = _plain(part.ageing_exponent, "concrete.ageing_exponent", AGEING_EXPONENT, problems)
    coefficient = _coefficient(part, problems)
    return numbers, [item for item in (diffusivity, ageing, coefficient) if item is not None]


def _coefficient(part: ConcretePart, problems: Problems) -> Input | None:
    name = "concrete.temperature_coefficient"
    if part.temperature_coefficient is not None:
        return _plain(part.temperature_coefficient, name, TEMPERATURE_COEFFICIENT, problems)
    entry = published_value("fib34.chloride.temperature_coefficient")
    law = distribution(entry.family, **entry.numbers)
    return Input(name, TEMPERATURE_COEFFICIENT.label, law, "K", "concrete", source=cited(entry))


def read_reinforcement(
    part: ReinforcementPart, contents: Contents | None, *, problems: Problems
) -> list[Input]:
    """Read [reinforcement].

    Parameters
    ----------
    part
        The section.
    contents
        How chloride contents are converted; None where no chloride is looked at.
    problems
        Where to note.

    Returns
    -------
    Cover and critical chloride, as far as they could be read.
    """
    cover = _plain(part.cover, "reinforcement.cover", COVER, problems, allow_knowledge=False)
    critical = None
    if contents is not None:
        critical = _chloride(
            part.critical_chloride, "reinforcement.critical_chloride", contents, problems
        )
    doubt = _mean_doubt(part.cover, problems)
    return [item for item in (cover, critical, doubt) if item is not None]


def _mean_doubt(spec: RandomInput | None, problems: Problems) -> Input | None:
    """Return what is not known about the mean cover, a normal about 0; None where nothing is."""
    if spec is None or spec.mean_doubt is None:
        return None
    path = ("reinforcement", "cover", "mean_doubt")
    sd = problems.quantity(
        spec.mean_doubt,
        path,
        kind=LENGTH,
        to="mm",
        difference=True,
        low=(0.1, "0.1 mm"),
        high=(50.0, "50 mm"),
    )
    if math.isnan(sd):
        return None
    law = distribution("normal", mean=0.0, sd=sd)
    return Input(
        ".".join(path), MEAN_COVER.label, law, "mm", "cover", "knowledge", spec.source or ""
    )


def mean_doubt_alone(file: ScenarioFile, problems: Problems) -> None:
    """Refuse a doubt about the mean cover beside options that need the cover itself.

    Parameters
    ----------
    file
        The file in its shape.
    problems
        Where to note.
    """
    cover = file.reinforcement.cover
    if cover is None or cover.mean_doubt is None:
        return
    for name, there in (("carbonation", file.carbonation), ("cracking", file.cracking)):
        if there is not None:
            problems.add(
                ("reinforcement", "cover", "mean_doubt"),
                f"is not carried into {name} yet; leave out one of them",
                found=cover.mean_doubt,
            )


def specimens_warning(specimens: str | None, concrete: Concrete, *, reference_d: float) -> str:
    """Return a sentence where the reference curing may not be that of the test specimens.

    Parameters
    ----------
    specimens
        How the specimens were cured, as the file says; None if it does not.
    concrete
        Plain numbers of [concrete].
    reference_d
        Reference curing of the penalty factor [d].

    Returns
    -------
    The sentence, or "".
    """
    if concrete.diffusivity_age_d < 28.0:
        return ""
    if specimens == IN_WATER and reference_d < 28.0:
        return (
            f"curing.reference is {reference_d:g} d, but the diffusivity was measured on specimens "
            "kept in water to 28 d: the penalty factor is 1 for concrete cured like the specimens, "
            'so that reference = "28 d" belongs to it. As written, every penalty is too small.'
        )
    if specimens is None and concrete.diffusivity_age_d == 28.0:
        return (
            f"curing.reference ({reference_d:g} d) must be the curing of the specimens that the "
            "diffusivity was measured on; concrete.specimens does not say how they were cured."
        )
    return ""


def cover_bias(part: ReinforcementPart) -> float:
    """Return the mean cover less the nominal cover [mm], of a section without problems."""
    bias = None if part.cover is None else part.cover.bias
    return 0.0 if bias is None else parse(bias, LENGTH, to="mm", difference=True)
