"""How the page to try pairs on reads its tables: the same steps as its script, for checking it.

The script of the page does what is done here, function by function and under the same names; tests
hold this module against a run, and the script against this module.

Axes: a ages, t strip ages, c covers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.scenario.model import Cost
from stripwise.studies.decision import NO, TOO_CLOSE, YES
from stripwise.studies.design.explore_interpolation import age_weights, node_weights
from stripwise.studies.design.explore_tables import LEVELS, SCALE, ExploreTables, IndexTable

__all__ = [
    "TOLERANCE",
    "Answer",
    "Goal",
    "PairPlace",
    "earliest_hours",
    "expected_cost",
    "least_cover",
    "read_answer",
]

Array = NDArray[np.float64]

TOLERANCE, EPISTEMIC_TOLERANCE = 0.01, 0.03
"""How far reading between the nodes may be off in the index, of the mean and of a quantile."""

HALVINGS = 50


@dataclass(frozen=True, slots=True)
class PairPlace:
    """A pair: places of its cover, temperature and curing after stripping, and its strip age [h]."""

    cover: int
    hours: float
    temperature: int
    follow_up: int


@dataclass(frozen=True, slots=True)
class Goal:
    """A target: life [yr], allowed probability and its index, and the demanded confidence or 0."""

    life: float
    allowed: float
    confidence: float = 0.0

    @property
    def index(self) -> float:
        """Reliability index of the allowed probability."""
        return -float(special.ndtri(self.allowed))


@dataclass(frozen=True, slots=True)
class Answer:
    """What the page says of a pair.

    Attributes
    ----------
    meets
        yes, no or too close to call.
    probability
        Predictive probability within the life.
    low, high
        Uncertainty range (95 %); NaN where nothing is epistemic.
    confidence
        Share of the epistemic points that meet the target; NaN where nothing is.
    life
        Years until the target is no longer met; inf beyond the tables.
    """

    meets: str
    probability: float
    low: float
    high: float
    confidence: float
    life: float


def equivalent_hours(tables: ExploreTables, pair: PairPlace) -> float:
    """Return the equivalent hours of a pair in the forms [h]."""
    return pair.hours * tables.factors[pair.temperature]


def read_ages(tables: ExploreTables, table: IndexTable, pair: PairPlace, channel: int) -> Array:
    """Return a stored index at every age (a,)."""
    axis = tables.axes[pair.follow_up]
    x = math.log(equivalent_hours(tables, pair) + axis.offset_h)
    stored = table.values[pair.follow_up][channel, :, pair.cover]
    return np.asarray(node_weights(axis.borders, table.per_piece, x) @ stored / SCALE)


def read_at(ages: Array, index: Array, age: float) -> float:
    """Return an index between the ages."""
    return float(age_weights(ages, age) @ index)


def read_life(ages: Array, index: Array, goal: float) -> float:
    """Return the age at which an index falls to a goal; the first age if before, inf if never."""
    below = np.flatnonzero(index < goal)
    if not below.size:
        return math.inf
    first = int(below[0])
    if first == 0:
        return float(ages[0])
    low, high = float(ages[first - 1]), float(ages[first])
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        if read_at(ages, index, middle) < goal:
            high = middle
        else:
            low = middle
    return 0.5 * (low + high)


def read_quantiles(tables: ExploreTables, pair: PairPlace, life: float, mean: float) -> list[float]:
    """Return the epistemic quantiles of the index and what follows them; empty without any."""
    table = tables.epistemic
    if table is None:
        return []
    count = table.values[pair.follow_up].shape[0]
    return [
        mean + read_at(table.ages, read_ages(tables, table, pair, k), life) for k in range(count)
    ]


def read_confidence(quantiles: list[float], goal: float) -> float:
    """Return the share of the epistemic points above a goal, straight in the normal score."""
    scores = [float(special.ndtri(level)) for level in LEVELS]
    k = 0
    while k < len(LEVELS) - 2 and goal > quantiles[k + 1]:
        k += 1
    width = quantiles[k + 1] - quantiles[k]
    if width <= 0.0:
        return 1.0 if goal <= quantiles[k] else 0.0
    share = (goal - quantiles[k]) / width
    return float(special.ndtr(-(scores[k] + share * (scores[k + 1] - scores[k]))))


def read_answer(tables: ExploreTables, pair: PairPlace, goal: Goal) -> Answer:
    """Return what the page says of a pair under a target."""
    ages = tables.mean.ages
    by_age = read_ages(tables, tables.mean, pair, 0)
    index = read_at(ages, by_age, goal.life)
    safe = read_at(ages, read_ages(tables, tables.mean, pair, 1), goal.life)
    quantiles = read_quantiles(tables, pair, goal.life, index)
    answers = [_answer(index, safe, goal.index, TOLERANCE)]
    life = read_life(ages, by_age, goal.index)
    low = high = confidence = math.nan
    if quantiles:
        confidence = read_confidence(quantiles, goal.index)
        low, high = (float(special.ndtr(-quantiles[k])) for k in (len(LEVELS) - 1, 0))
    if goal.confidence and len(quantiles) > len(LEVELS):
        demanded, safely = quantiles[len(LEVELS) :]
        answers.append(_answer(demanded, safely, goal.index, EPISTEMIC_TOLERANCE))
        life = min(life, _demanded_life(tables, pair, by_age, goal.index))
    worst = next((word for word in (NO, TOO_CLOSE) if word in answers), YES)
    return Answer(worst, float(special.ndtr(-index)), low, high, confidence, life)


def _answer(index: float, safe: float, goal: float, tolerance: float) -> str:
    if safe - tolerance > goal:
        return YES
    return NO if 2.0 * index - safe + tolerance < goal else TOO_CLOSE


def _demanded_life(tables: ExploreTables, pair: PairPlace, mean: Array, goal: float) -> float:
    """Return the age at which the index that the demanded share reaches falls to a goal."""
    table = tables.epistemic
    assert table is not None
    gap = read_ages(tables, table, pair, len(LEVELS))
    ages = tables.mean.ages
    return read_life(
        ages,
        np.array([m + read_at(table.ages, gap, float(t)) for m, t in zip(mean, ages, strict=True)]),
        goal,
    )


def earliest_hours(tables: ExploreTables, pair: PairPlace, goal: Goal) -> float:
    """Return the first strip age to build at which the page says yes [h]; inf if none does."""
    for hours in tables.hours:
        other = PairPlace(pair.cover, float(hours), pair.temperature, pair.follow_up)
        if read_answer(tables, other, goal).meets == YES:
            return float(hours)
    return math.inf


def least_cover(tables: ExploreTables, pair: PairPlace, goal: Goal) -> float:
    """Return the first cover to draw at which the page says yes [mm]; inf if none does."""
    for place, cover in enumerate(tables.covers):
        other = PairPlace(place, pair.hours, pair.temperature, pair.follow_up)
        allowed = cover >= tables.least_cover - 1e-9
        if allowed and read_answer(tables, other, goal).meets == YES:
            return float(cover)
    return math.inf


def expected_cost(
    tables: ExploreTables, pair: PairPlace, cost: Cost, *, method: str, duration_h: float
) -> tuple[float, float]:
    """Return first and expected cost per m2 of a pair."""
    flat, hourly = cost.follow_up.get(method, (0.0, 0.0))
    first = (
        cost.forms * pair.hours
        + flat
        + hourly * duration_h
        + cost.cover * float(tables.covers[pair.cover] - tables.lowest_cover)
    )
    p = special.ndtr(-read_ages(tables, tables.mean, pair, 0))
    return first, first + cost.repair * float(tables.repair_weights @ p)
