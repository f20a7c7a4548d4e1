"""The strip strategies, and what of them comes out of a fit."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Iterable, Mapping, Sequence
from typing import Annotated

from stripwise.distributions.random_input import Correlation, Input
from stripwise.scenario.engine import declared, read_keys
from stripwise.scenario.fields import ABOVE_0, HOURS, PLAIN, Quantity, Random, Text
from stripwise.scenario.penalty_files import FromFit
from stripwise.scenario.problems import KeyPath, Problems
from stripwise.scenario.sections.curing import (
    CONCRETE_TEMPERATURE,
    FREEZING,
    Curing,
    FollowUp,
    FollowUpTable,
    read_follow_up,
    uncured_problem,
)
from stripwise.scenario.shapes import PenaltyInput, PenaltyTable, RandomInput, Scalar, String, Table
from stripwise.units.names import printable, slug

__all__ = [
    "FIXED_STRIP_AGE",
    "STRATEGY_LIMIT",
    "Strategies",
    "Strategy",
    "StrategyTable",
    "cold_warning",
    "fit_warnings",
    "read_reference",
    "read_strategies",
]

STRATEGY_LIMIT = 50

STRIP_AGE = Random(
    "Age of the concrete when its forms go.",
    "strip age",
    HOURS,
    "curing",
    usual=(4.0, 1440.0),
    usual_words="4 h to 60 d",
    possible=(1.0, 1440.0),
    possible_words="1 h to 60 d",
    bounds=ABOVE_0,
    needed="the age at stripping, such as {}",
    example='"16 h"',
)

FIXED_STRIP_AGE = Quantity(STRIP_AGE.meaning, HOURS, "1 h to 60 d")
"""A strip age that is one number."""


class StrategyTable(Table):
    """[[strategy]]."""

    name: Annotated[
        String | None,
        Text(
            "Name of the strategy.",
            shown=True,
            blank=False,
            needed="such as {}",
            example='"Forms 16 h, then sheet 3 d"',
        ),
    ] = None
    strip_age: Annotated[RandomInput | None, STRIP_AGE] = None
    concrete_temperature: Annotated[
        Scalar | None,
        dataclasses.replace(
            CONCRETE_TEMPERATURE,
            meaning="Temperature of the concrete in the forms; that of [curing] unless given.",
        ),
    ] = None
    follow_up: FollowUpTable | None = None
    penalty: Annotated[
        PenaltyInput | None,
        Random(
            "Penalty factor as measured, in place of the curing law.",
            "penalty factor",
            PLAIN,
            "curing",
            usual=(0.1, 20.0),
            bounds=ABOVE_0,
            kind="knowledge",
            example='{ family = "lognormal", mean = 1.8, cov = 0.2 }',
        ),
    ] = None


@dataclasses.dataclass(frozen=True, slots=True)
class Strategy:
    """One way to strip and cure a face.

    Attributes
    ----------
    name
        As the scenario gives it.
    slug
        Name for files.
    strip_age_input
        Name of the input that holds the strip age [h].
    temperature
        Concrete temperature until stripping [degC].
    follow_up
        Curing after stripping.
    penalty_input
        Name of the input that holds a given penalty factor; empty where the law gives it.
    penalty_origin
        File and name there of a penalty out of a fit, as words; empty for any other.
    model_factor_input
        Name of the input that multiplies the penalty, from laboratory to field; empty for none.
    """

    name: str
    slug: str
    strip_age_input: str
    temperature: float
    follow_up: FollowUp
    penalty_input: str = ""
    penalty_origin: str = ""
    model_factor_input: str = ""


@dataclasses.dataclass(frozen=True, slots=True)
class Strategies:
    """The strategies with their inputs.

    Attributes
    ----------
    strategies
        In the order of the file.
    inputs
        Strip ages and given penalties.
    shared
        Rank correlations of 1 from the first shared penalty to each other one.
    fitted
        Rank correlations between penalties out of one fit.
    """

    strategies: tuple[Strategy, ...]
    inputs: list[Input]
    shared: tuple[Correlation, ...]
    fitted: tuple[Correlation, ...] = ()


def read_strategies(
    tables: list[StrategyTable], *, curing: Curing, fits: Mapping[int, FromFit], problems: Problems
) -> Strategies:
    """Read all strategies; `fits` are penalties out of fits by position of the strategy."""
    if not tables:
        problems.missing(("strategy",), "write at least one [[strategy]] with name and strip_age")
    strategies: list[Strategy] = []
    inputs: list[Input] = []
    shared: list[Input] = []
    taken: dict[str, str] = {}
    for index, table in enumerate(tables):
        name = _name(table, ("strategy", index), taken=taken, problems=problems)
        strategy, own = _strategy(
            table, ("strategy", index), name=name, curing=curing, problems=problems
        )
        inputs += own
        if table.penalty is not None and table.penalty.dependence == "shared":
            random = (item for item in own if not item.distribution.is_fixed)
            shared += [item for item in random if item.name.endswith(".penalty")]
        strategies.append(_with_fit(strategy, fits.get(index), curing=curing))
    if curing.model_factor_input and not any(item.model_factor_input for item in strategies):
        problems.add(
            ("curing", "model_factor"),
            "is used by no strategy: it multiplies penalties out of a fit, other than the "
            "reference's; leave it out",
        )
    if len({item.kind for item in shared}) > 1:
        problems.add(
            ("strategy",), "shared penalties must all be of one kind, scatter or knowledge"
        )
    return Strategies(
        tuple(strategies),
        inputs,
        tuple(Correlation(shared[0].name, item.name, 1.0) for item in shared[1:]),
        _fit_correlations(fits, strategies, inputs, problems=problems),
    )


def read_reference(raw: str | None, strategies: tuple[Strategy, ...], problems: Problems) -> str:
    """Return the name of the reference strategy; with one strategy it is that one."""
    names = tuple(strategy.name for strategy in strategies if strategy.name)
    if raw is None:
        if len(strategies) > 1:
            problems.missing(
                ("reference_strategy",),
                "the name of the strategy that the others are compared with",
            )
        return names[0] if names else ""
    if names:
        problems.choice(raw, ("reference_strategy",), allowed=names)
    return raw


def _name(table: StrategyTable, path: KeyPath, *, taken: dict[str, str], problems: Problems) -> str:
    where, before = (*path, "name"), len(problems)
    name: str = read_keys(table, path, problems, only=("name",))["name"] or ""
    if table.name is None or len(problems) > before:
        return name
    key = slug(name)
    if key in taken:
        other = taken[key]
        same = "is used twice" if other == name else f'gives the same file name as "{other}"'
        problems.add(where, f"{same}; names must differ in letters or digits", found=name)
    taken.setdefault(key, name)
    return name


def _strategy(
    table: StrategyTable, path: KeyPath, *, name: str, curing: Curing, problems: Problems
) -> tuple[Strategy, list[Input]]:
    """Read one strategy, and its strip age and given penalty."""
    skip = {"name"}
    if table.penalty is not None and not _penalty_usable(table.penalty, path, problems):
        skip.add("penalty")
    prefix = f"strategy.{name}"
    found = read_keys(table, path, problems, skip=skip, prefix=prefix)
    own = found["concrete_temperature"]
    temperature = curing.temperature if own is None else own
    age = found["strip_age"]
    if isinstance(age, Input) and table.penalty is None:
        hours = age.distribution.parent_mean
        if broken := uncured_problem(hours, temperature, curing):
            problems.add((*path, "strip_age"), broken, found=f"{hours:g} h")
    strategy = Strategy(
        name=name,
        slug=slug(name),
        strip_age_input=f"{prefix}.strip_age",
        temperature=temperature,
        follow_up=read_follow_up(
            table.follow_up, (*path, "follow_up"), temperature=temperature, problems=problems
        ),
        penalty_input="" if table.penalty is None else f"{prefix}.penalty",
    )
    inputs = (item for item in found.values() if isinstance(item, Input))
    return strategy, [dataclasses.replace(i, label=f"{i.label}, {name}") for i in inputs]


def _penalty_usable(penalty: PenaltyTable, path: KeyPath, problems: Problems) -> bool:
    where = (*path, "penalty")
    if penalty.entry is not None:
        problems.add((*where, "as"), "belongs to from; give the file too")
        return False
    if penalty.dependence is None:
        return True
    options = declared(PenaltyTable, "dependence").options
    known = problems.choice(penalty.dependence, (*where, "dependence"), allowed=options)
    return known == penalty.dependence


def _with_fit(strategy: Strategy, found: FromFit | None, *, curing: Curing) -> Strategy:
    """Say at a strategy where its penalty comes from; the model factor spares the reference."""
    if found is None:
        return strategy
    other = "" if found.entry == strategy.name else f" (there {printable(found.entry)})"
    factor = "" if found.entry == found.fit.reference else curing.model_factor_input
    return dataclasses.replace(
        strategy, penalty_origin=f"{printable(found.file)}{other}", model_factor_input=factor
    )


def _fit_correlations(
    fits: Mapping[int, FromFit],
    strategies: Sequence[Strategy],
    inputs: Sequence[Input],
    *,
    problems: Problems,
) -> tuple[Correlation, ...]:
    """Return the rank correlations between penalties of the same file."""
    random = {item.name: item for item in inputs if not item.distribution.is_fixed}
    found: list[Correlation] = []
    for (i, one), (j, two) in itertools.combinations(sorted(fits.items()), 2):
        first, second = strategies[i].penalty_input, strategies[j].penalty_input
        if one.file != two.file or first not in random or second not in random:
            continue
        if random[first].kind != random[second].kind:
            problems.add(
                ("strategy", j, "penalty", "kind"),
                "penalties of one fit are all scatter or all knowledge",
                found=random[second].kind,
            )
            continue
        rank = one.fit.rank(one.entry, two.entry)
        if rank != 0.0:
            found.append(Correlation(first, second, rank))
    return tuple(found)


def cold_warning(strategies: Iterable[Strategy], *, among_choices: float | None) -> str:
    """Warn of concrete that may freeze in the forms; empty if none does.

    `among_choices` is the concrete temperature of the choices [degC], None without any.
    """
    cold = [f'"{item.name}"' for item in strategies if item.temperature <= FREEZING]
    if among_choices is not None and among_choices <= FREEZING:
        cold.append("[choices]")
    if not cold:
        return ""
    return (
        f"Concrete at 0 degC or below in the forms ({', '.join(cold)}): it may freeze, and what "
        "has frozen young is not what these numbers speak of. The Arrhenius function is an "
        "extrapolation there and counts too much; the Nurse-Saul function counts nothing up to its "
        "datum."
    )


def fit_warnings(
    fits: Mapping[int, FromFit],
    strategies: Sequence[Strategy],
    *,
    curing: Curing,
    has_choices: bool,
) -> list[str]:
    """Return what a reader must know where penalties come out of a fit."""
    if not fits:
        return []
    references = {found.file: found.fit.reference for found in fits.values()}
    listed = " and ".join(
        f"{printable(name)} of {printable(file)}" for file, name in references.items()
    )
    sentences = [
        f"Fitted penalties are 1 for {listed}: concrete.diffusivity must be that of concrete "
        "cured so."
    ]
    lawful = [item.name for item in strategies if not item.penalty_input]
    if lawful:
        sentences.append(
            f"The law's penalty is 1 after {curing.reference_d:g} d of curing, the fit's for "
            f"{listed}. Where these are two concretes, the strategies by the law "
            f"({', '.join(printable(name) for name in lawful)}) and those by the fit cannot be "
            "compared."
        )
    if has_choices:
        sentences.append(
            "The comparison of cover and strip age over the [choices] uses the curing law, not the "
            "fitted penalties."
        )
    if len(references) > 1:
        sentences.append(
            "Penalties of different files are taken as independent of each other, even where "
            "their specimens are the same."
        )
    if not curing.model_factor_input:
        sentences.append(
            "Fitted penalties are taken from the laboratory to the field as they are; "
            "curing.model_factor can say how far that is uncertain."
        )
    return sentences
