"""The [choices] section: the ranges of the decisions that are still open."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from typing import Any

from stripwise.distributions.distribution import with_shifted_moments
from stripwise.distributions.random_input import Input
from stripwise.errors import InputError
from stripwise.scenario.input_rules import (
    AGEING_EXPONENT,
    DIFFUSIVITY_RULE,
    TEMPERATURE_COEFFICIENT,
)
from stripwise.scenario.model import Choices, ConcreteOption, FollowUp, Strategy
from stripwise.scenario.problems import KeyPath, Problems
from stripwise.scenario.random_inputs import build_input
from stripwise.scenario.schema import ChoicesPart, ConcreteOptionPart, RangePart
from stripwise.scenario.sections.curing import read_follow_up, same_degree, same_work
from stripwise.units.names import name_problem
from stripwise.units.quantities import LENGTH, TIME, Kind

__all__ = ["AS_SPECIFIED", "check_cover_sd", "cover_above_zone", "read_choices"]

AS_SPECIFIED = "as specified"
"""Name of the scenario's own concrete among the options."""

OPTION_LIMIT = 6
"""Most options of cover scatter and most concretes."""

CONCRETE_RULES = {
    "diffusivity": DIFFUSIVITY_RULE,
    "ageing_exponent": AGEING_EXPONENT,
    "temperature_coefficient": TEMPERATURE_COEFFICIENT,
}

CHOICE_LIMIT = 20
"""Most follow-ups among the choices."""

COVER_STEPS = 200
"""Most steps of cover among the choices."""


def read_choices(
    part: ChoicesPart | None,
    *,
    temperature: float,
    planned: Sequence[Strategy],
    problems: Problems,
) -> Choices | None:
    """Read the ranges of the choices.

    Parameters
    ----------
    part
        [choices]; None where the file has none.
    temperature
        Concrete temperature of the choices [degC].
    planned
        The strategies. A choice without a temperature of its own takes that of the same follow-up
        of those as warm in the forms as the choices, the coldest if they differ.
    problems
        Where to note.

    Returns
    -------
    The `Choices`, with NaN where there was a problem; None without the section.
    """
    if part is None:
        return None
    cover = _range(
        part.cover,
        ("choices", "cover"),
        kind=LENGTH,
        unit="mm",
        limits=((1.0, "1 mm"), (500.0, "500 mm")),
        problems=problems,
        example='{ low = "45 mm", high = "75 mm", step = "5 mm" }',
    )
    step = _step(part.cover, cover, problems)
    strip = _range(
        part.strip_age,
        ("choices", "strip_age"),
        kind=TIME,
        unit="hour",
        limits=((1.0, "1 h"), (1440.0, "60 d")),
        problems=problems,
        example='{ low = "10 h", high = "5 d" }',
    )
    if part.strip_age is not None and part.strip_age.step is not None:
        problems.add(
            ("choices", "strip_age", "step"),
            "is not used: strip ages are spaced in their logarithm; leave it out",
            found=part.strip_age.step,
        )
    follow_ups = _choice_follow_ups(
        part, temperature=temperature, planned=planned, problems=problems
    )
    return Choices(
        (*cover, step), strip, follow_ups, _cover_sds(part, problems), _concretes(part, problems)
    )


def cover_above_zone(choices: Choices | None, inputs: list[Input], *, problems: Problems) -> None:
    """Refuse a range of cover that begins inside the convection zone, where the model has no front.

    Parameters
    ----------
    choices
        The ranges; None without [choices].
    inputs
        Inputs of the scenario, the convection zone among them.
    problems
        Where to note.
    """
    zone = next((i for i in inputs if i.name == "exposure.convection_zone"), None)
    if choices is None or zone is None:
        return
    mean = zone.distribution.mean
    if choices.cover[0] <= mean:
        problems.add(
            ("choices", "cover", "low"),
            f"must be above the mean convection zone of {mean:.3g} mm; bars inside it are not "
            "covered by the model",
            found=f"{choices.cover[0]:g} mm",
        )


def check_cover_sd(choices: Choices | None, inputs: list[Input], *, problems: Problems) -> None:
    """Refuse options of cover scatter that the law of the cover does not allow.

    Parameters
    ----------
    choices
        The options; None without [choices].
    inputs
        Inputs of the scenario, the cover among them.
    problems
        Where to note.
    """
    cover = next((i for i in inputs if i.name == "reinforcement.cover"), None)
    if choices is None or cover is None:
        return
    law = cover.distribution
    for index, sd in enumerate(choices.cover_sd):
        where: KeyPath = ("choices", "cover_sd", index)
        if law.is_fixed:
            problems.add(where, "needs a random reinforcement.cover; give it a family and an sd")
            return
        if math.isnan(sd):
            continue
        try:
            with_shifted_moments(law, sd=sd - law.parent_sd)
        except InputError as error:
            problems.add(
                where,
                f"does not fit the {law.family} of reinforcement.cover: {error.problem}",
                found=f"{sd:g} mm",
            )


