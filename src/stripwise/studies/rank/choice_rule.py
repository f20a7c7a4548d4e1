"""Which strategy is chosen, now and after a measurement, by the decision rule.

Axes: r repeats, k points of what is measured, s strategies.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.distributions.distribution import distribution, fixed
from stripwise.distributions.random_input import Input
from stripwise.distributions.sampling import InputSampler, random_stream, sobol_blocks
from stripwise.risk.model.wall import MEAN_COVER_OFFSET, Plan, Wall
from stripwise.risk.probability.confidence import epistemic_probability
from stripwise.risk.probability.intervals import (
    highest_mean,
    is_rare,
    point_quantile,
    points_that_resolve,
)
from stripwise.risk.probability.nested_sampling import NestedSample
from stripwise.risk.probability.nominal_covers import SamplingOptions, probability_by_repeat
from stripwise.risk.probability.target_rule import index_from_probability
from stripwise.studies.decision import ERROR_CHANCE, decision_limit, grow_until_decided

__all__ = ["ChoiceRule", "order_of_preference"]

Array = NDArray[np.float64]

STAGE = "value of information"
REPEATS, MEASURED_POINTS, EPISTEMIC_POINTS, INNER_POINTS = 4, 32, 32, 128
"""Sizes where a confidence is demanded: what is measured, what stays epistemic, what varies."""


@dataclass(frozen=True, slots=True)
class ChoiceRule:
    """The first strategy, by form time and then by follow-up time, that a decision accepts.

    Attributes
    ----------
    age
        Target life [yr].
    allowed
        Probability allowed within it.
    confidence
        Share of the epistemic points that must meet it too; 0 for no demand.
    order
        Positions of the strategies, the cheapest in time first.
    safe
        (s,) P of the whole wall with the sampling error that a decision must stand.
    safe_quantile
        (s,) the same of the quantile of P at the demanded confidence; None for no demand.
    """

    age: float
    allowed: float
    confidence: float
    order: tuple[int, ...]
    safe: Array
    safe_quantile: Array | None

    @classmethod
    def from_wall(
        cls,
        wall: Wall,
        *,
        age: float,
        allowed: float,
        confidence: float = 0.0,
        sample: SamplingOptions,
        most: int,
    ) -> ChoiceRule:
        """Work out what is decided now, from a sample that doubles to `most` points a repeat."""
        at, cover = np.array([age]), np.array([wall.nominal_cover])

        def compute(points: int, still: NDArray[np.int_]) -> Array:
            some = wall.with_plans(tuple(wall.plans[i] for i in still))
            larger = replace(sample, points=points)
            return probability_by_repeat(some, cover, at, sample=larger)[:, :, 0, 0]

        everyone = np.arange(len(wall.plans))
        p, points = grow_until_decided(
            compute(sample.points, everyone),
            compute,
            allowed=allowed,
            points=sample.points,
            most=most,
        )
        mean, error = p.mean(axis=0), np.std(p, axis=0, ddof=1) / np.sqrt(len(p))
        bound = highest_mean(mean, samples=points * len(p), chance=ERROR_CHANCE)
        safe = mean + decision_limit(len(p)) * error
        safe = np.where(is_rare(mean, error, points=points), np.maximum(safe, bound), safe)
        quantile = None
        if confidence:
            by_point = epistemic_probability(
                wall,
                age=age,
                mean_index=index_from_probability(mean),
                points=sample.points,
                seed=sample.seed,
                workers=sample.workers,
                demanded=confidence,
            )
            if by_point is not None:
                each = special.ndtr(-by_point.index_at_confidence(confidence))
                spread = np.std(each, axis=0, ddof=1) / np.sqrt(len(each))
                quantile = each.mean(axis=0) + decision_limit(len(each)) * spread
        return cls(age, allowed, confidence, order_of_preference(wall), safe, quantile)

    @property
    def now(self) -> int:
        """Position of the strategy that is chosen without a measurement, -1 for none."""
        within = self.safe <= self.allowed
        if self.safe_quantile is not None:
            within &= self.safe_quantile <= self.allowed
        return int(self._first(within))

    def later(
        self, wall: Wall, measured: tuple[Input, ...], share: float, found: Array, *, seed: int
    ) -> NDArray[np.int_]:
        """Return the positions that are chosen at each outcome of a measurement, (m,).

        `found` (r, k, s) is P given an outcome. What is left of the mean's sampling error must not
        look like another choice, so each repeat is moved to the P that decides now.
        """
        if self.safe_quantile is not None:
            nested = self._nested(wall, measured, share, seed=seed)
            if nested is not None:
                p, quantile = nested
                within = _moved(p, self.safe) <= self.allowed
                every = quantile.reshape(len(p), -1, p.shape[2])
                whole = point_quantile(every, self.confidence, axis=1)
                each = point_quantile(quantile, self.confidence, axis=2)
                within &= each + (self.safe_quantile - whole)[:, np.newaxis] <= self.allowed
                return self._first(within.reshape(-1, p.shape[2]))
        within = _moved(found, self.safe) <= self.allowed
        return self._first(within.reshape(-1, found.shape[2]))

    def _first(self, within: NDArray[np.bool_]) -> NDArray[np.int_]:
        """Return the first strategy within the target along the last axis, -1 for none."""
        order = np.array(self.order, dtype=np.intp)
        ordered = np.asarray(within)[..., order]
        first: NDArray[np.int_] = order[np.argmax(ordered, axis=-1)]
        return np.where(ordered.any(axis=-1), first, np.intp(-1))

    def _nested(
        self, wall: Wall, measured: tuple[Input, ...], share: float, *, seed: int
    ) -> tuple[Array, Array] | None:
        """Return P (r, k, s) given an outcome, and P (r, k, e, s) at each point still epistemic.

        None where nothing is left that is.
        """
        outer = InputSampler.from_inputs(measured, wall.correlations)
        upper = np.zeros((len(wall.plans), 1), dtype=bool)
        epistemic_points = points_that_resolve(self.confidence, least=EPISTEMIC_POINTS)
        found = np.empty((REPEATS, MEASURED_POINTS, epistemic_points, len(wall.plans)))
        for r in range(REPEATS):
            rng = random_stream(seed, stage=STAGE, index=(2, r))
            known = outer.values(next(iter(sobol_blocks(outer.dimensions, MEASURED_POINTS, rng))))
            for k in range(MEASURED_POINTS):
                one = _given(wall, {n: float(np.asarray(v)[k]) for n, v in known.items()}, share)
                nested = NestedSample.from_wall(
                    one,
                    points=INNER_POINTS,
                    seed=seed,
                    stage=STAGE,
                    outer_points=epistemic_points,
                    inner_points=INNER_POINTS,
                    replicate=2 + r,
                )
                if nested is None:
                    return None
                found[r, k] = nested.all_probabilities(one, np.array([self.age]), upper)[:, :, 0]
        return found.mean(axis=2), found


def _moved(p: Array, to: Array) -> Array:
    """Move P (r, k, s) so that the mean of each repeat is that of `to` (s,)."""
    return np.asarray(p + (to - p.mean(axis=1, keepdims=True)))


def _given(wall: Wall, known: dict[str, float], share: float) -> Wall:
    """Return the wall once inputs are known; a mean cover offset perhaps to a share only."""

    def law(item: Input) -> Input:
        value = known[item.name]
        if share == 1.0:
            return replace(item, distribution=fixed(value))
        left = np.sqrt(1.0 - share) * item.distribution.sd
        mean = np.sqrt(share) * value
        return replace(item, distribution=distribution("normal", mean=mean, sd=left))

    assert share == 1.0 or set(known) == {MEAN_COVER_OFFSET}
    inputs = tuple(law(item) if item.name in known else item for item in wall.inputs)
    return replace(wall, inputs=inputs)


def order_of_preference(wall: Wall) -> tuple[int, ...]:
    """Order the strategies by form time, then by follow-up time: the cheapest in time first."""

    def time_cost(i: int) -> tuple[float, float]:
        plan: Plan = wall.plans[i]
        age = plan.strip_age
        hours = wall.input(age).distribution.mean if isinstance(age, str) else age
        return hours, plan.follow_up_h

    return tuple(sorted(range(len(wall.plans)), key=time_cost))
