"""The [choices] section: the ranges of the decisions that are still open."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from typing import Annotated, Any

from stripwise.distributions.distribution import Distribution, with_shifted_moments
from stripwise.distributions.random_input import Input
from stripwise.errors import InputError
from stripwise.scenario.as_written import written_mean
from stripwise.scenario.engine import declared, inputs_of, read_keys
from stripwise.scenario.fields import HOURS, MM, Key, Quantity, Text
from stripwise.scenario.problems import KeyPath, Problems
from stripwise.scenario.sections.concrete import (
    AGEING_EXPONENT,
    CONCRETE_DIFFUSIVITY,
    TEMPERATURE_COEFFICIENT,
)
from stripwise.scenario.sections.follow_up_table import (
    FollowUp,
    FollowUpTable,
    read_follow_up,
    same_degree,
    same_work,
)
from stripwise.scenario.sections.strategies import Strategy
from stripwise.scenario.shapes import Constant, InputTable, RandomInput, Scalar, String, Table

__all__ = [
    "AS_SPECIFIED",
    "Choices",
    "ChoicesTable",
    "ConcreteOption",
    "check_choices",
    "read_choices",
]

AS_SPECIFIED = "as specified"
"""Name of the scenario's own concrete among the options."""

OPTION_LIMIT = 6
"""Most options of cover scatter and most concretes."""

CHOICE_LIMIT = 20
"""Most follow-ups among the choices."""

COVER_STEPS = 200
"""Most steps of cover among the choices."""

COVER_EXAMPLE = '{ low = "45 mm", high = "75 mm", step = "5 mm" }'
STRIP_EXAMPLE = '{ low = "10 h", high = "5 d" }'

COVER_END = Quantity(
    "Lowest cover on the table.",
    MM,
    "1 mm to 500 mm",
    usual="5 mm to 200 mm",
    needed=f"such as {COVER_EXAMPLE}",
    example='"45 mm"',
)
STRIP_END = Quantity(
    "Earliest strip age on the table.",
    HOURS,
    "1 h to 60 d",
    usual="4 h to 28 d",
    needed=f"such as {STRIP_EXAMPLE}",
    example='"10 h"',
)


class CoverRange(Table):
    """Range of the cover."""

    low: Annotated[Constant | None, COVER_END] = None
    high: Annotated[
        Constant | None, dataclasses.replace(COVER_END, meaning="Largest cover on the table.")
    ] = None
    step: Annotated[
        Constant | None,
        Quantity(
            "Step of the cover.", MM, usual="0.5 mm to 50 mm", needed="such as {}", example='"5 mm"'
        ),
    ] = None


class StripAgeRange(Table):
    """Range of the strip age; its `step` is refused in words."""

    low: Annotated[Constant | None, STRIP_END] = None
    high: Annotated[
        Constant | None, dataclasses.replace(STRIP_END, meaning="Latest strip age on the table.")
    ] = None
    step: Scalar | None = None


class ConcreteOptionTable(Table):
    """Another concrete on the table."""

    name: Annotated[
        String | None,
        Text(
            "Name of the concrete.",
            shown=True,
            blank=False,
            needed="a few words for this concrete",
            example='"other mix"',
        ),
    ] = None
    diffusivity: Annotated[RandomInput | None, CONCRETE_DIFFUSIVITY] = None
    ageing_exponent: Annotated[RandomInput | None, AGEING_EXPONENT] = None
    temperature_coefficient: Annotated[
        RandomInput | None, dataclasses.replace(TEMPERATURE_COEFFICIENT, default=None)
    ] = None


class ChoicesTable(Table):
    """[choices]."""

    cover: Annotated[
        CoverRange | None, Key("Range of the cover.", needed="such as {}", example=COVER_EXAMPLE)
    ] = None
    strip_age: Annotated[
        StripAgeRange | None,
        Key("Range of the strip age.", needed="such as {}", example=STRIP_EXAMPLE),
    ] = None
    follow_up: Annotated[
        list[FollowUpTable] | None,
        Key(
            "Kinds of curing after stripping.",
            needed="a list with at least one way of curing after stripping, such as {}",
            example='{ method = "none" }',
        ),
    ] = None
    cover_sd: Annotated[
        list[Constant] | None,
        Quantity(
            "Scatter of the cover that execution may reach, two or more; for `rank`.",
            MM,
            "0.5 mm to 50 mm",
            usual="1.5 mm to 40 mm",
            difference=True,
            example='["6 mm", "8 mm"]',
        ),
    ] = None
    least_cover: Annotated[
        Scalar | None,
        Quantity(
            "Least nominal cover that a code or a contract asks for; no recommendation goes below it.",
            MM,
            "1 mm to 500 mm",
            example='"50 mm"',
        ),
    ] = None
    concrete: list[ConcreteOptionTable] | None = None


