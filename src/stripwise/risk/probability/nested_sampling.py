"""How the two levels of sampling nest: epistemic points outside, one aleatory sample inside."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.distributions.random_input import Input
from stripwise.distributions.sampling import BLOCK_SIZE, InputSampler, random_stream, sobol_blocks
from stripwise.risk.model.wall import COVER, Wall
from stripwise.risk.probability.front_growth import FrontGrowth
from stripwise.risk.probability.integral import Integral
from stripwise.risk.probability.parallel import run_parallel
from stripwise.risk.probability.reliability_index import reliability_index

__all__ = ["BAND_INNER_POINTS", "BAND_OUTER_POINTS", "MAP_OUTER_POINTS", "NestedSample"]

Array = NDArray[np.float64]

MAP_OUTER_POINTS = 64
"""Outer points of a map, with bands at many design points."""
BAND_OUTER_POINTS = 256
"""Outer points of a curve, whose 2.5 % and 97.5 % quantiles decide the verdict."""
MAP_INNER_POINTS = 1024
BAND_INNER_POINTS = 2048
"""Inner points of a map and of a curve; half of them would put the low end of a curve's band a
third too low."""
NUMERICAL_INNER_POINTS = 512
"""Most inner points where every front is a numerical solution."""
NUMERICAL_OUTER_POINTS = 128
"""Most outer points where every front is a numerical solution."""
SKIN_RISE_INNER_POINTS = 256
"""Inner points where every front is the root of a long sum: a rise over a penalised skin."""


@dataclass(frozen=True, slots=True)
class NestedSample:
    """Outer points of what is epistemic around one shared inner sample of what is aleatory.

    An input whose variance lies partly between walls has a score in both: sqrt(b) B + sqrt(1-b) W.

    Attributes
    ----------
    integral
        What is integrated exactly inside, given the outer point.
    aleatory_values
        Values of the wholly aleatory and the fixed inputs, (n,) or numbers.
    epistemic_values
        Values of the wholly epistemic inputs, (k,) each.
    split
        Inputs in both levels, with their outer scores (k,) and inner scores (n,).
    score_mean
        Mean score of the integrated input given the inner sample, before its own outer score.
    integrated_scores
        Outer scores (k,) of the integrated input times sqrt(b); zeros where it has none.
    count
        Outer points k.
    """

    integral: Integral
    aleatory_values: dict[str, Array | float]
    epistemic_values: dict[str, Array | float]
    split: tuple[tuple[Input, Array, Array], ...]
    score_mean: Array | float
    integrated_scores: Array
    count: int

    @classmethod
    def from_wall(
        cls,
        wall: Wall,
        *,
        points: int,
        seed: int,
        stage: str,
        prefer_cover: bool = False,
        outer_points: int | None = None,
        inner_points: int = MAP_INNER_POINTS,
        replicate: int = 0,
        replicates: int = 1,
        integrated: str | None = None,
        always: bool = False,
    ) -> NestedSample | None:
        """Sample both levels, scrambled anew by `replicate`; None if nothing that counts is epistemic.

        `outer_points` are those of a map unless given. `integrated` names the input to integrate in
        place of the wall's own, empty for none. `always` samples where
        nothing counts too. Joint draws are thinned at even steps of their order, each of several
        `replicates` from its own part of them.
        """
        outer_points = MAP_OUTER_POINTS if outer_points is None else outer_points
        outer_inputs = [i for i in wall.inputs if i.epistemic_share > 0.0]
        if not (always or any(wall.uses(i) for i in outer_inputs)):
            return None
        rest = [i for i in wall.inputs if i.epistemic_share < 1.0]
        if wall.has_surface_history and wall.layered:
            outer_points = min(outer_points, MAP_OUTER_POINTS)
            inner_points = min(inner_points, SKIN_RISE_INNER_POINTS)
        if wall.numerical:
            outer_points = min(outer_points, NUMERICAL_OUTER_POINTS)
        if integrated is None:
            integral, sampler = Integral.from_wall(wall, rest, prefer_cover=prefer_cover)
        else:
            inside = integrated if integrated in {i.name for i in rest} else ""
            integral, sampler = Integral.over(inside, rest, wall.correlations)
        drawn: dict[str, Array] = {}
        if wall.draws is not None:
            part = wall.draws.part(replicate, replicates)
            outer_points = min(outer_points, part.count)
            drawn = dict(zip(part.names, part.thinned(outer_points), strict=True))
        alone = [i for i in outer_inputs if i.name not in drawn]
        outer = InputSampler.from_inputs(alone, wall.correlations)
        size = min(points, NUMERICAL_INNER_POINTS if wall.numerical else inner_points)
        rng = random_stream(seed, stage=stage, index=(2 * replicate,))
        z = next(iter(sobol_blocks(sampler.dimensions, size, rng)))
        rng = random_stream(seed, stage=stage, index=(2 * replicate + 1,))
        even = 1 << (outer_points - 1).bit_length()
        z_outer = next(iter(sobol_blocks(outer.dimensions, even, rng)))[:, :outer_points]
        inner_scores = dict(zip(sampler.names, sampler.correlate(z), strict=True))
        outer_scores = {**dict(zip(outer.names, outer.correlate(z_outer), strict=True)), **drawn}
        partly = {i.name: i for i in outer_inputs if i.epistemic_share < 1.0}
        own, integrated_scores = partly.get(integral.name), np.zeros(outer_points)
        score_mean = integral.conditional_mean(sampler.correlate(z))
        if own is not None:
            b = own.epistemic_share
            integrated_scores = np.sqrt(b) * outer_scores[own.name]
            score_mean = np.sqrt(1.0 - b) * np.asarray(score_mean)
            integral = integral.with_scale(np.sqrt(1.0 - b), dimensions=sampler.dimensions)
        aleatory = sampler.values(z)
        epistemic: dict[str, Array | float] = {**outer.values(z_outer), **drawn}
        return cls(
            integral=integral,
            aleatory_values={k: v for k, v in aleatory.items() if k not in partly},
            epistemic_values={k: v for k, v in epistemic.items() if k not in partly},
            split=tuple(
                (item, outer_scores[name], inner_scores[name])
                for name, item in partly.items()
                if name != integral.name
            ),
            score_mean=score_mean,
            integrated_scores=integrated_scores,
            count=outer_points,
        )

    def values(self, k: int) -> dict[str, Array | float]:
        """Return every input at outer point k."""
        values = dict(self.aleatory_values)
        for name, column in self.epistemic_values.items():
            values[name] = float(np.asarray(column)[k])
        for item, between, within in self.split:
            b = item.epistemic_share
            score = np.sqrt(b) * between[k] + np.sqrt(1.0 - b) * within
            values[item.name] = item.distribution.from_normal(score)
        return values

    def score_mean_at(self, k: int) -> Array | float:
        """Return the mean score of the integrated input at outer point k, (n,) or a number."""
        return self.score_mean + float(self.integrated_scores[k])

    def joined_values(
        self, first: int, most: int
    ) -> tuple[dict[str, Array | float], Array | float, int]:
        """Return inputs and score mean at the outer points from `first` on, and their number g.

        At most `most` points: (g, 1) what is epistemic, (n,) or a number what is not, (g, n) what
        is both, so that what is not epistemic is worked out once. One point alone as `values`.
        """
        points = np.arange(first, min(first + most, self.count))
        if points.size == 1:
            return self.values(first), self.score_mean_at(first), 1
        values = dict(self.aleatory_values)
        for name, column in self.epistemic_values.items():
            values[name] = np.asarray(column)[points, np.newaxis]
        for item, between, within in self.split:
            b = item.epistemic_share
            score = np.sqrt(b) * between[points, np.newaxis] + np.sqrt(1.0 - b) * within
            values[item.name] = item.distribution.from_normal(score)
        return values, self.score_mean + self.integrated_scores[points, np.newaxis], points.size

    def probabilities(
        self, wall: Wall, ages: Array, upper: NDArray[np.bool_], *, first: int, most: int
    ) -> Array:
        """Return P at the outer points from `first` on, at most `most` of them, (g, s, t).

        `ages` and `upper` are those of `Integral.probabilities`.
        """
        values, scores, groups = self.joined_values(first, most)
        block = wall.sample_block(values)
        return self.integral.probabilities(wall, block, values, scores, ages, upper, groups=groups)

    def all_probabilities(
        self,
        wall: Wall,
        ages: Array,
        upper: NDArray[np.bool_],
        *,
        workers: int = 1,
        report: Callable[[float], None] | None = None,
    ) -> Array:
        """Return P at every outer point, (k, s, t); `report` is told the share done.

        `ages` and `upper` are those of `Integral.probabilities`.
        """
        by_growth = self._read_by_growth(wall, ages, upper)
        if by_growth is not None:
            return by_growth
        most = self.joinable(wall)
        blocks = -(-self.count // most)

        def block(place: int) -> Array:
            return self.probabilities(wall, ages, upper, first=place * most, most=most)

        parts: list[Array] = []
        for one in run_parallel(block, blocks, workers=workers):
            parts.append(one)
            if report is not None:
                report(len(parts) / blocks)
        return np.concatenate(parts)

    def front_growth(self, wall: Wall, ages: Array) -> FrontGrowth | None:
        """Return how far fronts have grown at every outer point; None if that is not all it changes."""
        if self.split or np.any(self.integrated_scores) or self.integral.weights is not None:
            return None
        if self.integral.name != COVER:
            return None
        return FrontGrowth.from_inputs(wall, self.aleatory_values, self.epistemic_values, ages)

    def _read_by_growth(self, wall: Wall, ages: Array, upper: NDArray[np.bool_]) -> Array | None:
        fronts = self.front_growth(wall, ages)
        if fronts is None:
            return None

        def index_at(growth: Array) -> Array:
            depths = fronts.depths(growth)
            p = np.array(self.integral.mean_probability_below(depths, 0.0, groups=growth.size))
            q, deep = 1.0 - p, p > 0.5  # the smaller of both keeps its digits
            if deep.any():
                q[deep] = self.integral.mean_probability_below(
                    depths[deep], 0.0, above=True, groups=int(deep.sum())
                )
            return np.minimum.accumulate(reliability_index(p, q))[np.newaxis]

        index = fronts.read(index_at)
        return None if index is None else special.ndtr(np.where(upper, index[0], -index[0]))

    def joinable(self, wall: Wall) -> int:
        """Return how many outer points may share a block; one where a front is no plain formula."""
        inner = [*self.aleatory_values.values(), *(within for *_, within in self.split)]
        size = max(np.size(x) for x in (*inner, self.score_mean))
        plain = wall.conditions is None and not wall.layered and wall.front_model is None
        return max(BLOCK_SIZE // size, 1) if plain else 1
