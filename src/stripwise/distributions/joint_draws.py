"""Joint draws of what is epistemic, such as a posterior: equal weights, one row a possible wall.

Axes: j quantities, m draws, n points.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

__all__ = ["JointDraws", "effective_draws"]

Array = NDArray[np.float64]

SMALLEST_CELL = 8
"""Draws of a cell that are ordered no further."""


@dataclass(frozen=True, slots=True, eq=False)
class JointDraws:
    """Equal-weight joint draws, in the order in which they were drawn.

    Attributes
    ----------
    names
        j names of inputs.
    values
        (j, m) value of an input that is wholly epistemic, in its internal unit; the standard
        normal score between walls of one that varies along the wall too.
    is_score
        Whether each row holds scores.
    source
        File they came from; empty for a table in memory.
    changed
        Inputs of the scenario that are no longer those the draws were found with.
    """

    names: tuple[str, ...]
    values: Array
    is_score: tuple[bool, ...]
    source: str = ""
    changed: tuple[str, ...] = ()

    @classmethod
    def from_rows(
        cls, names: Sequence[str], values: Array, is_score: Sequence[bool], *, source: str = ""
    ) -> JointDraws:
        """Take draws (j, m) and put repeated ones side by side, each where it first stands.

        Draws that repeat one another tell no more than one of them, so they must not be spread
        over the parts that stand for independent samples.
        """
        _, first, inverse = np.unique(values.T, axis=0, return_index=True, return_inverse=True)
        order = np.argsort(first[inverse.ravel()], kind="stable")
        return cls(tuple(names), np.ascontiguousarray(values[:, order]), tuple(is_score), source)

    @property
    def count(self) -> int:
        """Number of draws m."""
        return int(self.values.shape[1])

    @property
    def score_names(self) -> tuple[str, ...]:
        """Names of the inputs whose rows are scores."""
        return tuple(n for n, score in zip(self.names, self.is_score, strict=True) if score)

    def row(self, name: str) -> int:
        """Return the row of an input; -1 if it has none."""
        return self.names.index(name) if name in self.names else -1

    def holds(self, name: str) -> bool:
        """Tell whether an input's values come from the draws alone."""
        return name in self.names and not self.is_score[self.names.index(name)]

    def part(self, index: int = 0, parts: int = 1) -> JointDraws:
        """Return one of equal runs of the draws, ordered so that neighbours are alike.

        Each repeat of a sample takes a part of its own, so that the spread of the repeats counts
        the error of a finite number of draws: the method of batch means, which holds for
        the correlated draws of a Markov chain too.
        """
        return _part(self, index % parts, parts)

    def pick(self, z: Array) -> Array:
        """Return the draws (j, n) that standard normal variates (n,) choose, each as often."""
        place = (special.ndtr(z) * self.count).astype(np.intp)
        return self.values[:, np.minimum(place, self.count - 1)]

    def thinned(self, count: int) -> Array:
        """Return draws (j, count) at even steps of their order."""
        return self.values[:, ((np.arange(count) + 0.5) * self.count / count).astype(np.intp)]

    def moved(self, name: str, distance: float) -> JointDraws:
        """Return the draws with all values of an input moved; the same if they hold none."""
        if not self.holds(name):
            return self
        values = self.values.copy()
        values[self.row(name)] += distance
        return replace(self, values=values)


def effective_draws(values: Array) -> float:
    """Return how many different draws of equal weight say as much as draws (j, m) with repetitions.

    References
    ----------
    Kish, Survey Sampling, 1965 (recalled): the square of the sum of weights over the sum of squares.
    """
    _, repeated = np.unique(values.T, axis=0, return_counts=True)
    return float(repeated.sum()) ** 2 / float((repeated.astype(float) ** 2).sum())


@functools.lru_cache(maxsize=128)
def _part(draws: JointDraws, index: int, parts: int) -> JointDraws:
    size = draws.count // parts if parts > 1 else draws.count
    size = max(size, 1)
    start = min(index * size, draws.count - size)
    values = draws.values[:, start : start + size]
    return replace(draws, values=np.ascontiguousarray(values[:, _similar_order(values)]))


def _similar_order(values: Array) -> NDArray[np.intp]:
    """Order draws by halving them at the median of whatever they still differ most in.

    A run of the order is then a cell of the space, so that even steps cover it evenly.
    """
    ranks = np.argsort(np.argsort(values, axis=1, kind="stable"), axis=1).astype(float)
    spread = np.ptp(values, axis=1) > 0.0
    if not np.any(spread):
        return np.arange(values.shape[1])
    ranks = ranks[spread]
    cells, done = [np.arange(values.shape[1])], list[NDArray[np.intp]]()
    while cells:
        cell = cells.pop()
        if cell.size <= SMALLEST_CELL:
            done.append(cell)
            continue
        inside = ranks[:, cell]
        widest = int(np.argmax(np.ptp(inside, axis=1)))
        half = cell.size // 2
        order = cell[np.argsort(inside[widest], kind="stable")]
        cells += [order[half:], order[:half]]
    return np.concatenate(done)
