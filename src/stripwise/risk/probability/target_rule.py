"""What must hold for a target to be met: the predictive index, and a demanded confidence beside it.

Axes: r repeats, m epistemic points.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripwise.risk.probability.intervals import (
    highest_mean,
    is_rare,
    quantile_by_scrambling,
)
from stripwise.risk.probability.reliability_index import reliability_index

__all__ = ["INDEX_CAP", "TargetRule", "index_from_probability"]

Array = NDArray[np.float64]

INDEX_CAP = 12.0
"""Distance from the target at which the index is cut, so that infinite values can be used."""


def index_from_probability(p: Array) -> Array:
    """Return the reliability index of probabilities known without their complement."""
    return reliability_index(p, 1.0 - p)


@dataclass(frozen=True, slots=True)
class TargetRule:
    """What must hold for a target to be met.

    Attributes
    ----------
    index
        Reliability index to reach.
    limit
        Standard errors by which the sampling may be wrong, by the number of repeats.
    error_chance
        Chance of being wrong that this stands for.
    confidence
        Share of the epistemic points that must reach it too; 0 where none is demanded.
    scramblings
        Scramblings that the epistemic points come from.
    """

    index: float
    limit: Callable[[int], float]
    error_chance: float
    confidence: float = 0.0
    scramblings: int = 1

    def predictive(self, p: Array, *, points: int) -> tuple[Array, Array]:
        """Return the index of the mean of probabilities (r, ...), and the same judged safely.

        Each is a mean over `points`. The second counts the sampling error that a decision must
        stand, against the wall; where P is too rare for its sample, the bound of a decision.
        """
        mean = np.mean(p, axis=0)
        error = np.std(p, axis=0, ddof=1) / np.sqrt(len(p))
        high = np.clip(mean + self.limit(len(p)) * error, 0.0, 1.0)
        bound = highest_mean(mean, samples=points * len(p), chance=self.error_chance)
        high = np.where(is_rare(mean, error, points=points), np.maximum(high, bound), high)
        return index_from_probability(mean), index_from_probability(high)

    def demanded(self, epistemic: Array) -> tuple[Array, Array]:
        """Return the index that the demanded share of points (m, ...) reaches, and the same judged safely."""
        return self.demanded_index(
            np.clip(
                index_from_probability(epistemic), self.index - INDEX_CAP, self.index + INDEX_CAP
            )
        )

    def demanded_index(self, index: Array) -> tuple[Array, Array]:
        """Return what `demanded` does, from finite indices (m, ...)."""
        grouped = index.reshape(self.scramblings, -1, *index.shape[1:])
        reached = quantile_by_scrambling(grouped, 1.0 - self.confidence)
        mean = reached.mean(axis=0)
        if self.scramblings == 1:
            return mean, mean
        error = np.std(reached, axis=0, ddof=1) / np.sqrt(self.scramblings)
        return mean, mean - self.limit(self.scramblings) * error

    def indices(self, p: Array, epistemic: Array | None, *, points: int) -> tuple[Array, Array]:
        """Return the lower of both indices where a confidence is demanded, else the predictive one."""
        estimate, safe = self.predictive(p, points=points)
        if not self.confidence or epistemic is None:
            return estimate, safe
        reached, safely = self.demanded(epistemic)
        return np.minimum(estimate, reached), np.minimum(safe, safely)
