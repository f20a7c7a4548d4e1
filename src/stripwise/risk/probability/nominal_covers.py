"""How probable depassivation is over many nominal covers, from one sample of everything else.

The front does not know the cover. Its depths are sorted into a fine grid once per strategy and
age, and every cover's distribution is then integrated over that grid: one cover more costs little.

Axes: r repeats, k epistemic points, p strategies, a ages, c covers, b depths of the grid.
"""

from __future__ import annotations

import functools
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.distributions.distribution import Distribution, with_shifted_moments
from stripwise.distributions.families import SAMPLE
from stripwise.distributions.sampling import random_stream, sobol_blocks
from stripwise.risk.model.wall import COVER, Number, Wall
from stripwise.risk.probability.integral import Integral, build_fronts, front_depths
from stripwise.risk.probability.nested_sampling import MAP_OUTER_POINTS, NestedSample
from stripwise.risk.probability.parallel import run_parallel
from stripwise.risk.probability.reliability_index import reliability_index

__all__ = [
    "SamplingOptions",
    "has_cheap_covers",
    "nested_probability",
    "probability_by_epistemic_point",
    "probability_by_repeat",
    "shifted_cover",
    "with_nominal_cover",
]

Array = NDArray[np.float64]

STEPS_PER_SD = 24.0
"""Depths of the grid per sd of the cover: cubic interpolation is then within 1e-8 in P."""

TAIL = 1e-16
BATCH_SIZE = 16_384
"""Depths sorted into the grid at a time."""
MAX_MOMENTS = 1 << 21
"""Most sums of a block of epistemic points; more would leave the cache, and take memory."""

POINTS_PER_COVER = 16
"""Probabilities per cover from which one curve over the growth of the fronts costs less."""

MAX_DEPTHS = 20_000
"""Above that, as for a cover with next to no scatter, covers are integrated one by one."""


@dataclass(frozen=True, slots=True)
class SamplingOptions:
    """Which sample to take.

    Attributes
    ----------
    points
        Points per scrambling, or of the aleatory inputs around each epistemic point.
    repeats
        Independent scramblings, of the epistemic points too.
    seed
        Seed of the run.
    stage
        Random stream; with "main", the same points as the curves of a run.
    workers
        Threads; the results do not depend on it.
    outer_points
        Epistemic points of a scrambling.
    keep
        Whether to keep the points for the next wall that takes as many.
    """

    points: int
    repeats: int
    seed: int
    stage: str = "main"
    workers: int = 2
    outer_points: int = MAP_OUTER_POINTS
    keep: bool = False

    def blocks(self, dimensions: int, repeat: int) -> Iterable[Array]:
        """Return the normal scores (d, n) of one scrambling, block by block."""
        key = (self.seed, self.stage, repeat)
        if self.keep:
            return _kept_blocks(dimensions, self.points, *key)
        return sobol_blocks(dimensions, self.points, _stream(*key))


def _stream(seed: int, stage: str, repeat: int) -> np.random.Generator:
    return random_stream(seed, stage=stage, index=(repeat,))


@functools.lru_cache(maxsize=64)
def _kept_blocks(
    dimensions: int, points: int, seed: int, stage: str, repeat: int
) -> tuple[Array, ...]:
    return tuple(sobol_blocks(dimensions, points, _stream(seed, stage, repeat)))


def shifted_cover(wall: Wall, nominal: float, sd: float | None = None) -> Distribution:
    """Return the distribution of the cover under another nominal cover, and another sd [mm]."""
    law = wall.input(COVER).distribution.shifted(nominal - wall.nominal_cover)
    return law if sd is None else with_shifted_moments(law, sd=sd - law.parent_sd)


def with_nominal_cover(wall: Wall, nominal: float, sd: float | None = None) -> Wall:
    """Return the wall drawn with another nominal cover, and with another sd of it [mm]."""
    moved = shifted_cover(wall, nominal, sd)
    inputs = tuple(
        replace(item, distribution=moved) if item.name == COVER else item for item in wall.inputs
    )
    draws = wall.draws and wall.draws.moved(COVER, nominal - wall.nominal_cover)
    return replace(wall, inputs=inputs, draws=draws)


def has_cheap_covers(wall: Wall) -> bool:
    """Tell whether many covers at once cost little: a uniform face, an independent random cover.

    Not so for a layered face, whose fronts are roots or a numerical solution, and for a fixed or
    correlated cover, where every cover is integrated on its own.
    """
    integral, _ = Integral.from_wall(wall, prefer_cover=True)
    if wall.numerical:
        return False
    return not wall.layered and integral.name == COVER and integral.weights is None


