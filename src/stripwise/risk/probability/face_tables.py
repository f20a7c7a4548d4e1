"""The tables that many faces of one concrete and one exposure read.

Axes: r repeats, p plans, c covers, a ages, k epistemic points of a face, q draws that faces share.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.risk.model.wall import Plan, Wall
from stripwise.risk.probability.face_grid import FaceGrid, FacePlaces
from stripwise.risk.probability.intervals import point_quantile, points_that_resolve
from stripwise.risk.probability.nested_sampling import NestedSample
from stripwise.risk.probability.nominal_covers import (
    SamplingOptions,
    nested_probability,
    probability_by_epistemic_point,
    probability_by_repeat,
)
from stripwise.risk.probability.reliability_index import Curves, reliability_index

__all__ = [
    "LARGEST_INDEX",
    "MOST_YEARS",
    "FaceTables",
    "TableSample",
    "compute_tables",
    "index_of",
    "table_sample",
]

Array = NDArray[np.float64]

LARGEST_INDEX = 8.0
"""Index at which tables are cut; P is 6e-16 there."""

MOST_YEARS = 2000.0
"""Life that stands for one without end [yr]."""

LEAST_YEARS = 1e-3
"""Life that stands for none [yr]."""

CHECK_COVERS = 6
"""Covers between the nodes at which a table is checked."""


@dataclass(frozen=True, slots=True)
class TableSample:
    """Sizes of the samples behind a table.

    Attributes
    ----------
    points, repeats
        Of the predictive probability.
    outer_points, outer_repeats
        Epistemic points of a scrambling, and scramblings, of the range of a face.
    inner_points
        Aleatory points around each.
    draws
        Draws that all faces share, for the range of totals.
    """

    points: int
    repeats: int
    outer_points: int
    outer_repeats: int
    inner_points: int
    draws: int


def table_sample(wall: Wall, points: int, *, confidence: float) -> TableSample:
    """Return the sample sizes for a wall: fewer the slower its fronts are, at most `points`.

    A demanded confidence is read over the epistemic points of all scramblings.
    """
    if wall.numerical:
        outer = points_that_resolve(confidence, least=32) // 8
        return TableSample(min(points, 512), 8, outer, 8, 64, 16)
    if wall.layered:
        return TableSample(min(points, 512), 8, 8, 8, 64, 16)
    if wall.conditions is not None:
        return TableSample(min(points, 2048), 8, 32, 8, 256, 64)
    return TableSample(min(points, 8192), 8, 128, 8, min(points, 512), 128)


@dataclass(frozen=True, slots=True)
class FaceTables:
    """What faces read.

    Attributes
    ----------
    grid
        Its nodes.
    index
        (p, c, a) reliability index of the predictive probability.
    error
        rms error of P at the target life: sampling and reading together.
    outer
        (p, c, k) index at the target life by epistemic point; None where nothing is epistemic.
    demanded
        (p, c, b) index that the demanded share of those points reaches, over `draw_ages`; None
        where no confidence is demanded or nothing is epistemic.
    life
        (p, c, q) ln of the age at which P reaches the limit in each shared draw [ln(yr)].
    repeats
        (p, c, a, r) predictive P by scrambling.
    draw_ages
        (b,) ages at which points and draws are computed, among those of the grid [yr].
    shared
        (p, c, b, q) P in each shared draw; one draw, the predictive P, where nothing is shared.
    """

    grid: FaceGrid
    index: Array
    error: float
    outer: NDArray[np.float32] | None
    demanded: NDArray[np.float32] | None
    life: NDArray[np.float32]
    repeats: NDArray[np.float32]
    draw_ages: Array
    shared: NDArray[np.float32]


def index_of(p: Array) -> Array:
    """Return the reliability index of probabilities, cut at that of the tables."""
    return np.clip(reliability_index(p, 1.0 - p), -LARGEST_INDEX, LARGEST_INDEX)


def compute_tables(
    wall: Wall,
    grid: FaceGrid,
    *,
    target_age: float,
    target_index: float,
    confidence: float,
    sample: TableSample,
    seed: int,
    shared: Callable[[Wall], NestedSample | None],
    runs: int = 1,
) -> FaceTables:
    """Compute the tables of a wall on a grid.

    Parameters
    ----------
    wall
        The wall; its plans are replaced by those of the grid.
    target_age
        Age of the target, one of those of the grid [yr].
    confidence
        Share of what may be true that must meet the target too; 0 where none is demanded.
    shared
        Nests the aleatory inputs of a wall in the draws that all walls share.
    runs
        Runs of these draws, one after another, over which their P is averaged: each with another draw
        of what is the wall's own.
    """
    check_plans, check_places = _check_plans(grid)
    check_covers, check_sds = _check_covers(grid)
    covers, sds = grid.covers
    nodes, node_covers = len(grid.plans), covers.size
    wide = wall.with_plans((*grid.plans, *check_plans))
    options = SamplingOptions(sample.points, sample.repeats, seed, workers=1)
    at_target = int(np.argmin(np.abs(grid.ages - target_age)))
    by_repeat = probability_by_repeat(
        wide,
        np.concatenate([covers, check_covers]),
        grid.ages,
        sample=options,
        sds=None if sds is None or check_sds is None else np.concatenate([sds, check_sds]),
    )
    by_repeat = np.maximum.accumulate(by_repeat, axis=2)
    mean = by_repeat.mean(axis=0)
    index = index_of(mean[:nodes, :, :node_covers]).swapaxes(1, 2)
    own = wall.with_plans(grid.plans)
    chosen = _draw_ages(grid.ages, at_target)
    draw_ages = grid.ages[chosen]

    def outer_index(at: int) -> NDArray[np.float32] | None:
        """Return the index at an age of the grid by epistemic point, about the predictive one."""
        found = probability_by_epistemic_point(
            own,
            covers,
            grid.ages[at : at + 1],
            sample=SamplingOptions(
                sample.inner_points,
                sample.outer_repeats,
                seed,
                stage="confidence",
                workers=1,
                outer_points=sample.outer_points,
            ),
            sds=sds,
        )
        if found is None:
            return None
        by_point = np.moveaxis(found[:, :, 0], 0, -1)
        return _about(by_point, index[:, :, at, np.newaxis]).astype(np.float32)

    outer = outer_index(at_target)
    demanded = None
    if confidence and outer is not None:
        # one age after another: all at once would take the memory of many tables
        reached = [_demanded(outer_index(int(at)), confidence) for at in chosen]
        demanded = np.stack(reached, axis=-1)
    draws = _shared(own, grid, draw_ages, index[:, :, chosen], shared, runs)
    flat = index_of(np.moveaxis(draws, 2, -1).reshape(-1, draw_ages.size))
    lives = Curves(draw_ages, np.minimum.accumulate(flat, axis=-1)).age_at_index(target_index)
    lives = np.log(np.clip(lives, LEAST_YEARS, MOST_YEARS)).reshape(nodes, node_covers, -1)
    sampling = _sampling_error(by_repeat[:, :nodes, at_target, :node_covers])
    reading = _reading_error(
        grid,
        index[:, :, at_target],
        mean[nodes:, at_target, node_covers:],
        check_places,
        (check_covers, check_sds),
    )
    return FaceTables(
        grid=grid,
        index=index,
        error=float(np.hypot(sampling, reading)),
        outer=outer,
        demanded=demanded,
        life=lives.astype(np.float32),
        repeats=np.moveaxis(by_repeat[:, :nodes, :, :node_covers], 0, -1)
        .swapaxes(1, 2)
        .astype(np.float32),
        draw_ages=draw_ages,
        shared=draws.astype(np.float32),
    )


def _about(p: Array, index: Array) -> Array:
    """Return the index of P by point (..., k), moved so that its mean has the index given."""
    found = index_of(p)
    return np.clip(
        found + index - index_of(p.mean(axis=-1, keepdims=True)), -LARGEST_INDEX, LARGEST_INDEX
    )


def _demanded(outer: NDArray[np.float32] | None, confidence: float) -> NDArray[np.float32]:
    """Return the index (p, c) that the demanded share of the epistemic points (p, c, k) reaches."""
    assert outer is not None
    reached = point_quantile(outer, 1.0 - confidence, axis=-1)
    return np.asarray(reached, dtype=np.float32)


def _draw_ages(ages: Array, at_target: int) -> NDArray[np.intp]:
    """Return which ages points and draws are computed at: every second one, ends and target."""
    middle = np.arange(3, ages.size - 1, 2)
    return np.unique(np.concatenate([[0, 1], middle, [at_target, ages.size - 1]]))


def _shared(  # noqa: PLR0917
    wall: Wall,
    grid: FaceGrid,
    ages: Array,
    index: Array,
    shared: Callable[[Wall], NestedSample | None],
    runs: int,
) -> Array:
    """Return P in the shared draws (p, c, b, q), about the predictive one (p, c, b)."""
    nested = shared(wall)
    if nested is None:
        return np.asarray(special.ndtr(-index)[..., np.newaxis])
    covers, sds = grid.covers
    found = nested_probability(wall, nested, covers, ages, workers=1, sds=sds)
    found = found.reshape(runs, len(found) // runs, *found.shape[1:]).mean(axis=0)
    by_draw = np.moveaxis(found, 0, -1).swapaxes(1, 2)
    return np.asarray(special.ndtr(-_about(by_draw, index[..., np.newaxis])))


def _sampling_error(by_repeat: Array) -> float:
    spread = np.std(by_repeat, axis=0, ddof=1) / np.sqrt(len(by_repeat))
    return float(np.sqrt(np.mean(spread**2)))


def _check_plans(grid: FaceGrid) -> tuple[tuple[Plan, ...], list[tuple[int, float, float]]]:
    """Return plans in the middle of every piece of the lines, and where they lie."""
    plans, places = [], []
    for k, line in enumerate(grid.lines):
        for s in 0.5 * (line.strip.edges[:-1] + line.strip.edges[1:]):
            for f in 0.5 * (line.after.edges[:-1] + line.after.edges[1:]):
                plans.append(line.plan(float(s), float(f)))
                places.append((k, float(s), float(f)))
    return tuple(plans), places


def _check_covers(grid: FaceGrid) -> tuple[Array, Array | None]:
    """Return some covers in the middle of the pieces, and an sd in the middle of its axis."""
    middles = 0.5 * (grid.cover.edges[:-1] + grid.cover.edges[1:])
    middles = middles[:: max(middles.size // CHECK_COVERS, 1)]
    if grid.spread is None:
        return middles, None
    spread = 0.5 * (grid.spread.edges[0] + grid.spread.edges[-1])
    return middles, np.full(middles.size, np.exp(spread))


def _reading_error(
    grid: FaceGrid,
    index: Array,
    exact: Array,
    plans: list[tuple[int, float, float]],
    covers: tuple[Array, Array | None],
) -> float:
    """Return the rms error of P read between the nodes (p, c), against the exact P there."""
    if not plans or not exact.size:
        return 0.0
    middles, sds = covers
    line, strip, after = (np.repeat(x, middles.size) for x in zip(*plans, strict=True))
    places = FacePlaces(
        line=line.astype(np.intp),
        log_strip=strip,
        after=after,
        cover=np.tile(middles, len(plans)),
        log_sd=np.zeros(line.size) if sds is None else np.tile(np.log(sds), len(plans)),
    )
    errors = np.empty(line.size)
    for stencil in grid.stencils(places):
        read = special.ndtr(-stencil.read(index[..., np.newaxis])[:, 0])
        errors[stencil.faces] = read - exact.ravel()[stencil.faces]
    return float(np.sqrt(np.mean(errors**2)))
