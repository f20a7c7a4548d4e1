"""The tables behind the page to try pairs on: the index over cover, equivalent hours and age.

Hours in the forms and temperature act through equivalent hours alone, and a drawing holds few
covers; between the kinks of the curing law the index is smooth. So one table for each curing after
stripping answers for every pair.

Axes: f curings after stripping, n nodes of equivalent hours, c covers, a ages, q levels.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stripwise.risk.model.wall import Plan
from stripwise.risk.probability.expected_cost import repair_cost_weights
from stripwise.risk.probability.intervals import point_quantile
from stripwise.risk.probability.nominal_covers import (
    SamplingOptions,
    has_cheap_covers,
    probability_by_epistemic_point,
    probability_by_repeat,
)
from stripwise.risk.probability.target_roots import with_strip_age
from stripwise.risk.probability.target_rule import TargetRule, index_from_probability
from stripwise.scenario.model import Scenario
from stripwise.studies.design.explore_axes import (
    COARSE_AGES,
    HoursAxis,
    coarse_ages,
    hour_factors,
    hours_axes,
    page_hours,
    page_temperatures,
    table_ages,
)
from stripwise.studies.design.explore_interpolation import (
    age_weights,
    node_weights,
    piece_nodes,
)
from stripwise.studies.design.setting import Setting
from stripwise.units.formatting import percent

__all__ = [
    "LEVELS",
    "SCALE",
    "ExploreTables",
    "HoursAxis",
    "IndexTable",
    "explore_refusal",
    "explore_tables",
]

Array = NDArray[np.float64]
Stored = NDArray[np.int16]

FINE_POINTS, POINTS, EPISTEMIC_POINTS = 1024, 16384, 2048
"""Points of a scrambling at all nodes, at the coarse ones, and around each epistemic point; a quarter
of the last would put an index of 4 or more at the end of the range off by 0.1."""
SCRAMBLINGS, OUTER_POINTS = 16, 64
"""Scramblings of the epistemic points and points of each: those of the confidence of a run."""

LEVELS = (0.025, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9, 0.975)
"""Shares of the epistemic points below the stored quantiles of the index."""

SCALE, MOST = 2000.0, 16.0
"""Stored steps per unit of the index, and the index at which it is cut."""

LAYOUTS = ((9, 24), (7, 24), (7, 16), (5, 16))
"""Nodes between kinks and ages, the finest first; the first that fits the page is taken."""
COARSE_NODES = 3
"""Nodes between kinks of the quantiles, of which the distance from the mean is stored: it changes
slowly."""
LARGEST = 620_000
"""Most bytes of all tables, before they are written as text, which takes a third more."""

RAREST = 1e-3
"""Allowed probability below which the tables do not serve."""


@dataclass(frozen=True, slots=True)
class IndexTable:
    """Indices over the nodes of every curing after stripping.

    Attributes
    ----------
    per_piece
        Nodes of a piece, both ends among them.
    ages
        (a,) ages since first exposure [yr].
    values
        By curing after stripping (q, n, c, a): the index times `SCALE`.
    """

    per_piece: int
    ages: Array
    values: tuple[Stored, ...]

    @property
    def size(self) -> int:
        """Bytes of the values."""
        return sum(part.nbytes for part in self.values)


@dataclass(frozen=True, slots=True)
class ExploreTables:
    """All that the page reads.

    Attributes
    ----------
    covers
        (c,) nominal covers that a drawing holds [mm].
    lowest_cover
        Cover from which its price counts [mm].
    least_cover
        Nominal cover below which nothing is recommended [mm].
    hours
        (t,) strip ages to build [h].
    temperatures
        Concrete temperatures until stripping [degC].
    factors
        Equivalent hours per hour at each.
    axes
        f axes of equivalent hours.
    mean
        The index of the predictive probability, and the same on the safe side of sampling error.
    epistemic
        Quantiles of the index at `LEVELS`, then, where a confidence is demanded, the index that the
        demanded share reaches and the same judged safely, all less the index of `mean`; None where
        nothing is epistemic.
    repair_weights
        Weights on the probabilities at the ages of `mean` that give the present cost of one repair
        of price 1; empty without prices.
    left_out
        Strategies of the scenario that no pair of the page is, by the reason.
    """

    covers: Array
    lowest_cover: float
    least_cover: float
    hours: Array
    temperatures: tuple[float, ...]
    factors: tuple[float, ...]
    axes: tuple[HoursAxis, ...]
    mean: IndexTable
    epistemic: IndexTable | None
    repair_weights: Array
    left_out: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class _Grid:
    """Covers (c,) [mm], ages (a,) [yr], and the places of the coarse ages among these."""

    covers: Array
    ages: Array
    some: NDArray[np.intp]


def explore_refusal(setting: Setting) -> str:
    """Return why the page cannot be made for a scenario; empty if it can."""
    scenario, wall = setting.scenario, setting.wall
    reasons = (
        (wall.numerical, "layers and coatings are solved numerically, too slowly for its tables"),
        (wall.front_model is not None, "the front is a model given with the case"),
        (wall.layered, "the penalty lies on a skin, and each front is then the root of a long sum"),
        (
            scenario.service.changes_front,
            "carbonation, seasons, surface chloride that changes or a factor on the front act in it",
        ),
        (not has_cheap_covers(wall), "the cover is fixed or correlated with other inputs"),
        (
            scenario.target.probability < RAREST,
            f"a target below {percent(RAREST)} is too rare for its tables",
        ),
        (not setting.rounded_covers().size, "no cover of [choices] can be drawn"),
        (_layout(setting) is None, "so many covers and curings after stripping do not fit in it"),
    )
    return next((text for holds, text in reasons if holds), "")


def explore_tables(setting: Setting) -> ExploreTables:
    """Compute the tables; `explore_refusal` must be empty."""
    layout = _layout(setting)
    assert layout is not None
    (per_piece, count), scenario = layout, setting.scenario
    ages = table_ages(setting, count)
    temperatures = page_temperatures(scenario)
    axes = hours_axes(setting)
    covers = setting.rounded_covers()
    mean: list[Stored] = []
    epistemic: list[Stored] = []
    grid = _Grid(covers, ages, coarse_ages(ages, setting.life))
    for plan, axis in zip(setting.plans, axes, strict=True):
        found, exact = _mean(setting, plan, axis, per_piece, grid)
        mean.append(_stored(found))
        quantiles = _quantiles(setting, plan, axis.hours(COARSE_NODES), grid, exact)
        if quantiles is not None:
            epistemic.append(_stored(quantiles - exact))
    weights = np.empty(0)
    if scenario.cost is not None:
        within = int(np.searchsorted(ages, scenario.cost.horizon, side="right"))
        weights = np.zeros(len(ages))
        weights[:within] = repair_cost_weights(
            ages[:within],
            scenario.cost.horizon,
            rate=scenario.cost.rate,
            instalments=scenario.cost.instalments,
        )
    return ExploreTables(
        covers=covers,
        lowest_cover=float(setting.covers[0]),
        least_cover=setting.choices.least_cover,
        hours=page_hours(setting, hour_factors(scenario, temperatures)),
        temperatures=temperatures,
        factors=hour_factors(scenario, temperatures),
        axes=axes,
        mean=IndexTable(per_piece, ages, tuple(mean)),
        epistemic=IndexTable(COARSE_NODES, ages[grid.some], tuple(epistemic))
        if epistemic
        else None,
        repair_weights=weights,
        left_out=tuple(_left_out(scenario)),
    )


def _mean(
    setting: Setting, plan: Plan, axis: HoursAxis, per_piece: int, grid: _Grid
) -> tuple[Array, Array]:
    """Return the index (2, n, c, a) of the predictive probability and its safe side.

    All nodes take few points. Their error changes slowly from node to node, since all share the
    points: it is found at the coarse nodes from many points, and taken back everywhere. Second,
    the index at the coarse nodes and ages.
    """
    sampling = setting.scenario.sampling
    few, many = min(FINE_POINTS, sampling.points), min(POINTS, sampling.points)
    coarse = _Grid(grid.covers, grid.ages[grid.some], grid.some)
    fine = _predictive(setting, _plans_at(plan, axis.hours(per_piece)), grid, few)
    exact = _predictive(setting, _plans_at(plan, axis.hours(COARSE_NODES)), coarse, many)
    step = (per_piece - 1) // (COARSE_NODES - 1)  # ends and middle of a piece are nodes of both
    error = exact - fine[:, ::step][..., grid.some]
    places = piece_nodes(axis.borders, per_piece)
    over_nodes = np.array([node_weights(axis.borders, COARSE_NODES, x) for x in places])
    over_ages = np.array([age_weights(coarse.ages, age) for age in grid.ages])
    return fine + np.einsum("nm,qmcb,ab->qnca", over_nodes, error, over_ages), exact[0]


def _predictive(setting: Setting, plans: tuple[Plan, ...], grid: _Grid, points: int) -> Array:
    """Return the index (2, n, c, a) of the predictive probability and its safe side."""
    p = probability_by_repeat(
        setting.wall_with(plans),
        grid.covers,
        grid.ages,
        sample=replace(setting.map_sample, points=points),
    )
    index = np.moveaxis(np.array(setting.rule.predictive(p, points=points)), -2, -1)
    return np.clip(index, -MOST, MOST)


def _quantiles(
    setting: Setting, plan: Plan, hours: Array, grid: _Grid, mean: Array
) -> Array | None:
    """Return quantiles of the index (q, n, c, a) over the epistemic points, about its mean."""
    sampling = setting.scenario.sampling
    p = probability_by_epistemic_point(
        setting.wall_with(_plans_at(plan, hours)),
        grid.covers,
        grid.ages[grid.some],
        sample=SamplingOptions(
            min(EPISTEMIC_POINTS, sampling.points),
            SCRAMBLINGS,
            sampling.seed,
            "confidence",
            setting.map_sample.workers,
            OUTER_POINTS,
        ),
    )
    if p is None:
        return None
    p = np.moveaxis(p, -2, -1)
    # the inside has few points; what its mean is off by is taken back, as a run does
    correction = mean - index_from_probability(p.mean(axis=0))
    index = index_from_probability(p) + np.where(np.isfinite(correction), correction, 0.0)
    index = np.clip(index, -MOST, MOST)
    found = list(point_quantile(index, LEVELS))
    if setting.rule.confidence:
        rule: TargetRule = replace(setting.rule, scramblings=SCRAMBLINGS)
        found += list(rule.demanded_index(index))
    return np.array(found)


def _plans_at(plan: Plan, hours: Array) -> tuple[Plan, ...]:
    """Return the plan at other equivalent hours in the forms."""
    return tuple(with_strip_age(replace(plan, strip_factor=1.0), float(h)) for h in hours)


def _stored(index: Array) -> Stored:
    return np.rint(SCALE * np.clip(index, -MOST, MOST)).astype(np.int16)


def _layout(setting: Setting) -> tuple[int, int] | None:
    """Return the nodes of a piece and the ages of the finest tables that fit the page."""
    covers = len(setting.rounded_covers())
    channels = len(LEVELS) + (2 if setting.rule.confidence else 0)
    pieces = [len(axis.borders) - 1 for axis in hours_axes(setting)]
    for per_piece, ages in LAYOUTS:
        fine, coarse = (sum(n * (k - 1) + 1 for n in pieces) for k in (per_piece, COARSE_NODES))
        if 2 * covers * (2 * fine * ages + channels * coarse * (COARSE_AGES + 1)) <= LARGEST:
            return per_piece, ages
    return None


def _left_out(scenario: Scenario) -> list[tuple[str, str]]:
    """Name the strategies that no pair of the page can be, with the reason."""
    found = []
    for strategy in scenario.strategies:
        if strategy.penalty_input:
            found.append((strategy.name, "has a penalty factor of its own"))
        elif not scenario.input(strategy.strip_age_input).distribution.is_fixed:
            found.append((strategy.name, "has a random strip age"))
    return found
