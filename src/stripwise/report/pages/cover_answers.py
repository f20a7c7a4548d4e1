"""Which cover a strip age needs, and which strip age a cover allows, read off the map."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripwise.risk.probability.target_roots import crossing, crossings
from stripwise.studies.results import HasReliabilityMap, ReliabilityMap
from stripwise.units import formatting
from stripwise.units.drawing_steps import round_length_up

__all__ = [
    "CoverTable",
    "cover_table",
    "earliest_table",
    "required_cover",
    "usual_strip_ages",
]

Array = NDArray[np.float64]

MAX_INDEX = 10.0
"""Index at which infinite values of the map are cut before interpolating."""

USUAL_HOURS = (
    4.0,
    6.0,
    8.0,
    10.0,
    12.0,
    16.0,
    20.0,
    24.0,
    36.0,
    48.0,
    72.0,
    120.0,
    168.0,
    336.0,
    672.0,
)

MAX_COLUMNS = 7
"""Strip ages that fit side by side."""


@dataclass(frozen=True, slots=True)
class CoverTable:
    """Answers read off the map: a heading per column, and per follow-up its label and cells."""

    heads: tuple[str, ...]
    rows: tuple[tuple[str, tuple[str, ...]], ...]


def required_cover(grid: ReliabilityMap, target: float, *, decided: bool = False) -> Array:
    """Interpolate the nominal cover at which the index reaches the target, (f, t) [mm].

    With `decided` the one at which a decision says yes. The lowest of the map where that is enough,
    NaN where the highest is not.
    """
    roots = crossings(grid.cover, grid.decided if decided else grid.governing, target)
    return np.where(roots == np.inf, np.nan, np.maximum(roots, grid.cover[0]))


def cover_table(assessment: HasReliabilityMap) -> CoverTable | None:
    """Tabulate the nominal cover that meets the target, by strip age and follow-up.

    Rounded up to whole mm or 1/8 in, and never below a typed least cover; None without a map.
    """
    grid, units = assessment.reliability_map, assessment.scenario.units
    if grid is None:
        return None
    choices = assessment.scenario.choices
    least = 0.0 if choices is None else choices.least_cover
    hours = usual_strip_ages(float(grid.strip_age[0]), float(grid.strip_age[-1]))
    required = required_cover(
        _at_strip_ages(grid, np.array(hours)),
        assessment.scenario.target.reliability_index,
        decided=True,
    )
    columns = range(len(hours))

    def cell(value: float) -> str:
        if np.isnan(value):
            return f"over {formatting.length(float(grid.cover[-1]), units=units)}"
        if value <= least:
            return formatting.length(least, units=units)
        if value <= grid.cover[0]:
            return formatting.length(float(grid.cover[0]), units=units)
        return formatting.length(round_length_up(value, units=units), units=units)

    return CoverTable(
        heads=tuple(formatting.duration(t) for t in hours),
        rows=tuple(
            (label, tuple(cell(float(required[f, t])) for t in columns))
            for f, label in enumerate(grid.follow_up)
        ),
    )


def earliest_table(assessment: HasReliabilityMap) -> CoverTable | None:
    """Tabulate the earliest strip age that meets the target, by nominal cover and follow-up.

    Rounded up to half hours or tenths of a day; None without a map.
    """
    grid, units = assessment.reliability_map, assessment.scenario.units
    if grid is None:
        return None
    target = assessment.scenario.target.reliability_index
    columns = _evenly_spaced(len(grid.cover))
    first, last = float(grid.strip_age[0]), float(grid.strip_age[-1])

    def cell(index: Array) -> str:
        log_age = crossing(np.log(grid.strip_age), index, target)
        if log_age == np.inf:
            return f"over {formatting.duration(last)}"
        if log_age <= np.log(first):
            return formatting.duration(first)
        hours = float(np.exp(log_age))
        step = 0.5 if hours <= 48.0 else 2.4
        return formatting.duration(float(np.ceil(hours / step - 1e-9)) * step)

    return CoverTable(
        heads=tuple(formatting.length(float(grid.cover[c]), units=units) for c in columns),
        rows=tuple(
            (label, tuple(cell(grid.decided[f, :, c]) for c in columns))
            for f, label in enumerate(grid.follow_up)
        ),
    )


def _evenly_spaced(count: int) -> list[int]:
    """Pick indices evenly through a list, ends included, as many as fit on paper."""
    if count <= MAX_COLUMNS:
        return list(range(count))
    return [int(i) for i in np.round(np.linspace(0, count - 1, MAX_COLUMNS))]


def usual_strip_ages(low: float, high: float) -> list[float]:
    """Pick usual strip ages [h] in a range, at most seven, rising; its ends if there are too few."""
    inside = [hours for hours in USUAL_HOURS if low <= hours <= high]
    if len(inside) < 2:
        return [low, high]
    return [inside[i] for i in _evenly_spaced(len(inside))]


def _at_strip_ages(grid: ReliabilityMap, hours: Array) -> ReliabilityMap:
    """Interpolate the map at other strip ages, linearly in their logarithm."""
    index = np.clip(grid.decided, -MAX_INDEX, MAX_INDEX)
    log_age = np.log(grid.strip_age)
    interpolated = np.empty((index.shape[0], hours.size, index.shape[2]))
    for f, c in np.ndindex(index.shape[0], index.shape[2]):
        interpolated[f, :, c] = np.interp(np.log(hours), log_age, index[f, :, c])
    return ReliabilityMap(grid.cover, hours, grid.follow_up, interpolated)