def probability_by_repeat(
    wall: Wall, covers: Array, ages: Array, *, sample: SamplingOptions, sds: Array | None = None
) -> Array:
    """Return the probability per scrambling, (r, p, a, c).

    Over strategies, ages (a,) since first exposure [yr] and nominal covers (c,) [mm], each with an
    sd of its own where `sds` (c,) are given [mm].
    """
    integral, sampler = Integral.from_wall(wall, prefer_cover=True)
    integrals = _CoverIntegrals.from_covers(wall, integral, covers, sds)

    def repeat(r: int) -> Array:
        own = sampler.for_repeat(r, sample.repeats, wall.draws)
        total: Array | None = None
        for z in sample.blocks(own.dimensions, r):
            score_mean = integral.conditional_mean(own.correlate(z))
            part = integrals.sums(own.values(z), score_mean, ages)[0] * z.shape[1]
            total = part if total is None else total + part
        assert total is not None
        return integrals.probability(total / sample.points)

    workers = wall.useful_workers(sample.workers)
    return np.array(list(run_parallel(repeat, sample.repeats, workers=workers)))


def probability_by_epistemic_point(
    wall: Wall, covers: Array, ages: Array, *, sample: SamplingOptions, sds: Array | None = None
) -> Array | None:
    """Return the probability per epistemic point, (k, p, a, c); None without any.

    The points of one scrambling follow those of the one before. `sds` as `probability_by_repeat`.
    """
    stage = "knowledge" if sample.stage == "main" else sample.stage
    found = []
    integrals: _CoverIntegrals | None = None
    for replicate in range(sample.repeats):
        nested = NestedSample.from_wall(
            wall,
            points=sample.points,
            seed=sample.seed,
            stage=stage,
            prefer_cover=True,
            outer_points=sample.outer_points,
            replicate=replicate,
            replicates=sample.repeats,
        )
        if nested is None:
            return None
        if integrals is None or not integrals.serve(nested.integral):
            integrals = _CoverIntegrals.from_covers(wall, nested.integral, covers, sds)
        found.append(_nested_probability(nested, integrals, ages, workers=sample.workers))
    return np.concatenate(found)


def nested_probability(
    wall: Wall,
    nested: NestedSample,
    covers: Array,
    ages: Array,
    *,
    workers: int,
    sds: Array | None = None,
) -> Array:
    """Return the probability at every epistemic point of a nested sample, (k, p, a, c)."""
    integrals = _CoverIntegrals.from_covers(wall, nested.integral, covers, sds)
    return _nested_probability(nested, integrals, ages, workers=workers)


