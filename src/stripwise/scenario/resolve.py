"""From the shape of a file to a scenario in internal units."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

from scipy import special

from stripwise.inputs.distributions import distribution, fixed
from stripwise.inputs.variables import Input
from stripwise.published import value
from stripwise.scenario.chlorides import Contents, basis_warnings, read_contents
from stripwise.scenario.correlations import read_correlations
from stripwise.scenario.curing_inputs import cited, read_curing, retention_inputs
from stripwise.scenario.model import Sampling, Scenario, Target
from stripwise.scenario.names import name_problem
from stripwise.scenario.problems import KeyPath, Problems
from stripwise.scenario.quantities import NUMBER, TEMPERATURE, TIME
from stripwise.scenario.random_inputs import build_input, truncation_warning
from stripwise.scenario.rules import (
    AGEING_EXPONENT,
    CONVECTION_ZONE,
    COVER,
    CRITICAL_CHLORIDE,
    DIFFUSIVITY_RULE,
    EXPOSURE_TEMPERATURE,
    INITIAL_CHLORIDE,
    SURFACE_CHLORIDE,
    TEMPERATURE_COEFFICIENT,
    Rule,
)
from stripwise.scenario.schema import (
    ConcretePart,
    ExposurePart,
    RandomInput,
    ReinforcementPart,
    SamplingPart,
    ScenarioFile,
    TargetPart,
)
from stripwise.scenario.strategies import read_choices, read_reference, read_strategies

__all__ = ["resolve"]

CONVENTIONS = ("apparent", "instantaneous")
IN_WATER = "water to 28 d"
SPECIMENS = (IN_WATER, "cured as the face")
UNITS = ("SI", "US")

POINTS = (2**6, 2**22)
REPEATS = (8, 64)
HORIZON = 500.0
USUAL_HORIZON = 120.0
MONTHS = 12
NONE = "default: none"


def resolve(file: ScenarioFile, *, path: Path, digest: str, problems: Problems) -> Scenario:
    """Convert every value, check it, and build the scenario.

    Parameters
    ----------
    file
        The file in its shape.
    path
        Where it was read from.
    digest
        SHA-256 of its bytes.
    problems
        What was wrong with the shape; more is noted here.

    Returns
    -------
    The `Scenario`.

    Raises
    ------
    ScenarioError
        With every problem of the file.
    """
    sampling, target = _sampling_and_target(file, problems)
    contents = read_contents(file.exposure, problems)
    monthly, inputs = _exposure(file.exposure, contents, problems)
    concrete, concrete_inputs = _concrete(file.concrete, problems)
    curing, curing_inputs = read_curing(file.curing, problems)
    strategies = read_strategies(file.strategy, temperature=curing.temperature, problems=problems)
    choices = read_choices(file.choices, temperature=curing.temperature, problems=problems)
    follow_ups = [strategy.follow_up for strategy in strategies.strategies]
    follow_ups += choices.follow_up if choices else ()
    inputs += concrete_inputs + _reinforcement(file.reinforcement, contents, problems)
    inputs += curing_inputs + retention_inputs(file.curing, follow_ups, problems)
    inputs += strategies.inputs
    title = _title(file.title, problems)
    exposure_class = _label(file.exposure.label, ("exposure", "class"), problems)
    units = problems.choice(file.report.units, ("report", "units"), allowed=UNITS)
    reference = read_reference(file.reference_strategy, strategies.strategies, problems)
    correlations = read_correlations(
        file.correlation, inputs, shared=strategies.shared, problems=problems
    )
    problems.raise_all()
    warnings = [truncation_warning(item) for item in inputs]
    warnings += basis_warnings(inputs, contents.basis)
    warnings.append(_specimens_warning(file.concrete.specimens, concrete, curing.reference_d))
    return Scenario(
        path=path,
        digest=digest,
        title=title,
        exposure_class=exposure_class,
        target=target,
        reference_strategy=reference,
        strategies=strategies.strategies,
        inputs=tuple(inputs),
        correlations=correlations,
        curing=curing,
        choices=choices,
        sampling=sampling,
        monthly_temperature=monthly,
        diffusivity_age_d=concrete.diffusivity_age_d,
        test_factor=concrete.test_factor,
        ageing_convention=concrete.ageing_convention,
        exposure_age_d=concrete.exposure_age_d,
        ageing_ends=concrete.ageing_ends,
        chloride_basis=contents.basis,
        units=units,
        warnings=tuple(warning for warning in warnings if warning),
    )


@dataclasses.dataclass(frozen=True, slots=True)
class _Concrete:
    """The plain numbers of [concrete]; ages in d, `ageing_ends` in yr."""

    diffusivity_age_d: float
    exposure_age_d: float
    ageing_ends: float
    test_factor: float
    ageing_convention: str


def _title(raw: str | None, problems: Problems) -> str:
    if raw is None:
        problems.missing(("title",), "one line that names the wall and the question")
        return ""
    return _label(raw, ("title",), problems, blank=False)


def _label(raw: str, path: KeyPath, problems: Problems, *, blank: bool = True) -> str:
    if blank and not raw:
        return raw
    if problem := name_problem(raw):
        problems.add(path, problem, found=raw)
    return raw


def _sampling_and_target(file: ScenarioFile, problems: Problems) -> tuple[Sampling, Target]:
    life = _service_life(file.target, problems)
    probability, index = _limit(file.target, problems)
    sampling = _sampling(file.sampling, life, problems)
    if life > sampling.horizon:
        problems.add(
            ("target", "service_life"),
            f"must not be beyond sampling.horizon = {sampling.horizon:g} yr; raise the horizon",
            found=file.target.service_life if file.target else None,
        )
    return sampling, Target(life, probability, index)


def _service_life(part: TargetPart | None, problems: Problems) -> float:
    path = ("target", "service_life")
    if part is None:
        problems.missing(("target",), "write [target] with service_life and probability")
        return math.nan
    if part.service_life is None:
        problems.missing(path, 'such as "75 yr"')
        return math.nan
    return problems.quantity(
        part.service_life,
        path,
        kind=TIME,
        to="year",
        low=(1.0, "1 yr"),
        high=(HORIZON, f"{HORIZON:g} yr"),
    )


def _limit(part: TargetPart | None, problems: Problems) -> tuple[float, float]:
    """Return probability and reliability index of the target."""
    if part is None:
        return math.nan, math.nan
    if part.probability is not None and part.reliability_index is not None:
        problems.add(
            ("target", "reliability_index"),
            "is given beside probability; give exactly one of them",
            found=part.reliability_index,
        )
        return math.nan, math.nan
    if part.probability is not None:
        path = ("target", "probability")
        value = problems.quantity(part.probability, path, kind=NUMBER, to="")
        if value <= 0 or value >= 1:
            problems.add(path, "must be above 0 and below 1", found=part.probability)
        return value, -float(special.ndtri(value))
    if part.reliability_index is not None:
        path = ("target", "reliability_index")
        index = problems.quantity(
            part.reliability_index, path, kind=NUMBER, to="", low=(-3.0, "-3"), high=(8.0, "8")
        )
        return float(special.ndtr(-index)), index
    problems.missing(("target", "probability"), "or give reliability_index")
    return math.nan, math.nan


def _sampling(part: SamplingPart, life: float, problems: Problems) -> Sampling:
    low, high = POINTS
    if not low <= part.points <= high or part.points & (part.points - 1):
        problems.add(
            ("sampling", "points"),
            f"must be a power of two between {low} and {high}, such as 16384",
            found=part.points,
        )
    if not REPEATS[0] <= part.repeats <= REPEATS[1]:
        problems.add(
            ("sampling", "repeats"),
            f"must be between {REPEATS[0]} and {REPEATS[1]}",
            found=part.repeats,
        )
    if not 0 <= part.seed < 2**63:
        problems.add(("sampling", "seed"), "must be at least 0 and below 2^63", found=part.seed)
    horizon = USUAL_HORIZON if math.isnan(life) else max(USUAL_HORIZON, life)
    if part.horizon is not None:
        horizon = problems.quantity(
            part.horizon,
            ("sampling", "horizon"),
            kind=TIME,
            to="year",
            low=(1.0, "1 yr"),
            high=(HORIZON, f"{HORIZON:g} yr"),
        )
    return Sampling(part.points, part.repeats, part.seed, horizon)


def _exposure(
    part: ExposurePart, contents: Contents, problems: Problems
) -> tuple[tuple[float, ...], list[Input]]:
    """Return the monthly temperatures and the inputs of [exposure]."""
    monthly = _monthly(part, problems)
    temperature = None
    where = ("exposure", "temperature")
    if part.temperature is not None and part.monthly_temperature is not None:
        problems.add(where, "is given beside monthly_temperature; give exactly one of them")
    elif part.temperature is not None:
        temperature = build_input(
            part.temperature,
            where,
            name="exposure.temperature",
            rule=EXPOSURE_TEMPERATURE,
            problems=problems,
        )
    elif part.monthly_temperature is None:
        problems.missing(where, 'such as "9 degC"; or give monthly_temperature with 12 values')
    surface = _chloride(part.surface_chloride, "exposure.surface_chloride", contents, problems)
    initial = Input(
        "exposure.initial_chloride", INITIAL_CHLORIDE.label, fixed(0.0), "%", "exposure",
        source=NONE,
    )  # fmt: skip
    zone: Input | None = Input(
        "exposure.convection_zone", CONVECTION_ZONE.label, fixed(0.0), "mm", "exposure",
        source=NONE,
    )  # fmt: skip
    first: Input | None = initial
    if part.initial_chloride is not None:
        first = _chloride(part.initial_chloride, initial.name, contents, problems)
    if part.convection_zone is not None:
        zone = _plain(part.convection_zone, "exposure.convection_zone", CONVECTION_ZONE, problems)
    return monthly, [item for item in (temperature, surface, first, zone) if item is not None]


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
        example = f'"{rule.quantity.example}"' if not rule.quantity.plain else "0.3"
        problems.missing(path, f"a value such as {example}, or a distribution")
        return None
    for key, there in (("basis", spec.basis), ("nominal", spec.nominal), ("bias", spec.bias)):
        if there is not None and (key == "basis" or rule is not COVER):
            problems.add((*path, key), f"does not belong to {name}; leave it out", found=there)
    return build_input(
        spec, path, name=name, rule=rule, problems=problems, allow_knowledge=allow_knowledge
    )


def _concrete(part: ConcretePart, problems: Problems) -> tuple[_Concrete, list[Input]]:
    def age(key: str, raw: object, high: tuple[float, str], unit: str = "day") -> float:
        path = ("concrete", key)
        low = (1.0, "1 d" if unit == "day" else "1 yr")
        return problems.quantity(raw, path, kind=TIME, to=unit, low=low, high=high)

    numbers = _Concrete(
        diffusivity_age_d=age("diffusivity_age", part.diffusivity_age, (3653.0, "10 yr")),
        exposure_age_d=age("exposure_age", part.exposure_age, (3653.0, "10 yr")),
        ageing_ends=math.inf
        if part.ageing_ends is None
        else age("ageing_ends", part.ageing_ends, (HORIZON, f"{HORIZON:g} yr"), "year"),
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
    entry = value("fib34.chloride.temperature_coefficient")
    law = distribution(entry.family, **entry.numbers)
    return Input(name, TEMPERATURE_COEFFICIENT.label, law, "K", "concrete", source=cited(entry))


def _reinforcement(part: ReinforcementPart, contents: Contents, problems: Problems) -> list[Input]:
    cover = _plain(part.cover, "reinforcement.cover", COVER, problems, allow_knowledge=False)
    critical = _chloride(
        part.critical_chloride, "reinforcement.critical_chloride", contents, problems
    )
    return [item for item in (cover, critical) if item is not None]


def _specimens_warning(specimens: str | None, concrete: _Concrete, reference_d: float) -> str:
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
