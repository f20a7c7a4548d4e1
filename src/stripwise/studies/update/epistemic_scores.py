"""What is epistemic of a wall, from independent normal scores to draws that the physics reads.

Axes: d scores, n draws, k points of what varies along the wall.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.distribution import Distribution
from stripwise.distributions.joint_draws import JointDraws
from stripwise.distributions.random_input import Correlation, Input
from stripwise.distributions.sampling import InputSampler, sobol_blocks
from stripwise.risk.model.wall import Wall

__all__ = ["EpistemicDraws", "EpistemicScores", "ScatterInputs"]

Array = NDArray[np.float64]
Values = dict[str, Array | float]


@dataclass(frozen=True, slots=True, eq=False)
class EpistemicDraws:
    """n draws of what is epistemic of one wall.

    Attributes
    ----------
    inputs
        (n,) values of the wholly epistemic inputs, in internal units.
    scores
        (n,) normal scores between walls of the inputs that vary along the wall too.
    errors
        (n,) unknown errors of the readings, by the name of their set; no input of the scenario.
    count
        Draws n.
    """

    inputs: Mapping[str, Array]
    scores: Mapping[str, Array]
    errors: Mapping[str, Array]
    count: int

    def rows(self, chosen: slice | NDArray[np.intp]) -> EpistemicDraws:
        """Return some of the draws."""
        parts = [
            {name: column[chosen] for name, column in columns.items()}
            for columns in (self.inputs, self.scores, self.errors)
        ]
        count = len(np.arange(self.count)[chosen])
        return EpistemicDraws(parts[0], parts[1], parts[2], count)


@dataclass(frozen=True, slots=True)
class EpistemicScores:
    """How independent normal scores become draws: the prior, correlation included.

    Attributes
    ----------
    items
        Inputs with an epistemic share, in the order of their scores.
    sampler
        Their copula.
    errors
        Prior of an unknown error of readings by set; scores after those of the inputs.
    joint
        Joint draws that the wall has in place of such a prior; None without any.
    """

    items: tuple[Input, ...]
    sampler: InputSampler
    errors: Mapping[str, Distribution]
    joint: JointDraws | None = None

    @classmethod
    def from_wall(
        cls, wall: Wall, errors: Mapping[str, Distribution] | None = None
    ) -> EpistemicScores:
        """Take the epistemic inputs of a wall."""
        items = tuple(item for item in wall.inputs if item.epistemic_share > 0.0)
        sampler = InputSampler.from_inputs(items, wall.correlations)
        return cls(items, sampler, dict(errors or {}), wall.draws)

    @property
    def dimensions(self) -> int:
        """Number of scores d."""
        return len(self.items) + len(self.errors)

    def draws(self, z: Array) -> EpistemicDraws:
        """Return the draws of scores (d, n)."""
        scores = self.sampler.correlate(z[: len(self.items)])
        values, between = {}, {}
        for item, score in zip(self.items, scores, strict=True):
            if item.epistemic_share == 1.0:
                values[item.name] = item.distribution.from_normal(score)
            else:
                between[item.name] = score
        errors = self._errors(z[len(self.items) :])
        return EpistemicDraws(values, between, errors, z.shape[1])

    def _errors(self, z: Array) -> dict[str, Array]:
        return {
            name: law.from_normal(score)
            for (name, law), score in zip(self.errors.items(), z, strict=True)
        }

    def joint_draws(self, rng: np.random.Generator) -> EpistemicDraws:
        """Return all joint draws of the wall, unknown errors drawn beside them."""
        assert self.joint is not None
        by_name = dict(zip(self.joint.names, self.joint.values, strict=True))
        scores = {name: by_name.pop(name) for name in self.joint.score_names}
        errors = self._errors(rng.standard_normal((len(self.errors), self.joint.count)))
        return EpistemicDraws(by_name, scores, errors, self.joint.count)

    def prior(self, count: int, rng: np.random.Generator) -> EpistemicDraws:
        """Return draws of the prior, a power of two of them: scrambled points, or joint draws."""
        if self.joint is None:
            return self.draws(next(iter(sobol_blocks(self.dimensions, count, rng))))
        whole = self.joint_draws(rng)
        return whole.rows(rng.integers(0, whole.count, count))

    def middle(self) -> EpistemicDraws:
        """Return one draw in the middle of the prior."""
        if self.joint is None:
            return self.draws(np.zeros((self.dimensions, 1)))
        whole = self.joint_draws(np.random.default_rng(0))
        inputs, scores, errors = (
            {name: np.median(column, keepdims=True) for name, column in columns.items()}
            for columns in (whole.inputs, whole.scores, whole.errors)
        )
        return EpistemicDraws(inputs, scores, errors, 1)


@dataclass(frozen=True, slots=True)
class ScatterInputs:
    """What varies along the wall among some inputs, as independent normal scores.

    Attributes
    ----------
    items
        Inputs with an aleatory share, in the order of their scores.
    sampler
        Their copula.
    fixed
        Values of the inputs that are not random.
    """

    items: tuple[Input, ...]
    sampler: InputSampler
    fixed: Mapping[str, float]

    @classmethod
    def among(cls, inputs: Sequence[Input], correlations: Sequence[Correlation]) -> ScatterInputs:
        """Take the aleatory ones of some inputs."""
        fixed = {i.name: i.distribution.mean for i in inputs if i.distribution.is_fixed}
        items = tuple(i for i in inputs if i.name not in fixed and i.epistemic_share < 1.0)
        return cls(items, InputSampler.from_inputs(items, correlations), fixed)

    @property
    def dimensions(self) -> int:
        """Number of scores."""
        return len(self.items)

    def values(self, draws: EpistemicDraws, w: Array) -> Values:
        """Return every input for draws (n,) at scores along the wall (d, n, k).

        (n, 1) what is epistemic, (n, k) what varies along the wall, numbers what is fixed.
        """
        values: Values = dict(self.fixed)
        values |= {name: column[:, None] for name, column in draws.inputs.items()}
        flat = w.reshape(len(self.items), -1)
        scores = self.sampler.correlate(flat).reshape(w.shape)
        for item, along in zip(self.items, scores, strict=True):
            b, score = item.epistemic_share, along
            if b > 0.0:
                score = np.sqrt(b) * draws.scores[item.name][:, None] + np.sqrt(1.0 - b) * along
            values[item.name] = item.distribution.from_normal(score)
        return values