def _nested_probability(
    nested: NestedSample, integrals: _CoverIntegrals, ages: Array, *, workers: int
) -> Array:
    wall = integrals.wall
    fronts = nested.front_growth(wall, ages) if integrals.steps else None
    if fronts is not None and fronts.log_growth.size > POINTS_PER_COVER * integrals.covers.size:
        index = fronts.read(lambda growth: integrals.index(fronts.depths(growth)))
        if index is not None:
            return np.asarray(np.moveaxis(special.ndtr(-index), 0, -1))
    most = nested.joinable(wall) if integrals.steps else 1
    moments = 4 * (integrals.steps + 1) * len(wall.plans) * len(ages)
    most = max(min(most, MAX_MOMENTS // max(moments, 1)), 1)

    def outer(place: int) -> Array:
        values, scores, groups = nested.joined_values(place * most, most)
        return integrals.probability(integrals.sums(values, scores, ages, groups=groups))

    blocks = -(-nested.count // most)
    workers = wall.useful_workers(workers)
    return np.concatenate(list(run_parallel(outer, blocks, workers=workers)))


@dataclass(frozen=True, slots=True)
class _CoverIntegrals:
    """How one wall is integrated over a list of covers.

    `moment_weights` (4 `steps`, c) turn the moments 0 to 3 of the position within each step of a
    grid of depths, from `first` on, into probabilities; there are no steps where the samples are
    integrated one by one.
    """

    wall: Wall
    covers: Array
    integral: Integral
    shifted_integrals: tuple[Integral, ...]
    first: float = 0.0
    step: float = 1.0
    steps: int = 0
    moment_weights: Array | None = None

    @classmethod
    def from_covers(
        cls, wall: Wall, integral: Integral, covers: Array, sds: Array | None = None
    ) -> _CoverIntegrals:
        if sds is None or integral.name != COVER:
            shifted_integrals = tuple(
                integral.moved(float(cover) - wall.nominal_cover) for cover in covers
            )
        else:
            shifted_integrals = tuple(
                replace(integral, distribution=shifted_cover(wall, float(cover), float(sd)))
                for cover, sd in zip(covers, sds, strict=True)
            )
        tabulated = integral.distribution is None or integral.distribution.family == SAMPLE
        if integral.name != COVER or integral.weights is not None or tabulated:
            # a density with steps is no ground for a cubic between depths
            return cls(wall, covers, integral, shifted_integrals)
        laws = [one.distribution for one in shifted_integrals if one.distribution is not None]
        step = min(law.sd for law in laws) / STEPS_PER_SD
        first = min(float(law.quantile(TAIL)) for law in laws)
        last = max(float(law.quantile(1.0 - TAIL)) for law in laws)
        steps = np.ceil((last - first) / step)
        if not steps < MAX_DEPTHS:  # a grid cut short would lose the deeper covers
            return cls(wall, covers, integral, shifted_integrals)
        depths = first + step * np.arange(max(int(steps), 1) + 1)
        law = np.column_stack([one.cdf(depths) for one in laws])
        density = step * np.column_stack([one.pdf(depths) for one in laws])
        weights = _moment_weights(law, density)
        count = len(depths) - 1
        return cls(wall, covers, integral, shifted_integrals, first, step, count, weights)

    def serve(self, integral: Integral) -> bool:
        """Tell whether another integral over the same covers is this one."""
        own = self.integral
        return (
            own.name == integral.name
            and own.distribution is integral.distribution
            and own.weights is None
            and integral.weights is None
            and own.scale == integral.scale
        )

    def sums(
        self, values: dict[str, Number], score_mean: Number, ages: Array, groups: int = 1
    ) -> Array:
        """Average over the rows of a block: (g, p, a, 4, b) moments, or (1, p, a, c) probabilities."""
        if not self.steps:
            return self._one_by_one(values, score_mean, ages)[np.newaxis]
        block = self.wall.sample_block(values)
        plans, steps = len(self.wall.plans), self.steps
        moments = np.empty((groups, plans, len(ages), 4, steps))
        fronts = build_fronts(self.wall, block)
        for j, age in enumerate(ages):
            first = 0
            for some in _batches(fronts.depths(float(age))):
                last = first + len(some)
                moments[:, first:last, j] = self._moments(some, groups)
                first = last
        return moments

    def _moments(self, depths: list[Array], groups: int) -> Array:
        """Return moments 0 to 3 of the position within each step of the grid, (g, p, 4, b)."""
        steps = self.steps
        shape = np.broadcast_shapes((1, 1), *(np.shape(depth) for depth in depths))
        position = np.empty((len(depths), *shape))
        for row, depth in zip(position, depths, strict=True):
            row[...] = depth
        position -= self.first
        position *= 1.0 / self.step
        np.clip(position, 0.0, steps - 1e-9, out=position)
        position = position.reshape(-1, shape[1])
        at = position.astype(np.intp)
        position -= at
        at += steps * np.arange(len(at))[:, np.newaxis]
        square = position * position
        powers = (None, position.ravel(), square.ravel(), (square * position).ravel())
        sums = [np.bincount(at.ravel(), weights=w, minlength=steps * len(at)) for w in powers]
        moments = np.array(sums).reshape(4, len(depths), shape[0], steps) / shape[1]
        return np.broadcast_to(moments.transpose(2, 1, 0, 3), (groups, len(depths), 4, steps))

    def index(self, depths: Array) -> Array:
        """Return the reliability index (c, m) over rows of fronts (m, n), each deeper than the last."""
        p = self.probability(self._moments([depths], len(depths))[:, :, np.newaxis])[:, 0, 0].T
        return np.asarray(np.minimum.accumulate(reliability_index(p, 1.0 - p), axis=-1))

    def probability(self, sums: Array) -> Array:
        """Turn `sums` into (..., p, a, c) probabilities, by cubic Hermite interpolation."""
        if self.moment_weights is None:
            return sums
        p = sums.reshape(*sums.shape[:-2], -1) @ self.moment_weights
        return np.asarray(np.clip(p, 0.0, 1.0))

    def _one_by_one(self, values: dict[str, Number], score_mean: Number, ages: Array) -> Array:
        wall, block = self.wall, self.wall.sample_block(values)
        p = np.empty((len(wall.plans), len(ages), len(self.covers)))
        if self.shifted_integrals and self.shifted_integrals[0].name == COVER:
            for j, age in enumerate(ages):
                depths = front_depths(wall, block, age)
                for c, shifted_integral in enumerate(self.shifted_integrals):
                    p[:, j, c] = [
                        np.mean(shifted_integral.probability_below(depth, score_mean))
                        for depth in depths
                    ]
            return p
        upper = np.zeros(p.shape[:2], dtype=bool)
        for c, cover in enumerate(self.covers):
            shifted_values = {**values, COVER: values[COVER] + (float(cover) - wall.nominal_cover)}
            p[:, :, c] = self.shifted_integrals[c].probabilities(
                wall, block, shifted_values, score_mean, ages, upper
            )
        return p


def _moment_weights(law: Array, density: Array) -> Array:
    """Return the weights (4 b, c) of a cubic between tables (b + 1, c) on a grid.

    Of the distribution function and of the density times the step.
    """
    start, rise = law[:-1], np.diff(law, axis=0)
    slope, end_slope = density[:-1], density[1:]
    square = 3.0 * rise - 2.0 * slope - end_slope
    return np.concatenate([start, slope, square, slope + end_slope - 2.0 * rise])


def _batches(depths: Iterator[Array]) -> Iterator[list[Array]]:
    """Gather the depths of some strategies at a time, as many as stay in the cache."""
    batch: list[Array] = []
    for depth in depths:
        batch.append(depth)
        if len(batch) * depth.size >= BATCH_SIZE:
            yield batch
            batch = []
    if batch:
        yield batch
