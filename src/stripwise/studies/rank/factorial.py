"""What comes of every combination of the open choices, as a full factorial design.

Axes: m repeats or epistemic points, a ages, q choices.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import interpolate

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
from stripwise.risk.probability.reliability_index import INFINITE_INDEX, reliability_index
from stripwise.risk.sensitivity.anova import gauss_lobatto
from stripwise.scenario.model import Scenario
from stripwise.scenario.sections.choices import AS_SPECIFIED
from stripwise.studies.from_scenario import build_plan

__all__ = ["Choice", "FactorialDesign", "FactorialSize", "outcomes", "target_lives", "with_choice"]

Array = NDArray[np.float64]

COVER_HALF_RANGE = 10.0
"""Range of cover to each side of the stated mean, where the scenario gives none [mm], assumed."""
SD_HALF_RANGE = 0.25
"""Range of the cover's sd to each side of the stated one, where none is listed, assumed; for 8 mm
the 6 to 10 mm of fib Bulletin 34 (2006), Annex B2, recalled."""
INTERPOLATION_FACTOR = 8


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
        return cls(5, 1024, True) if has_cheap_covers(wall) else cls(3, 128, False)


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
        """Open a range, uniform in the value or in its logarithm."""
        x, weights = gauss_lobatto(nodes)
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
        Mean covers [mm].
    plans
        Every strip age with every follow-up, or every strategy.
    plan_shape
        (strip ages, follow-ups), or (strategies,).
    walls
        Every cover scatter with every concrete, the concrete running faster.
    wall_shape
        (cover scatters, concretes).
    """

    choices: tuple[Choice, ...]
    covers: Array
    plans: tuple[Plan, ...]
    plan_shape: tuple[int, ...]
    walls: tuple[Wall, ...]
    wall_shape: tuple[int, int]

    @classmethod
    def from_scenario(
        cls, wall: Wall, scenario: Scenario, *, nodes: int, shrink: float = 1.0
    ) -> FactorialDesign:
        """Lay out the choices of a scenario.

        Without [choices] its strategies are one choice, with cover and scatter over assumed ranges.
        `nodes` are Gauss-Lobatto nodes of a range; `shrink` is the share of the ranges to keep,
        about their middle; lists stay.
        """
        opened = scenario.choices
        law = wall.input(COVER).distribution
        mean = law.parent_mean
        if opened is None:
            ends, assumed = _assumed_cover_range(wall, mean), True
        else:
            ends, assumed = opened.cover[:2], False
        cover = Choice.from_range("cover", *_shrink(*ends, shrink), nodes=nodes, assumed=assumed)
        curing, plans, shape = _curing_choices(wall, scenario, nodes=nodes, shrink=shrink)
        sds = _scatter_choice(scenario, law)
        concretes = opened.concretes if opened else ()
        names = (AS_SPECIFIED, *(item.name for item in concretes))
        walls = tuple(
            _changed_wall(wall, sd, inputs)
            for sd in (sds.numbers or (None,))
            for inputs in ((), *(item.inputs for item in concretes))
        )
        listed = (cover, *curing, sds, Choice.from_options("concrete", names))
        return cls(
            choices=tuple(one for one in listed if len(one.weights) > 1),
            covers=np.array(cover.numbers),
            plans=plans,
            plan_shape=shape,
            walls=walls,
            wall_shape=(max(len(sds.numbers), 1), len(names)),
        )


def _assumed_cover_range(wall: Wall, mean: float) -> tuple[float, float]:
    zone = (
        wall.input("exposure.convection_zone").distribution.mean
        if any(item.name == "exposure.convection_zone" for item in wall.inputs)
        else 0.0
    )
    half_range = min(COVER_HALF_RANGE, 0.5 * (mean - zone)) if mean > zone else COVER_HALF_RANGE
    return mean - half_range, mean + half_range


def _shrink(low: float, high: float, share: float) -> tuple[float, float]:
    middle, half = 0.5 * (low + high), 0.5 * share * (high - low)
    return middle - half, middle + half


def _scatter_choice(scenario: Scenario, law: Distribution) -> Choice:
    listed = scenario.choices.cover_sd if scenario.choices else ()
    if listed:
        return Choice.from_values("execution scatter", tuple(sorted(listed)))
    if law.is_fixed:
        return Choice("execution scatter", (), (), np.ones(1))
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
) -> tuple[tuple[Choice, ...], tuple[Plan, ...], tuple[int, ...]]:
    opened = scenario.choices
    if opened is None:
        names = tuple(plan.name for plan in wall.plans)
        return (Choice.from_options("strategy", names),), wall.plans, (len(names),)
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
    return (age, follow), plans, (nodes, len(opened.follow_up))


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
    whole = stacked.reshape(
        *design.wall_shape, stacked.shape[1], *design.plan_shape, *stacked.shape[3:]
    )
    # (scatter, concrete, m, strip age, follow-up, a, cover) to (m, a, cover, ..., concrete)
    last = whole.ndim - 1
    curing = tuple(range(3, last - 1))
    ordered = np.transpose(whole, (2, last - 1, last, *curing, 0, 1))
    kept = tuple(len(one.weights) for one in design.choices)
    return ordered.reshape(*ordered.shape[:2], *kept)


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


def target_lives(p: Array, ages: Array, *, target: float, horizon: float) -> Array:
    """Return the age at which each probability reaches that of the target.

    Parameters
    ----------
    p
        (m, a, ...) probability, never falling with age.
    ages
        (a,) rising ages [yr].
    target
        Reliability index of the target.
    horizon
        Last age [yr].

    Returns
    -------
    (m, ...) lives [yr], between the first age and the horizon, which stand for what lies beyond.

    Notes
    -----
    The index is interpolated over the logarithm of age by a cubic that keeps falling, eight times
    as finely as it was computed, and then read linearly.
    """
    index = np.clip(reliability_index(p, 1.0 - p), -INFINITE_INDEX, INFINITE_INDEX)
    log_age = np.log(ages)
    fine = np.interp(
        np.linspace(0.0, len(ages) - 1.0, INTERPOLATION_FACTOR * (len(ages) - 1) + 1),
        np.arange(len(ages)),
        log_age,
    )
    curve = interpolate.PchipInterpolator(log_age, index, axis=1)(fine)
    rows = np.moveaxis(curve, 1, -1)
    passed = np.sum(rows > target, axis=-1)
    j = np.clip(passed, 1, len(fine) - 1)[..., None]
    above, below = (np.take_along_axis(rows, k, axis=-1)[..., 0] for k in (j - 1, j))
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.clip(np.nan_to_num((above - target) / (above - below), nan=1.0), 0.0, 1.0)
    log_life = fine[j[..., 0] - 1] + share * (fine[j[..., 0]] - fine[j[..., 0] - 1])
    log_life = np.where(passed == 0, fine[0], np.where(passed == len(fine), fine[-1], log_life))
    return np.asarray(np.minimum(np.exp(log_life), horizon))
