"""How the answer changes over values of some keys: one row per point and strategy."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from stripwise.errors import InputError
from stripwise.risk.model.wall import Wall
from stripwise.risk.probability.confidence import epistemic_probability
from stripwise.risk.probability.intervals import plain_interval
from stripwise.risk.probability.nominal_covers import (
    SamplingOptions,
    probability_by_repeat,
    with_nominal_cover,
)
from stripwise.risk.probability.target_rule import index_from_probability
from stripwise.scenario.model import Scenario
from stripwise.studies.decision import decide_sample, grow_until_decided
from stripwise.studies.from_scenario import MOST_GROWTH, build_wall, largest_sample
from stripwise.studies.posterior_notes import warn_of_changes
from stripwise.units.quantities import LENGTH, parse

__all__ = ["sweep"]

Array = NDArray[np.float64]
Progress = Callable[[str, float], None]

NOMINAL = "reinforcement.cover.nominal"
MOST_POINTS = 100_000
SWEEP_POINTS, MANY_SWEEP_POINTS, MANY_WALLS = 4096, 1024, 100
"""Points per repeat unless given, and of a sweep of more than `MANY_WALLS` walls: differences are
smooth, since all points of a sweep share them."""
MOST_KEPT = 2**14
"""Points per repeat up to which their scores are kept from wall to wall."""


def sweep(
    case: Scenario,
    values: Mapping[str, Sequence[Any]] | Sequence[Mapping[str, Any]],
    *,
    ages: Sequence[float] | None = None,
    points: int | None = None,
    seed: int | None = None,
    workers: int = 1,
    progress: Progress | None = None,
) -> pd.DataFrame:
    """Compute the probability of depassivation over values of some keys.

    All points share one sample of the random inputs, so that differences are smooth. Points that
    differ in the nominal cover alone share their fronts and cost next to nothing more.

    Parameters
    ----------
    case
        The scenario that the points start from.
    values
        Values by dotted key, in the units of the file: every combination is a point. Or a list of
        points, each a mapping from keys to values.
    ages
        Ages since first exposure [yr]; the target life unless given.
    points
        Sobol' points of a scrambling. Unless given the scenario's, at most 4,096, and at most 1,024
        in a sweep of more than 100 walls.
    seed
        Seed; the scenario's unless given.
    workers
        Threads; the results do not depend on it.
    progress
        Called with "sweep" and the share done.

    Returns
    -------
    A row per point, strategy and age: a column for each key, strategy, age_yr, probability, low95,
    high95, reliability_index, at the target life meets_target ("" at other ages), and a status: ok,
    or too rare for this sample, where the interval is a bound.

    Warns
    -----
    UserWarning
        Once, where points differ from the scenario that joint draws of an update were made of.

    Raises
    ------
    InputError
        If there is no point, or a key leads nowhere.
    ScenarioError
        If a point cannot be used.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/garage-wall.toml")
    >>> grid = {"reinforcement.cover.nominal": ["50 mm", "70 mm"]}
    >>> table = stripwise.sweep(case, grid, points=256)
    >>> table["reinforcement.cover.nominal"].unique().tolist()
    ['50 mm', '70 mm']
    """
    grid = _points(values)
    at = np.array([case.target.service_life] if ages is None else list(ages), dtype=float)
    if not at.size or not np.all(np.isfinite(at)) or np.any(at <= 0.0):
        raise InputError("ages", "must be above 0 yr")
    frames: dict[int, pd.DataFrame] = {}
    changed: dict[str, str] = {}
    groups = _groups(case, grid)
    most = SWEEP_POINTS if len(groups) <= MANY_WALLS else MANY_SWEEP_POINTS
    for done, (changes, members) in enumerate(groups, start=1):
        one = case.replace(changes) if changes else case
        given = [_with_nominal(grid[n], one) for n in members]
        for other in given:
            if other.draws is not None:
                changed |= dict.fromkeys(other.draws.changed, other.draws.source)
        covers = [_nominal(grid[n], one) for n in members]
        wall = build_wall(one)
        own = any(key.startswith("sampling.") for key in changes)
        sampling = one.sampling if own else case.sampling
        sample = SamplingOptions(
            points or min(most, sampling.points),
            sampling.repeats,
            sampling.seed if seed is None else seed,
            "main",
            workers,
            keep=(points or most) <= MOST_KEPT,
        )
        p = probability_by_repeat(wall, np.array(covers), at, sample=sample)
        for c, n in enumerate(members):
            frames[n] = _rows(grid[n], one, wall, at, p[..., c], cover=covers[c], sample=sample)
        if progress is not None:
            progress("sweep", done / len(groups))
    warn_of_changes(case, changed)
    return pd.concat([frames[n] for n in range(len(grid))], ignore_index=True)


def _points(
    values: Mapping[str, Sequence[Any]] | Sequence[Mapping[str, Any]],
) -> list[dict[str, Any]]:
    if isinstance(values, Mapping):
        for key, column in values.items():
            if isinstance(column, str) or not isinstance(column, Sequence):
                raise InputError(key, "needs a list of values")
        grid = [
            dict(zip(values, combination, strict=True))
            for combination in itertools.product(*values.values())
        ]
    else:
        grid = [dict(point) for point in values]
    if not grid:
        raise InputError("values", "holds no point")
    if len(grid) > MOST_POINTS:
        raise InputError(
            "values", f"holds {len(grid):,} points; at most {MOST_POINTS:,} are allowed"
        )
    return grid


def _groups(case: Scenario, grid: list[dict[str, Any]]) -> list[tuple[dict[str, Any], list[int]]]:
    """Put points together that differ in the nominal cover alone.

    A cover whose cov is given changes its sd with its mean, so that each is a wall of its own.
    """
    cover = case.raw.get("reinforcement", {}).get("cover")
    shares_fronts = isinstance(cover, str) or (isinstance(cover, Mapping) and "cov" not in cover)
    groups: dict[str, tuple[dict[str, Any], list[int]]] = {}
    for n, point in enumerate(grid):
        changes = dict(point)
        if shares_fronts and not any(
            key.startswith("reinforcement.cover") and key != NOMINAL for key in point
        ):
            changes.pop(NOMINAL, None)
        groups.setdefault(repr(sorted(changes.items(), key=str)), (changes, []))[1].append(n)
    return list(groups.values())


def _with_nominal(point: Mapping[str, Any], case: Scenario) -> Scenario:
    """Return the case with the nominal cover of a point, by the file's own checks of the value."""
    return case.replace({NOMINAL: point[NOMINAL]}) if NOMINAL in point else case