def _cover_sds(part: ChoicesPart, problems: Problems) -> tuple[float, ...]:
    path: KeyPath = ("choices", "cover_sd")
    if part.cover_sd is None or _wrong_count(part.cover_sd, path, least=2, problems=problems):
        return ()
    found: list[float] = []
    for index, raw in enumerate(part.cover_sd):
        sd = problems.quantity(
            raw,
            (*path, index),
            kind=LENGTH,
            to="mm",
            difference=True,
            low=(0.5, "0.5 mm"),
            high=(50.0, "50 mm"),
        )
        if any(abs(sd - other) < 1e-9 for other in found):
            problems.add((*path, index), "stands twice in the list", found=raw)
        found.append(sd)
    return tuple(found)


def _concretes(part: ChoicesPart, problems: Problems) -> tuple[ConcreteOption, ...]:
    path: KeyPath = ("choices", "concrete")
    if part.concrete is None or _wrong_count(part.concrete, path, least=1, problems=problems):
        return ()
    found: list[ConcreteOption] = []
    for index, entry in enumerate(part.concrete):
        option = _concrete(entry, (*path, index), problems)
        if any(option.name.casefold() == other.name.casefold() for other in found):
            problems.add((*path, index, "name"), "stands twice in the list", found=option.name)
        found.append(option)
    return tuple(found)


def _concrete(entry: ConcreteOptionPart, path: KeyPath, problems: Problems) -> ConcreteOption:
    name = entry.name or ""
    if entry.name is None:
        problems.missing((*path, "name"), "a few words for this concrete")
    elif problem := name_problem(name):
        problems.add((*path, "name"), problem, found=name)
    elif name.casefold() == AS_SPECIFIED:
        problems.add(
            (*path, "name"),
            "is the name of the scenario's own concrete, which is always an option; choose another",
            found=name,
        )
    given = {key: getattr(entry, key) for key in CONCRETE_RULES}
    if all(spec is None for spec in given.values()):
        problems.add(path, f"changes nothing; give one or more of {', '.join(CONCRETE_RULES)}")
    built = (
        build_input(
            spec, (*path, key), name=f"concrete.{key}", rule=CONCRETE_RULES[key], problems=problems
        )
        for key, spec in given.items()
        if spec is not None
    )
    return ConcreteOption(name, tuple(item for item in built if item is not None))


def _wrong_count(raw: list[Any], path: KeyPath, *, least: int, problems: Problems) -> bool:
    if least <= len(raw) <= OPTION_LIMIT:
        return False
    problems.add(path, f"has {len(raw)} entries; must have {least} to {OPTION_LIMIT}")
    return True


def _range(
    part: RangePart | None,
    path: KeyPath,
    *,
    kind: Kind,
    unit: str,
    limits: tuple[tuple[float, str], tuple[float, str]],
    problems: Problems,
    example: str,
) -> tuple[float, float]:
    if part is None:
        problems.missing(path, f"such as {example}")
        return math.nan, math.nan
    ends = []
    for key in ("low", "high"):
        raw = getattr(part, key)
        if raw is None:
            problems.missing((*path, key), f"such as {example}")
            ends.append(math.nan)
        else:
            ends.append(
                problems.quantity(
                    raw, (*path, key), kind=kind, to=unit, low=limits[0], high=limits[1]
                )
            )
    low, high = ends
    if low >= high:
        problems.add((*path, "low"), f'must be below high = "{part.high}"', found=part.low)
    return low, high


def _step(part: RangePart | None, cover: tuple[float, float], problems: Problems) -> float:
    if part is None:
        return math.nan
    where = ("choices", "cover", "step")
    if part.step is None:
        problems.missing(where, 'such as "5 mm"')
        return math.nan
    step = problems.quantity(part.step, where, kind=LENGTH, to="mm")
    width = cover[1] - cover[0]
    if math.isnan(step) or not width > 0:
        return step
    if not width / COVER_STEPS <= step <= width * (1 + 1e-9):
        problems.add(
            where,
            f"must be at most the width of the range and at least 1/{COVER_STEPS} of it",
            found=part.step,
        )
    return step


def _choice_follow_ups(
    part: ChoicesPart, *, temperature: float, planned: Sequence[Strategy], problems: Problems
) -> tuple[FollowUp, ...]:
    path: KeyPath = ("choices", "follow_up")
    if not part.follow_up:
        problems.missing(path, 'a list with at least one follow-up, such as { method = "none" }')
        return ()
    if len(part.follow_up) > CHOICE_LIMIT:
        problems.add(path, f"has {len(part.follow_up)} entries; at most {CHOICE_LIMIT} are allowed")
        return ()
    items: list[FollowUp] = []
    for index, entry in enumerate(part.follow_up):
        item = read_follow_up(entry, (*path, index), temperature=temperature, problems=problems)
        if any(item.label == other.label for other in items):
            problems.add((*path, index), f"{item.label} stands twice in the list")
        if entry.temperature is None:
            same = [
                other.follow_up.temperature
                for other in planned
                if same_work(other.follow_up, item) and same_degree(other.temperature, temperature)
            ]
            item = dataclasses.replace(item, temperature=min(same, default=item.temperature))
        items.append(item)
    return tuple(items)
