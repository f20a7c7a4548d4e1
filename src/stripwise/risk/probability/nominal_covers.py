"""Probability over many nominal covers at once, from one sample of everything else.

The front does not know the cover. Its depths are sorted into a fine grid once per strategy and
age, and every cover law is then integrated over that grid: a cover more costs next to nothing.

Axes: r repeats, k knowledge points, p strategies, a ages, c covers, b depths of the grid.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.distribution import Distribution
from stripwise.distributions.sampling import sobol_cells, stream
from stripwise.risk.model.wall import COVER, Number, Wall
from stripwise.risk.probability.integral import Integral, front_depths, fronts_of
from stripwise.risk.probability.nested import NestedDraw
from stripwise.risk.probability.parallel import run_parallel

__all__ = ["Sample", "by_knowledge", "by_repeat", "is_quick", "moved_cover"]

Array = NDArray[np.float64]

STEPS_PER_SD = 24.0
"""Depths of the grid per sd of the cover: cubic interpolation is then within 1e-8 in P."""

TAIL = 1e-16
MOST_DEPTHS = 20_000
"""Above that, as for a cover with next to no scatter, covers are integrated one by one."""


@dataclass(frozen=True, slots=True)
class Sample:
    """Which sample to take.

    Attributes
    ----------
    points
        Points per scrambling, or of the scatter around each knowledge point.
    repeats
        Independent scramblings.
    seed
        Seed of the run.
    stage
        Random stream; with "main", the same points as the curves of a run.
    workers
        Threads; the results do not depend on it.
    """

    points: int
    repeats: int
    seed: int
    stage: str = "main"
    workers: int = 2


def moved_cover(wall: Wall, mean: float) -> Distribution:
    """Return the law of the cover after a change of the nominal cover to a mean [mm]."""
    law = wall.input(COVER).distribution
    return law.shifted(mean - law.parent_mean)


def is_quick(wall: Wall) -> bool:
    """Whether many covers at once cost little: a uniform face whose random cover stands alone.

    Parameters
    ----------
    wall
        The wall.

    Returns
    -------
    False for a layered face, whose fronts are roots or a numerical solution, and for a fixed or
    correlated cover, where every cover is integrated on its own.
    """
    integral, _ = Integral.of(wall, prefer_cover=True)
    if wall.numerical:
        return False
    return not wall.layered and integral.name == COVER and integral.weights is None


def by_repeat(wall: Wall, covers: Array, ages: Array, *, sample: Sample) -> Array:
    """Probability of depassivation over strategies, ages and covers, once per scrambling.

    Parameters
    ----------
    wall
        The wall with p strategies.
    covers
        (c,) mean cover [mm].
    ages
        (a,) ages since first exposure [yr].
    sample
        Which sample to take.

    Returns
    -------
    (r, p, a, c) probability.
    """
    integral, draw = Integral.of(wall, prefer_cover=True)
    over = _Over.of(wall, integral, covers)

    def repeat(r: int) -> Array:
        rng = stream(sample.seed, stage=sample.stage, index=(r,))
        total: Array | None = None
        for z in sobol_cells(draw.dimensions, sample.points, rng):
            shift = integral.shift(draw.correlate(z))
            part = over.sums(draw.values(z), shift, ages) * z.shape[1]
            total = part if total is None else total + part
        assert total is not None
        return over.probability(total / sample.points)

    return np.array(list(run_parallel(repeat, sample.repeats, workers=sample.workers)))


def by_knowledge(wall: Wall, covers: Array, ages: Array, *, sample: Sample) -> Array | None:
    """Probability over strategies, ages and covers, once per point of the knowledge inputs.

    Parameters
    ----------
    wall, covers, ages, sample
        As for `by_repeat`.

    Returns
    -------
    (k, p, a, c) probability, or None without knowledge inputs.
    """
    stage = "knowledge" if sample.stage == "main" else sample.stage
    nested = NestedDraw.of(
        wall, points=sample.points, seed=sample.seed, stage=stage, prefer_cover=True
    )
    if nested is None:
        return None
    over = _Over.of(wall, nested.integral, covers)

    def outer(k: int) -> Array:
        return over.probability(over.sums(nested.values(k), nested.shift, ages))

    return np.array(list(run_parallel(outer, nested.count, workers=sample.workers)))


def _moved(integral: Integral, distance: float) -> Integral:
    """Move the nominal cover of an integral, as `Integral.moved` but each law built once."""
    if integral.name != COVER or integral.distribution is None:
        return integral
    return replace(integral, distribution=_shifted(integral.distribution, distance))


@functools.lru_cache(maxsize=2048)
def _shifted(law: Distribution, distance: float) -> Distribution:
    return law.shifted(distance)


@dataclass(frozen=True, slots=True)
class _Over:
    """How one wall is integrated over a list of covers.

    `law` and `density` are (b, c) tables of the cover's distribution function and of its density
    times `step`, on depths from `first` on; empty where the samples are integrated one by one.
    """

    wall: Wall
    covers: Array
    moved: tuple[Integral, ...]
    first: float
    step: float
    law: Array
    density: Array

    @classmethod
    def of(cls, wall: Wall, integral: Integral, covers: Array) -> _Over:
        nominal = wall.input(COVER).distribution.parent_mean
        moved = tuple(_moved(integral, float(cover) - nominal) for cover in covers)
        if integral.name != COVER or integral.weights is not None:
            return cls(wall, covers, moved, 0.0, 1.0, np.empty((0, 0)), np.empty((0, 0)))
        laws = [one.distribution for one in moved if one.distribution is not None]
        step = min(law.sd for law in laws) / STEPS_PER_SD
        first = min(float(law.quantile(TAIL)) for law in laws)
        last = max(float(law.quantile(1.0 - TAIL)) for law in laws)
        steps = np.ceil((last - first) / step)
        if not steps < MOST_DEPTHS:  # a grid cut short would lose the deeper covers
            return cls(wall, covers, moved, 0.0, 1.0, np.empty((0, 0)), np.empty((0, 0)))
        depths = first + step * np.arange(max(int(steps), 1) + 1)
        law = np.column_stack([one.cdf(depths) for one in laws])
        density = step * np.column_stack([one.pdf(depths) for one in laws])
        return cls(wall, covers, moved, first, step, law, density)

    def sums(self, values: dict[str, Number], shift: Number, ages: Array) -> Array:
        """Mean over the samples of one cell: (p, a, 4, b) moments, or (p, a, c) probabilities."""
        face = self.wall.face(values)
        if not self.law.size:
            return self._one_by_one(values, shift, ages)
        moments = np.empty((len(self.wall.plans), len(ages), 4, len(self.law) - 1))
        fronts = fronts_of(self.wall, face)
        for j, age in enumerate(ages):
            for i, depth in enumerate(fronts.at(float(age))):
                moments[i, j] = self._moments(depth)
        return moments

    def _moments(self, depth: Array) -> Array:
        """Moments 0 to 3 of the place within each step of the grid, (4, b - 1)."""
        steps = len(self.law) - 1
        place = (np.atleast_1d(depth) - self.first) * (1.0 / self.step)
        np.clip(place, 0.0, steps - 1e-9, out=place)
        at = place.astype(np.intp)
        place -= at
        square = place * place
        powers = (None, place, square, square * place)
        return np.array([np.bincount(at, weights=w, minlength=steps) for w in powers]) / place.size

    def probability(self, sums: Array) -> Array:
        """Turn what `sums` gave into (p, a, c) probabilities, by cubic Hermite interpolation."""
        if not self.law.size:
            return sums
        m0, m1, m2, m3 = np.moveaxis(sums, 2, 0)
        late = 3.0 * m2 - 2.0 * m3
        p = (m0 - late) @ self.law[:-1] + late @ self.law[1:]
        p += (m1 - 2.0 * m2 + m3) @ self.density[:-1] + (m3 - m2) @ self.density[1:]
        return np.asarray(np.clip(p, 0.0, 1.0))

    def _one_by_one(self, values: dict[str, Number], shift: Number, ages: Array) -> Array:
        wall, face = self.wall, self.wall.face(values)
        p = np.empty((len(wall.plans), len(ages), len(self.covers)))
        nominal = wall.input(COVER).distribution.parent_mean
        if self.moved and self.moved[0].name == COVER:
            for j, age in enumerate(ages):
                depths = front_depths(wall, face, age)
                for c, there in enumerate(self.moved):
                    p[:, j, c] = [np.mean(there.below(depth, shift)) for depth in depths]
            return p
        upper = np.zeros(p.shape[:2], dtype=bool)
        for c, cover in enumerate(self.covers):
            given = {**values, COVER: values[COVER] + (float(cover) - nominal)}
            p[:, :, c] = self.moved[c].probabilities(wall, face, given, shift, ages, upper)
        return p
