"""How probable counts of points are for each draw of what is epistemic.

Something is found at a point with p = detection P(t|e) + false alarm (1 - P(t|e)). The probability
of a random point, P(t|e), integrates what varies along the wall: of depassivation the cover exactly,
of a crack the corrosion rate.

Axes: n draws, k points of what varies along the wall.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.evidence.inspections.inspection_sets import CRACK, DEPASSIVATION, PointSet
from stripwise.risk.model.wall import Wall
from stripwise.risk.probability.cracking import CORROSION_RATE, crack_probability_by_sample
from stripwise.risk.probability.nested_sampling import NestedSample
from stripwise.studies.update.epistemic_scores import EpistemicDraws

__all__ = ["PointLikelihood", "PointProbability"]

Array = NDArray[np.float64]

INNER_POINTS, SLOW_INNER_POINTS = 512, 128
"""Points of what varies along the wall; fewer where a front is a root of its own."""

JOINED = 2**15
"""Samples that are computed together."""


@dataclass(frozen=True, slots=True, eq=False)
class PointProbability:
    """The probability that a random point of a face is depassivated, or cracked, by draw.

    Attributes
    ----------
    wall
        The wall with the strategy of the face alone.
    nested
        What varies along it, sampled; its outer points are replaced by draws.
    plain
        Whether draws and points may broadcast, as they do where the front is a plain formula.
    """

    wall: Wall
    nested: NestedSample
    plain: bool
    event: str = DEPASSIVATION

    @classmethod
    def of_face(
        cls,
        wall: Wall,
        strategy: str,
        *,
        seed: int,
        event: str = DEPASSIVATION,
        most_inner: int = INNER_POINTS,
    ) -> PointProbability:
        """Sample what varies along a wall, at most `most_inner` points."""
        plan = next(plan for plan in wall.plans if plan.name == strategy)
        face = wall.with_plans((plan,)).with_coarse_grid()
        plain = (
            event == DEPASSIVATION
            and face.conditions is None
            and not face.layered
            and face.front_model is None
        )
        integrated = None
        if event == CRACK:
            integrated = "" if face.input(CORROSION_RATE).distribution.is_fixed else CORROSION_RATE
        inner = min(INNER_POINTS if plain else SLOW_INNER_POINTS, most_inner)
        nested = NestedSample.from_wall(
            face,
            points=inner,
            seed=seed,
            stage="inspections",
            prefer_cover=True,
            outer_points=1,
            inner_points=inner,
            integrated=integrated,
            always=True,  # what is epistemic may lie in the curing of another face alone
        )
        assert nested is not None
        return cls(face, nested, plain, event)

    def at(self, draws: EpistemicDraws, age: float) -> Array:
        """Return P(age | draw), (n,)."""
        inner = self._size()
        most = max(JOINED // inner, 1)
        with np.errstate(divide="ignore"):  # a diffusivity of 0
            parts = [
                self._part(draws.rows(slice(first, first + most)), age, inner)
                for first in range(0, draws.count, most)
            ]
        return np.concatenate(parts)

    def _size(self) -> int:
        columns = [*self.nested.aleatory_values.values(), self.nested.score_mean]
        columns += [within for *_, within in self.nested.split]
        return max(np.size(column) for column in columns)

    def _part(self, draws: EpistemicDraws, age: float, inner: int) -> Array:
        integral = self.nested.integral
        own = draws.scores.get(integral.name)
        share = self.wall.input(integral.name).epistemic_share if own is not None else 0.0
        nested = replace(
            self.nested,
            epistemic_values={n: draws.inputs[n] for n in self.nested.epistemic_values},
            split=tuple(
                (item, draws.scores[item.name], within) for item, _, within in self.nested.split
            ),
            integrated_scores=np.zeros(draws.count) if own is None else np.sqrt(share) * own,
            count=draws.count,
        )
        ages, upper = np.array([age]), np.zeros((1, 1), dtype=bool)
        if self.plain:
            found = nested.probabilities(self.wall, ages, upper, first=0, most=draws.count)
            return np.asarray(found).reshape(draws.count)
        values, score_mean, _ = nested.joined_values(0, draws.count)
        shape = (draws.count, inner)
        flat = {
            name: np.broadcast_to(value, shape).ravel() if np.ndim(value) else value
            for name, value in values.items()
        }
        scores = np.broadcast_to(score_mean, shape).ravel()
        if self.event == CRACK:
            cracked = crack_probability_by_sample(self.wall, integral, flat, scores, age)
            return np.asarray(
                np.broadcast_to(cracked, draws.count * inner).reshape(shape).mean(axis=1)
            )
        block = self.wall.sample_block(flat)
        found = integral.probabilities_by_sample(self.wall, block, flat, scores, ages, False)
        flat_p = np.broadcast_to(found[0], draws.count * inner)
        return np.asarray(flat_p.reshape(shape).mean(axis=1))


@dataclass(frozen=True, slots=True, eq=False)
class PointLikelihood:
    """The counts of one set."""

    found: PointSet
    faces: dict[tuple[str, str], PointProbability]

    @classmethod
    def from_set(
        cls, found: PointSet, wall: Wall, *, seed: int, most_inner: int = INNER_POINTS
    ) -> PointLikelihood:
        """Prepare the counts of a file."""
        faces = {
            (strategy, event): PointProbability.of_face(
                wall, strategy, seed=seed, event=event, most_inner=most_inner
            )
            for strategy, event in {(one.strategy, one.event): None for one in found.counts}
        }
        return cls(found, faces)

    def log_likelihood(self, draws: EpistemicDraws, _points: int) -> Array:
        """Return ln p(counts | draw), (n,), weighed for points that are alike."""
        total = np.zeros(draws.count)
        for count, found in zip(self.found.counts, self.chances(draws), strict=True):
            total += count.weight * (
                special.xlogy(count.found, found)
                + special.xlog1py(count.points - count.found, -found)
            )
        return total

    def chances(self, draws: EpistemicDraws) -> list[Array]:
        """Return for each count the chance (n,) that something is found at a point."""
        known: dict[tuple[str, str, float], Array] = {}
        chances = []
        for count in self.found.counts:
            key = (count.strategy, count.event, count.age)
            if key not in known:
                known[key] = self.faces[key[:2]].at(draws, count.age)
            p = known[key]
            chances.append(count.detection * p + count.false_alarm * (1.0 - p))
        return chances
