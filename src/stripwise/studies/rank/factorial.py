"""What comes of every combination of the open choices, as a full factorial design.

Axes: m repeats or epistemic points, a ages, q choices.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.distribution import Distribution, distribution, with_shifted_moments
from stripwise.distributions.random_input import Input
from stripwise.errors import InputError
from stripwise.risk.model.wall import COVER, Plan, Wall
from stripwise.risk.probability.nominal_covers import (
    SamplingOptions,
    has_cheap_covers,
    probability_by_epistemic_point,
    probability_by_repeat,
)
from stripwise.risk.probability.reliability_index import reliability_index
from stripwise.risk.sensitivity.anova import Anova, gauss_legendre
from stripwise.scenario.model import Scenario
from stripwise.scenario.sections.choices import AS_SPECIFIED
from stripwise.studies.from_scenario import build_plan

__all__ = [
    "Choice",
    "FactorialDesign",
    "FactorialSize",
    "clipped_index",
    "leading_choice",
    "outcomes",
    "with_choice",
]

Array = NDArray[np.float64]

NODES, POINTS = 8, 1024
SLOW_NODES, SLOW_POINTS = 3, 128
"""Nodes of a range and points per repeat; the slow ones where every cover costs much."""

INDEX_RANGE = (-4.0, 6.0)
"""The index is clipped to it before its variance is analysed: beyond, nobody chooses."""
COVER_HALF_RANGE = 10.0
"""Range of cover to each side of the stated mean, where the scenario gives none [mm], assumed."""
SD_HALF_RANGE = 0.25
"""Range of the cover's sd to each side of the stated one, where none is listed, assumed; for 8 mm
the 6 to 10 mm of fib Bulletin 34 (2006), Annex B2, recalled."""


@dataclass(frozen=True, slots=True)
class FactorialSize:
    """Nodes of a range, points per repeat, and whether lives are computed too.

    A layered face, whose every front is a root, and a correlated or fixed cover get less.
    """

    nodes: int
    points: int
    with_lives: bool

    @classmethod
    def from_wall(cls, wall: Wall) -> FactorialSize:
        """Return the size for a wall."""
        cheap = has_cheap_covers(wall)
        return cls(NODES, POINTS, True) if cheap else cls(SLOW_NODES, SLOW_POINTS, False)


@dataclass(frozen=True, slots=True)
class Choice:
    """One open choice.

    Attributes
    ----------
    name
        "cover", "strip age", "follow-up", "strategy", "execution scatter" or "concrete".
    numbers
        Numbers of its options [mm or h]; empty where they are names.
    options
        Names of its options; empty where they are numbers.
    weights
        Share of the factorial that each option has, of sum 1.
    assumed
        Whether the range is not the scenario's.
    """

    name: str
    numbers: tuple[float, ...]
    options: tuple[str, ...]
    weights: Array
    assumed: bool = False

    @classmethod
    def from_range(
        cls,
        name: str,
        low: float,
        high: float,
        *,
        nodes: int,
        log: bool = False,
        assumed: bool = False,
    ) -> Choice:
        """Open a range, uniform in the value or in its logarithm.

        Its ends are options too, of weight 0: they are shown, and the variance is that of the range.
        """
        x, weights = gauss_legendre(nodes)
        x, weights = np.array([0.0, *x, 1.0]), np.array([0.0, *weights, 0.0])
        values = low * (high / low) ** x if log else low + (high - low) * x
        return cls(name, tuple(float(v) for v in values), (), weights, assumed)

    @classmethod
    def from_options(cls, name: str, options: tuple[str, ...]) -> Choice:
        """List options of equal weight."""
        return cls(name, (), options, np.full(len(options), 1.0 / len(options)))

    @classmethod
    def from_values(cls, name: str, values: tuple[float, ...], *, assumed: bool = False) -> Choice:
        """List numbers of equal weight."""
        return cls(name, values, (), np.full(len(values), 1.0 / len(values)), assumed)


@dataclass(frozen=True, slots=True)
class FactorialDesign:
    """Everything that can be chosen, as walls, plans and covers that combine freely.

    Attributes
    ----------
    choices
        Choices with more than one option, in the order of the axes of `outcomes`.
    covers
        Nominal covers [mm].
    plans
        Every strip age with every follow-up, or every strategy.
    plan_choices
        Number of options by name: of strip age and follow-up, or of strategy.
    walls
        Every cover scatter with every concrete, the concrete running faster.
    wall_shape
        (cover scatters, concretes).
    """

    choices: tuple[Choice, ...]
    covers: Array
    plans: tuple[Plan, ...]
    plan_choices: dict[str, int]
    walls: tuple[Wall, ...]
    wall_shape: tuple[int, int]

    @classmethod
    def from_scenario(
        cls,
        wall: Wall,
        scenario: Scenario,
        *,
        nodes: int,
        shrink: float = 1.0,
        names: Sequence[str] | None = None,
    ) -> FactorialDesign:
        """Lay out the choices of a scenario.

        Cover is uniform in mm, strip age uniform in its logarithm, and the options of a list weigh
        the same. Without [choices] the strategies are one choice, with cover and scatter over
        assumed ranges.

        Parameters
        ----------
        nodes
            Gauss-Legendre nodes of a range.
        shrink
            Share of the ranges to keep, about their middle; lists stay.
        names
            Choices to open, in the order of the axes; all that have more than one option unless
            given.
        """
        opened = scenario.choices
        law = wall.input(COVER).distribution
        if opened is None:
            ends, assumed = _assumed_cover_range(wall), True
        else:
            ends, assumed = opened.cover[:2], False
        cover = Choice.from_range("cover", *_shrink(*ends, shrink), nodes=nodes, assumed=assumed)
        curing, plans = _curing_choices(wall, scenario, nodes=nodes, shrink=shrink)
        with_walls = names is None
        sds = _scatter_choice(scenario, law) if with_walls else FIXED_SCATTER
        concretes = opened.concretes if opened and with_walls else ()
        labels = (AS_SPECIFIED, *(item.name for item in concretes))
        walls = tuple(
            _changed_wall(wall, sd, inputs)
            for sd in (sds.numbers or (None,))
            for inputs in ((), *(item.inputs for item in concretes))
        )
        listed = (cover, *curing, sds, Choice.from_options("concrete", labels))
        by_name = {one.name: one for one in listed}
        return cls(
            choices=tuple(one for one in listed if len(one.weights) > 1)
            if names is None
            else tuple(by_name[name] for name in names),
            covers=np.array(cover.numbers),
            plans=plans,
            plan_choices={one.name: len(one.weights) for one in curing},
            walls=walls,
            wall_shape=(max(len(sds.numbers), 1), len(labels)),
        )

    @property
    def names(self) -> list[str]:
        """Names of the choices."""
        return [one.name for one in self.choices]

    @property
    def weights(self) -> list[Array]:
        """Weights of the options of each choice."""
        return [one.weights for one in self.choices]


FIXED_SCATTER = Choice("execution scatter", (), (), np.ones(1))


def _assumed_cover_range(wall: Wall) -> tuple[float, float]:
    nominal, mean = wall.nominal_cover, wall.nominal_cover + wall.cover_bias
    zone = (
        wall.input("exposure.convection_zone").distribution.mean
        if any(item.name == "exposure.convection_zone" for item in wall.inputs)
        else 0.0
    )
    half_range = min(COVER_HALF_RANGE, 0.5 * (mean - zone)) if mean > zone else COVER_HALF_RANGE
    return nominal - half_range, nominal + half_range


def _shrink(low: float, high: float, share: float) -> tuple[float, float]:
    middle, half = 0.5 * (low + high), 0.5 * share * (high - low)
    return middle - half, middle + half


def _scatter_choice(scenario: Scenario, law: Distribution) -> Choice:
    listed = scenario.choices.cover_sd if scenario.choices else ()
    if listed:
        return Choice.from_values("execution scatter", tuple(sorted(listed)))
    if law.is_fixed:
        return FIXED_SCATTER
    sd = law.parent_sd
    candidates = ((1.0 - SD_HALF_RANGE) * sd, sd, (1.0 + SD_HALF_RANGE) * sd)
    values = tuple(
        value for value in candidates if value == sd or _allows_sd_change(law, value - sd)
    )
    return Choice.from_values("execution scatter", values, assumed=True)


def _allows_sd_change(law: Distribution, change: float) -> bool:
    """Whether the law's bounds allow a change of its sd."""
    try:
        with_shifted_moments(law, sd=change)
    except InputError:
        return False
    return True