@dataclasses.dataclass(frozen=True, slots=True)
class ConcreteOption:
    """Another concrete on the table: its `name`, and the `inputs` that it puts in place."""

    name: str
    inputs: tuple[Input, ...]


@dataclasses.dataclass(frozen=True, slots=True)
class Choices:
    """Ranges of the decisions on the table; None where the scenario does not open one.

    `cover` (low, high, step) in mm of nominal cover; `strip_age` (low, high) in h; `cover_sd` in mm,
    empty where the execution is no choice; `concretes` besides that of the scenario; `least_cover`
    in mm, 0 where none is typed.
    """

    cover: tuple[float, float, float]
    strip_age: tuple[float, float]
    follow_up: tuple[FollowUp, ...]
    cover_sd: tuple[float, ...] = ()
    concretes: tuple[ConcreteOption, ...] = ()
    least_cover: float = 0.0


def read_choices(
    table: ChoicesTable | None,
    *,
    temperature: float,
    planned: Sequence[Strategy],
    problems: Problems,
) -> Choices | None:
    """Read the ranges, NaN where there was a problem; None without the section.

    Parameters
    ----------
    table, problems
        [choices], and where to note.
    temperature
        Concrete temperature of the choices [degC].
    planned
        The strategies. A choice without a temperature of its own takes that of the same follow-up
        of those as warm in the forms as the choices, the coldest if they differ.
    """
    if table is None:
        return None
    path: KeyPath = ("choices",)
    least: float | None = read_keys(table, path, problems, skip=("cover_sd",))["least_cover"]
    cover = _range(table.cover, (*path, "cover"), problems)
    step = _step(table.cover, cover, problems)
    strip_age = _range(table.strip_age, (*path, "strip_age"), problems)
    if table.strip_age is not None and table.strip_age.step is not None:
        problems.add(
            (*path, "strip_age", "step"),
            "is not used: strip ages are spaced in their logarithm; leave it out",
            found=table.strip_age.step,
        )
    follow_ups = _follow_ups(table, temperature=temperature, planned=planned, problems=problems)
    return Choices(
        (*cover, step),
        strip_age,
        follow_ups,
        _cover_sds(table, problems),
        _concretes(table, problems),
        0.0 if least is None else _least_cover(table, least, cover, problems),
    )


def _least_cover(
    table: ChoicesTable, least: float, cover: tuple[float, float], problems: Problems
) -> float:
    if least > cover[1]:
        rule = "is more than the range of cover holds; raise its high"
        problems.add(("choices", "least_cover"), rule, found=table.least_cover)
    return least


def check_choices(
    choices: Choices,
    table: ChoicesTable,
    inputs: list[Input],
    *,
    bias: float,
    zone: InputTable | None,
    chloride: bool,
    problems: Problems,
) -> None:
    """Check the ranges against the inputs of the scenario.

    `bias` of the cover in mm; `zone` is the convection zone's table.
    """
    by_name = {item.name: item for item in inputs}
    depth, cover = by_name.get("exposure.convection_zone"), by_name.get("reinforcement.cover")
    less = f" less the bias of the cover, {bias:g} mm" if bias else ""
    if depth is not None and choices.cover[0] + bias <= depth.distribution.mean:
        problems.add(
            ("choices", "cover", "low"),
            f"must be above the mean convection zone of "
            f"{written_mean(zone, depth)}{less}; bars inside it are not covered "
            "by the model",
            found=table.cover and table.cover.low,
        )
    if cover is not None:
        _check_cover_sd(choices, table, cover.distribution, problems)
    if choices.concretes and not chloride:
        problems.add(("choices", "concrete"), "belongs to chloride ingress; leave it out")