def _nominal(point: Mapping[str, Any], case: Scenario) -> float:
    return parse(point[NOMINAL], LENGTH, to="mm") if NOMINAL in point else case.nominal_cover


def _rows(
    point: Mapping[str, Any],
    case: Scenario,
    wall: Wall,
    ages: Array,
    p: Array,
    *,
    cover: float,
    sample: SamplingOptions,
) -> pd.DataFrame:
    """Tabulate P (r, s, t) of one point at its nominal cover [mm]."""
    found = plain_interval(p, points=sample.points)
    life, strategies = case.target.service_life, [plan.name for plan in wall.plans]
    answers = np.full(found.mean.shape, "", dtype=object)
    for j in np.flatnonzero(np.isclose(ages, life)):
        answers[:, j] = _answers(case, wall, p[..., j], cover=cover, sample=sample)
    table = pd.DataFrame(
        {
            "strategy": np.repeat(strategies, len(ages)),
            "age_yr": np.tile(ages, len(strategies)),
            "probability": found.mean.ravel(),
            "low95": found.low.ravel(),
            "high95": found.high.ravel(),
            "reliability_index": index_from_probability(found.mean).ravel(),
            "meets_target": answers.ravel(),
            "status": found.status.ravel(),
        }
    )
    for k, (key, value) in enumerate(point.items()):
        table.insert(k, key, [value] * len(table))
    return table


def _answers(
    case: Scenario, wall: Wall, p: Array, *, cover: float, sample: SamplingOptions
) -> list[str]:
    """Decide on P (r, s) at the target life, with more points where these leave it open."""
    target = case.target
    at, covers = np.array([target.service_life]), np.array([cover])

    def compute(points: int, still: NDArray[np.int_]) -> Array:
        some = wall.with_plans(tuple(wall.plans[i] for i in still))
        larger = replace(sample, points=points)
        return probability_by_repeat(some, covers, at, sample=larger)[:, :, 0, 0]

    found, points = grow_until_decided(
        p,
        compute,
        allowed=target.probability,
        points=sample.points,
        most=min(MOST_GROWTH * sample.points, largest_sample(wall)),
    )
    demanded = None
    if target.confidence:
        by_point = epistemic_probability(
            with_nominal_cover(wall, cover),
            age=target.service_life,
            mean_index=index_from_probability(p.mean(axis=0)),
            points=sample.points,
            seed=sample.seed,
            workers=sample.workers,
            demanded=target.confidence,
        )
        assert (
            by_point is not None
        )  # a scenario that demands it without epistemic inputs is refused
        demanded = special.ndtr(-by_point.index_at_confidence(target.confidence))
    decisions = decide_sample(found, allowed=target.probability, points=points, demanded=demanded)
    return [one.meets_target for one in decisions]