def _curing_choices(
    wall: Wall, scenario: Scenario, *, nodes: int, shrink: float
) -> tuple[tuple[Choice, ...], tuple[Plan, ...]]:
    opened = scenario.choices
    if opened is None:
        names = tuple(plan.name for plan in wall.plans)
        return (Choice.from_options("strategy", names),), wall.plans
    low, high = opened.strip_age
    if shrink != 1.0:
        ends = _shrink(float(np.log(low)), float(np.log(high)), shrink)
        low, high = (float(np.exp(end)) for end in ends)
    age = Choice.from_range("strip age", low, high, nodes=nodes, log=True)
    follow = Choice.from_options("follow-up", tuple(item.label for item in opened.follow_up))
    plans = tuple(
        build_plan(
            scenario,
            f"{hours:g} h, {item.label}",
            strip_age=hours,
            temperature=scenario.curing.temperature,
            follow_up=item,
        )
        for hours in age.numbers
        for item in opened.follow_up
    )
    return (age, follow), plans


def _changed_wall(wall: Wall, sd: float | None, inputs: tuple[Input, ...]) -> Wall:
    """Return the wall with another scatter of the cover and other inputs of the concrete."""
    replacements = {item.name: item for item in inputs}

    def one(item: Input) -> Input:
        law = item.distribution
        if item.name == COVER and sd is not None and sd != law.parent_sd:
            return replace(item, distribution=with_shifted_moments(law, sd=sd - law.parent_sd))
        other = replacements.get(item.name)
        return (
            item
            if other is None
            else replace(item, distribution=other.distribution, kind=other.kind)
        )

    return replace(wall, inputs=tuple(one(item) for item in wall.inputs))


