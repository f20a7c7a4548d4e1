"""What inspections say about the faces of an inventory: draws of what they share, and of their own.

Axes: m draws, q draws that totals take, c own draws of each of these.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.joint_draws import JointDraws
from stripwise.distributions.random_input import Input
from stripwise.distributions.sampling import InputSampler
from stripwise.risk.model.wall import Wall
from stripwise.risk.probability.shared_draws import is_own
from stripwise.studies.inventory.face_classes import FaceClass
from stripwise.studies.update.epistemic_scores import EpistemicDraws

__all__ = ["Learned", "SharedInputs", "wall_known_from"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Learned:
    """Draws of the posterior, of equal weight.

    Attributes
    ----------
    told
        Keys of the shared scores that the data may have moved; the others keep their prior.
    scores
        (m,) scores of all that faces share, by key: independent and standard normal before the data.
    own
        (m,) scores of what is an inspected face's own, correlated, by face and input.
    few, few_own
        The same for totals: (q,), and (c q,) in c runs of q.
    """

    told: frozenset[str]
    scores: Mapping[str, Array]
    own: Mapping[str, Mapping[str, NDArray[np.float32]]]
    few: Mapping[str, Array]
    few_own: Mapping[str, Mapping[str, Array]]

    def own_runs(self, one: FaceClass) -> int:
        """Return how many runs c the draws of totals of a class are made of."""
        own = self.few_own.get(one.key.element)
        return next(iter(own.values())).size // self.few_count if own else 1

    @property
    def few_count(self) -> int:
        """Draws q that totals take."""
        return next(iter(self.few.values())).size

    def few_of(self, one: FaceClass) -> tuple[dict[str, Array], Mapping[str, Array]]:
        """Return the scores by key and the own scores of a class for totals, (c q,) each."""
        runs = self.own_runs(one)
        return {key: np.tile(z, runs) for key, z in self.few.items()}, self.few_own.get(
            one.key.element, {}
        )


@dataclass(frozen=True, slots=True, eq=False)
class SharedInputs:
    """How the scores that faces share become the inputs of one class.

    Attributes
    ----------
    items
        Shared inputs, in the order of the sampler.
    sampler
        Their copula.
    keys
        Key of the score of each.
    """

    items: tuple[Input, ...]
    sampler: InputSampler
    keys: tuple[str, ...]

    @classmethod
    def from_class(cls, one: FaceClass) -> SharedInputs:
        """Take the shared inputs of a class."""
        items = tuple(i for i in one.wall.inputs if i.epistemic_share > 0.0 and not is_own(i))
        sampler = InputSampler.from_inputs(items, one.wall.correlations)
        return cls(items, sampler, tuple(one.draw_key(item.name) for item in items))

    def draws(
        self, scores: Mapping[str, Array], count: int, errors: Mapping[str, Array] | None = None
    ) -> EpistemicDraws:
        """Return the inputs by scores (n,) of keys; what has none is in its middle."""
        z = np.array([scores.get(key, np.zeros(count)) for key in self.keys])
        values, between = {}, {}
        for item, score in zip(
            self.items, self.sampler.correlate(z.reshape(-1, count)), strict=True
        ):
            if item.epistemic_share == 1.0:
                values[item.name] = item.distribution.from_normal(score)
            else:
                between[item.name] = score
        return EpistemicDraws(values, between, dict(errors or {}), count)


def wall_known_from(one: FaceClass, learned: Learned | None) -> Wall:
    """Return the wall of a class with what inspections say of it as joint draws."""
    if learned is None:
        return one.wall
    shared, own = SharedInputs.from_class(one), learned.own.get(one.key.element, {})
    if not own and learned.told.isdisjoint(shared.keys):
        return one.wall
    count = next(iter(learned.scores.values())).size
    draws = shared.draws(learned.scores, count)
    values, scores = dict(draws.inputs), dict(draws.scores)
    for name, score in own.items():
        item = one.wall.input(name)
        if item.epistemic_share == 1.0:
            values[name] = item.distribution.from_normal(score.astype(float))
        else:
            scores[name] = score.astype(float)
    names = (*values, *scores)
    rows = np.array([*values.values(), *scores.values()])
    is_score = tuple(name in scores for name in names)
    return replace(one.wall, draws=JointDraws(names, rows, is_score))
