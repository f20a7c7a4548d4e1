"""The strip strategies."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass

from stripwise.distributions.random_input import Correlation, Input
from stripwise.scenario.fitted_strategies import fit_correlations, with_fit
from stripwise.scenario.input_rules import PENALTY, STRIP_AGE, Rule
from stripwise.scenario.model import Curing, Strategy
from stripwise.scenario.problems import KeyPath, Problems
from stripwise.scenario.random_inputs import build_input
from stripwise.scenario.references import FromFit
from stripwise.scenario.schema import PenaltyPart, RandomInput, StrategyPart
from stripwise.scenario.sections.curing import concrete_temperature, read_follow_up
from stripwise.units.names import name_problem, slug

__all__ = ["STRATEGY_LIMIT", "Strategies", "read_reference", "read_strategies"]

STRATEGY_LIMIT = 50
DEPENDENCES = ("independent", "shared")


@dataclass(frozen=True, slots=True)
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
    parts: list[StrategyPart],
    *,
    curing: Curing,
    fits: Mapping[int, FromFit],
    problems: Problems,
) -> Strategies:
    """Read all strategies.

    Parameters
    ----------
    parts
        The [[strategy]] tables.
    curing
        Its temperature is that of every strategy that gives none.
    fits
        Penalties out of fits, by position of the strategy.
    problems
        Where to note.

    Returns
    -------
    The `Strategies` that could be read.
    """
    if not parts:
        problems.missing(("strategy",), "write at least one [[strategy]] with name and strip_age")
    strategies: list[Strategy] = []
    inputs: list[Input] = []
    shared: list[Input] = []
    taken: dict[str, str] = {}
    for index, part in enumerate(parts):
        path: KeyPath = ("strategy", index)
        name = _name(part, path, taken=taken, problems=problems)
        own = _strategy_inputs(part, path, name=name, problems=problems)
        inputs += own
        shared += [
            item
            for item in own
            if item.name.endswith(".penalty")
            and part.penalty is not None
            and part.penalty.dependence == "shared"
            and not item.distribution.is_fixed
        ]
        strategy = _strategy(
            part, path, name=name, temperature=curing.temperature, problems=problems
        )
        strategies.append(with_fit(strategy, fits.get(index), curing=curing))
    if curing.model_factor_input and not any(item.model_factor_input for item in strategies):
        problems.add(
            ("curing", "model_factor"),
            "is used by no strategy: it multiplies penalties out of a fit, other than the "
            "reference's; leave it out",
        )
    return Strategies(
        tuple(strategies),
        inputs,
        _shared(shared, problems),
        fit_correlations(fits, strategies, inputs, problems=problems),
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


def _name(part: StrategyPart, path: KeyPath, *, taken: dict[str, str], problems: Problems) -> str:
    where = (*path, "name")
    if part.name is None:
        problems.missing(where, 'such as "Forms 16 h, then sheet 3 d"')
        return ""
    if problem := name_problem(part.name):
        problems.add(where, problem, found=part.name)
        return part.name
    key = slug(part.name)
    if key in taken:
        other = taken[key]
        same = "is used twice" if other == part.name else f'gives the same file name as "{other}"'
        problems.add(where, f"{same}; names must differ in letters or digits", found=part.name)
    taken.setdefault(key, part.name)
    return part.name


def _strategy_inputs(
    part: StrategyPart, path: KeyPath, *, name: str, problems: Problems
) -> list[Input]:
    """Build the strip age and, where given, the penalty of one strategy."""
    items: list[Input | None] = []
    if part.strip_age is None:
        problems.missing((*path, "strip_age"), 'the age at stripping, such as "16 h"')
    else:
        item = _input(
            part.strip_age, path, key="strip_age", rule=STRIP_AGE, name=name, problems=problems
        )
        items.append(_within_limits(item, part.strip_age, path, problems))
    if part.penalty is not None:
        where = (*path, "penalty")
        if part.penalty.entry is not None:
            problems.add((*where, "as"), "belongs to from; give the file too")
        elif _dependence_known(part.penalty, where, problems):
            items.append(
                _input(
                    part.penalty, path, key="penalty", rule=PENALTY, name=name, problems=problems
                )
            )
    return [item for item in items if item is not None]


def _input(
    spec: RandomInput, path: KeyPath, *, key: str, rule: Rule, name: str, problems: Problems
) -> Input | None:
    item = build_input(
        spec, (*path, key), name=f"strategy.{name}.{key}", rule=rule, problems=problems
    )
    return item and dataclasses.replace(item, label=f"{rule.label}, {name}")


def _within_limits(
    item: Input | None, spec: RandomInput, path: KeyPath, problems: Problems
) -> Input | None:
    """Hold the strip age to its limits even where `unusual` lifts the usual range."""
    if item is None:
        return None
    low, high = STRIP_AGE.usual
    if not low <= item.distribution.parent_mean <= high:
        found = spec.value if spec.value is not None else spec.mean
        problems.add((*path, "strip_age"), f"must be {STRIP_AGE.usual_words}", found=found)
    return item


def _dependence_known(part: PenaltyPart, path: KeyPath, problems: Problems) -> bool:
    if part.dependence is None:
        return True
    where = (*path, "dependence")
    return problems.choice(part.dependence, where, allowed=DEPENDENCES) == part.dependence


def _shared(items: list[Input], problems: Problems) -> tuple[Correlation, ...]:
    if len({item.kind for item in items}) > 1:
        problems.add(
            ("strategy",), "shared penalties must all be of one kind, scatter or knowledge"
        )
    return tuple(Correlation(items[0].name, item.name, 1.0) for item in items[1:])


def _strategy(
    part: StrategyPart, path: KeyPath, *, name: str, temperature: float, problems: Problems
) -> Strategy:
    if part.concrete_temperature is not None:
        where = (*path, "concrete_temperature")
        temperature = concrete_temperature(part.concrete_temperature, where, problems)
    follow_up = read_follow_up(
        part.follow_up, (*path, "follow_up"), temperature=temperature, problems=problems
    )
    return Strategy(
        name=name,
        slug=slug(name),
        strip_age_input=f"strategy.{name}.strip_age",
        temperature=temperature,
        follow_up=follow_up,
        penalty_input="" if part.penalty is None else f"strategy.{name}.penalty",
    )