def with_choice(wall: Wall, scenario: Scenario, name: str, *, value: float, option: str) -> Wall:
    """Return the wall with another "execution scatter" (`value`, sd [mm]) or "concrete" (`option`).

    It equals `wall` for what the scenario has.
    """
    if name == "execution scatter":
        return _changed_wall(wall, value, ())
    listed = scenario.choices.concretes if scenario.choices else ()
    return _changed_wall(wall, None, next((c.inputs for c in listed if c.name == option), ()))


def outcomes(
    design: FactorialDesign, ages: Array, *, sample: SamplingOptions, epistemic: bool = False
) -> Array | None:
    """Return P (m, a, n1, ..., nq) of every combination at some ages (a,) [yr], an axis per choice.

    All combinations share one sample of what is not chosen. With `epistemic` the first axis is
    epistemic points instead of repeats; None without random knowledge inputs.
    """
    parts = []
    for wall in _with_equal_epistemic_inputs(design.walls) if epistemic else design.walls:
        one = wall.with_plans(design.plans)
        if epistemic:
            p = probability_by_epistemic_point(one, design.covers, ages, sample=sample)
            if p is None:
                return None
        else:
            p = probability_by_repeat(one, design.covers, ages, sample=sample)
        parts.append(p)
    stacked = np.array(parts)  # (walls, m, plans, a, covers)
    axes = ("execution scatter", "concrete", "m", *design.plan_choices, "age", "cover")
    whole = stacked.reshape(
        *design.wall_shape, stacked.shape[1], *design.plan_choices.values(), *stacked.shape[3:]
    )
    order = ["m", "age", *design.names]
    order += [name for name in axes if name not in order]  # of one option each
    ordered = np.transpose(whole, [axes.index(name) for name in order])
    return ordered.reshape(*ordered.shape[:2], *(len(one) for one in design.weights))


def clipped_index(p: Array) -> Array:
    """Return the reliability index of probabilities, clipped to -4 and 6."""
    return np.clip(reliability_index(p, 1.0 - p), *INDEX_RANGE)


def leading_choice(parts: Anova) -> int:
    """Return the position of the choice with the largest mean total share; -1 if undefined."""
    total = parts.total.mean(axis=0)
    return int(np.argmax(total)) if np.isfinite(total).all() else -1


def _with_equal_epistemic_inputs(walls: tuple[Wall, ...]) -> tuple[Wall, ...]:
    """Give every wall as many knowledge inputs, in the same order, as all of them have together.

    An input may be scatter for one concrete and knowledge for another; a column that nothing reads
    then keeps the other columns, so that an epistemic point is the same for both.
    """

    def is_epistemic(item: Input) -> bool:
        return item.kind == "knowledge" and not item.distribution.is_fixed

    names = {item.name for wall in walls for item in wall.inputs if is_epistemic(item)}
    law = distribution("normal", mean=0.0, sd=1.0)

    def one(wall: Wall) -> Wall:
        inputs: list[Input] = []
        for item in wall.inputs:
            inputs.append(item)
            if item.name in names and not is_epistemic(item):
                inputs.append(Input(f"{item.name}, unread", "", law, "", item.group, "knowledge"))
        return replace(wall, inputs=tuple(inputs))

    return tuple(one(wall) for wall in walls)