def _check_cover_sd(
    choices: Choices, table: ChoicesTable, law: Distribution, problems: Problems
) -> None:
    """Refuse options of cover scatter that the law of the cover does not allow."""
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
                found=(table.cover_sd or ())[index],
            )


def _cover_sds(table: ChoicesTable, problems: Problems) -> tuple[float, ...]:
    path: KeyPath = ("choices", "cover_sd")
    if table.cover_sd is None or _wrong_count(table.cover_sd, path, least=2, problems=problems):
        return ()
    rule: Quantity = declared(ChoicesTable, "cover_sd")
    found: list[float] = []
    for index, raw in enumerate(table.cover_sd):
        sd = problems.number(rule.read, raw, (*path, index))
        if any(abs(sd - other) < 1e-9 for other in found):
            problems.add((*path, index), "stands twice in the list", found=raw)
        found.append(sd)
    return tuple(found)


def _concretes(table: ChoicesTable, problems: Problems) -> tuple[ConcreteOption, ...]:
    path: KeyPath = ("choices", "concrete")
    if table.concrete is None or _wrong_count(table.concrete, path, least=1, problems=problems):
        return ()
    found: list[ConcreteOption] = []
    for index, entry in enumerate(table.concrete):
        option = _concrete(entry, (*path, index), problems)
        if any(option.name.casefold() == other.name.casefold() for other in found):
            problems.add((*path, index, "name"), "stands twice in the list", found=option.name)
        found.append(option)
    return tuple(found)


def _concrete(table: ConcreteOptionTable, path: KeyPath, problems: Problems) -> ConcreteOption:
    name: str = read_keys(table, path, problems, only=("name",))["name"] or ""
    if name.casefold() == AS_SPECIFIED:
        problems.add(
            (*path, "name"),
            "is the name of the scenario's own concrete, which is always an option; choose another",
            found=name,
        )
    found = read_keys(table, path, problems, skip=("name",), prefix="concrete")
    if all(getattr(table, key) is None for key in found):
        problems.add(path, f"changes nothing; give one or more of {', '.join(found)}")
    return ConcreteOption(name, tuple(inputs_of(found)))


def _wrong_count(raw: list[Any], path: KeyPath, *, least: int, problems: Problems) -> bool:
    if least <= len(raw) <= OPTION_LIMIT:
        return False
    problems.add(path, f"has {len(raw)} entries; must have {least} to {OPTION_LIMIT}")
    return True


def _range(
    table: CoverRange | StripAgeRange | None, path: KeyPath, problems: Problems
) -> tuple[float, float]:
    if table is None:
        problems.missing(path, declared(ChoicesTable, str(path[-1])).need)
        return math.nan, math.nan
    found = read_keys(table, path, problems, only=("low", "high"))
    low, high = found["low"], found["high"]
    if low >= high:
        problems.add((*path, "low"), f'must be below high = "{table.high}"', found=table.low)
    return low, high


def _step(table: CoverRange | None, cover: tuple[float, float], problems: Problems) -> float:
    if table is None:
        return math.nan
    path: KeyPath = ("choices", "cover")
    step: float = read_keys(table, path, problems, skip=("low", "high"))["step"]
    width = cover[1] - cover[0]
    if math.isnan(step) or not width > 0:
        return step
    if not width / COVER_STEPS <= step <= width * (1 + 1e-9):
        problems.add(
            (*path, "step"),
            f"must be at most the width of the range and at least 1/{COVER_STEPS} of it",
            found=table.step,
        )
    return step


def _follow_ups(
    table: ChoicesTable, *, temperature: float, planned: Sequence[Strategy], problems: Problems
) -> tuple[FollowUp, ...]:
    path: KeyPath = ("choices", "follow_up")
    if not table.follow_up:
        problems.missing(path, declared(ChoicesTable, "follow_up").need)
        return ()
    if len(table.follow_up) > CHOICE_LIMIT:
        rule = f"has {len(table.follow_up)} entries; at most {CHOICE_LIMIT} are allowed"
        problems.add(path, rule)
        return ()
    items: list[FollowUp] = []
    for index, entry in enumerate(table.follow_up):
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
