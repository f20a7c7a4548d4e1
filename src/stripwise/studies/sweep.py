"""How the answer changes over values of some keys: one row per point and strategy."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.errors import InputError
from stripwise.risk.probability.intervals import t_interval
from stripwise.risk.probability.nominal_covers import SamplingOptions, probability_by_repeat
from stripwise.risk.probability.target_rule import index_from_probability
from stripwise.scenario.model import Scenario
from stripwise.studies.decision import decide
from stripwise.studies.from_scenario import build_wall
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
    high95, reliability_index, and at the target life meets_target ("" at other ages).

    Raises
    ------
    InputError
        If there is no point, or a key leads nowhere.
    ScenarioError
        If a point cannot be used.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/garage-wall.toml")     # doctest: +SKIP
    >>> stripwise.sweep(case, {"concrete.diffusivity.mean": ["3e-12 m^2/s", "5e-12 m^2/s"]})  # doctest: +SKIP
    """
    grid = _points(values)
    at = np.array([case.target.service_life] if ages is None else list(ages), dtype=float)
    if not at.size or not np.all(np.isfinite(at)) or np.any(at <= 0.0):
        raise InputError("ages", "must be above 0 yr")
    frames: dict[int, pd.DataFrame] = {}
    groups = _groups(case, grid)
    most = SWEEP_POINTS if len(groups) <= MANY_WALLS else MANY_SWEEP_POINTS
    for done, (changes, members) in enumerate(groups, start=1):
        one = case.replace(changes) if changes else case
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
            frames[n] = _rows(grid[n], one, [plan.name for plan in wall.plans], at, p[..., c])
        if progress is not None:
            progress("sweep", done / len(groups))
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


def _nominal(point: Mapping[str, Any], case: Scenario) -> float:
    if NOMINAL not in point:
        return case.nominal_cover
    case.replace({NOMINAL: point[NOMINAL]})  # the file's own checks of the value
    return parse(point[NOMINAL], LENGTH, to="mm")


def _rows(
    point: Mapping[str, Any], case: Scenario, strategies: list[str], ages: Array, p: Array
) -> pd.DataFrame:
    """Tabulate P (r, s, t) of one point."""
    mean, low, high = t_interval(p)
    error = np.std(p, axis=0, ddof=1) / np.sqrt(len(p))
    life = case.target.service_life
    answers = [
        decide(
            float(mean[s, j]),
            float(error[s, j]),
            allowed=case.target.probability,
            repeats=len(p),
        ).meets_target
        if np.isclose(age, life)
        else ""
        for s in range(len(strategies))
        for j, age in enumerate(ages)
    ]
    table = pd.DataFrame(
        {
            "strategy": np.repeat(strategies, len(ages)),
            "age_yr": np.tile(ages, len(strategies)),
            "probability": mean.ravel(),
            "low95": np.clip(low, 0.0, 1.0).ravel(),
            "high95": np.clip(high, 0.0, 1.0).ravel(),
            "reliability_index": index_from_probability(mean).ravel(),
            "meets_target": answers,
        }
    )
    for k, (key, value) in enumerate(point.items()):
        table.insert(k, key, [value] * len(table))
    return table
