"""Samples of the random inputs: scrambled Sobol' or pseudo-random points, in blocks.

Axes: d inputs, n samples; a block is a fixed run of at most `BLOCK_SIZE` consecutive points.
Results are summed block by block in index order, so they do not depend on the workers.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.distributions.joint_draws import JointDraws
from stripwise.distributions.random_input import Correlation, Input
from stripwise.distributions.sobol_sequence import BITS, SobolSequence
from stripwise.errors import InputError

__all__ = [
    "BLOCK_SIZE",
    "InputSampler",
    "conditional_score",
    "copula",
    "normal_block",
    "random_stream",
    "sobol_blocks",
]

Array = NDArray[np.float64]
Values = Mapping[str, Array | float]

BLOCK_SIZE = 16384
STAGES = (
    "main",
    "knowledge",
    "sensitivity",
    "choices",
    "plain",
    "pilot",
    "cracking",
    "extent",
    "rare",
    "rank",
    "shapley",
    "value of information",
    "grids",
    "confidence",
    "samples",
    "inventory",
    "update",
    "inspections",
)


def random_stream(seed: int, *, stage: str, index: Sequence[int] = ()) -> np.random.Generator:
    """Return the generator of one of the `STAGES`, for one index such as (repeat, block).

    No other stage or index shares it. 0 is a seed like any other.
    """
    key = (STAGES.index(stage), *index)
    return np.random.Generator(np.random.SFC64(np.random.SeedSequence(seed, spawn_key=key)))


def sobol_blocks(
    dimensions: int, points: int, rng: np.random.Generator, *, start: int = 0
) -> Iterator[Array]:
    """Yield standard normal variates from one scrambled Sobol' sequence, block by block.

    Parameters
    ----------
    dimensions
        Number of columns d.
    points
        Number of points, a power of two.
    rng
        Generator that scrambles.
    start
        Points of the sequence to skip.

    Yields
    ------
    (d, n) variates, n at most `BLOCK_SIZE`.

    References
    ----------
    Owen, Scrambling Sobol' and Niederreiter-Xing points, J. Complexity 14, 1998 (recalled); the
    points are scipy's, moved to the middle of their 2^-30 interval so that none is 0.
    """
    if dimensions == 0:
        for first in range(0, points, BLOCK_SIZE):
            yield np.empty((0, min(BLOCK_SIZE, points - first)))
        return
    sequence = SobolSequence.scrambled(dimensions, rng)
    sequence.skip(start)
    for first in range(0, points, BLOCK_SIZE):
        u = sequence.draw(min(BLOCK_SIZE, points - first))
        yield special.ndtri(u + 0.5 ** (BITS + 1))


def normal_block(dimensions: int, size: int, rng: np.random.Generator) -> Array:
    """Return (d, n) independent standard normal variates."""
    return rng.standard_normal((dimensions, size))


@dataclass(frozen=True, slots=True)
class InputSampler:
    """Turns standard normal columns into values of named inputs, correlated by a Gaussian copula.

    Beside joint draws the last column chooses the draw. An input whose values are drawn there has
    no column of its own, one that has a score between walls there has a column along the wall.

    Attributes
    ----------
    inputs
        The random inputs, one row of scores each.
    factor
        Lower Cholesky factor of the copula of the inputs with a column of their own, or None where
        all are independent.
    fixed
        Values of the inputs that are not random, by name.
    draws
        Joint draws, ordered; None without any.
    """

    inputs: tuple[Input, ...]
    factor: Array | None
    fixed: dict[str, float]
    draws: JointDraws | None = None

    @classmethod
    def from_inputs(
        cls,
        inputs: Sequence[Input],
        correlations: Sequence[Correlation],
        draws: JointDraws | None = None,
    ) -> InputSampler:
        """Build from all inputs, random and fixed, their rank correlations and joint draws.

        Each random input is a column, in the order given; correlations that name others are left
        out. InputError if the matrix has an eigenvalue below 0; a singular one is allowed.
        """
        random = tuple(i for i in inputs if not i.distribution.is_fixed)
        fixed = {i.name: i.distribution.mean for i in inputs if i.distribution.is_fixed}
        own = [i.name for i in random if draws is None or not draws.holds(i.name)]
        matrix = copula(own, correlations)
        off_diagonal = matrix - np.eye(len(own))
        factor = _cholesky_factor(matrix) if np.any(off_diagonal) else None
        return cls(random, factor, fixed, None if draws is None else draws.part())

    def for_repeat(self, repeat: int, repeats: int, draws: JointDraws | None) -> InputSampler:
        """Return the sampler of one repeat, which takes its own part of the joint `draws`."""
        if draws is None or self.draws is None:
            return self
        return replace(self, draws=draws.part(repeat, repeats))

    @property
    def column_names(self) -> tuple[str, ...]:
        """Names of the inputs that have a column of their own, in column order."""
        draws = self.draws
        return tuple(i.name for i in self.inputs if draws is None or not draws.holds(i.name))

    @property
    def dimensions(self) -> int:
        """Number of columns d."""
        if self.draws is None:
            return len(self.inputs)
        return len(self.column_names) + 1

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the random inputs, in the order of their scores."""
        return tuple(i.name for i in self.inputs)

    def correlate(self, z: Array) -> Array:
        """Give independent columns (d, n) the correlation of the copula.

        Beside joint draws the scores are those of the inputs, 0 where the values are drawn, and
        after them the scores between walls in the order of the draws.
        """
        if self.draws is None:
            return z if self.factor is None else self.factor @ z
        return self._joint_scores(z, self.draws.pick(z[-1]))

    def _joint_scores(self, z: Array, picked: Array) -> Array:
        assert self.draws is not None
        draws, own = self.draws, z[:-1] if self.factor is None else self.factor @ z[:-1]
        scores = np.zeros((len(self.inputs), z.shape[1]))
        column = 0
        for row, item in enumerate(self.inputs):
            if draws.holds(item.name):
                continue
            scores[row] = own[column]
            column += 1
            if (at := draws.row(item.name)) >= 0:
                b = item.epistemic_share
                scores[row] = np.sqrt(b) * picked[at] + np.sqrt(1.0 - b) * scores[row]
        return np.concatenate([scores, picked[list(draws.is_score)]])

    def values(self, z: Array, given: Values | None = None) -> dict[str, Array | float]:
        """Return values by name for independent standard normal columns z (d, n).

        (n,) per random input, a number per fixed one, in internal units; `given` values replace
        those of the sample.
        """
        values: dict[str, Array | float] = dict(self.fixed)
        picked = np.empty((0, 0)) if self.draws is None else self.draws.pick(z[-1])
        scores = self.correlate(z) if self.draws is None else self._joint_scores(z, picked)
        for column, item in enumerate(self.inputs):
            if self.draws is not None and self.draws.holds(item.name):
                values[item.name] = picked[self.draws.row(item.name)]
            else:
                values[item.name] = item.distribution.from_normal(scores[column])
        if given:
            values.update(given)
        return values


def conditional_score(
    item: Input, sampler: InputSampler, correlations: Sequence[Correlation]
) -> tuple[Array | None, float]:
    """Return what sampled inputs say about the normal score of another input.

    Returns
    -------
    The weights on the sampler's scores (see `InputSampler.correlate`) that give its mean, None
    where they say nothing, and the standard deviation that is left. Of scores between walls that
    are joint draws only what varies along the wall is left, whose mean the others' scores along the
    wall give: their scores less what lies between walls.
    """
    matrix = copula((*sampler.names, item.name), correlations)
    r, scale = matrix[-1, :-1], 1.0
    weights: Array | None = None
    if np.any(r):
        weights = np.asarray(np.linalg.lstsq(matrix[:-1, :-1], r, rcond=1e-10)[0], dtype=float)
        scale = float(np.sqrt(max(1.0 - float(r @ weights), 1e-300)))
    between = () if sampler.draws is None else sampler.draws.score_names
    if not between or (weights is None and item.name not in between):
        return weights, scale
    along = np.zeros(len(sampler.names)) if weights is None else weights
    shared = dict.fromkeys(between, 0.0)
    for other, weight in zip(sampler.inputs, along, strict=True):
        if other.name in shared:
            shared[other.name] -= np.sqrt(other.epistemic_share) * weight
    if item.name in shared:
        shared[item.name] += np.sqrt(item.epistemic_share)
        scale *= float(np.sqrt(1.0 - item.epistemic_share))
    return np.concatenate([along, list(shared.values())]), scale


def copula(names: Sequence[str], correlations: Sequence[Correlation]) -> Array:
    """Return the correlation matrix of the normal scores for given rank correlations.

    Parameters
    ----------
    names
        d names, in column order.
    correlations
        Rank correlations; pairs that are not both in `names` are left out.

    Returns
    -------
    (d, d) matrix with 2 sin(pi rho / 6) off the diagonal.

    References
    ----------
    Pearson's relation between Spearman's rho and the product-moment correlation of a bivariate
    normal, as in Kruskal, J. Am. Stat. Assoc. 53, 1958 (recalled).
    """
    position = {name: i for i, name in enumerate(names)}
    matrix = np.eye(len(names))
    for pair in correlations:
        if pair.first in position and pair.second in position:
            i, j = position[pair.first], position[pair.second]
            matrix[i, j] = matrix[j, i] = 2.0 * np.sin(np.pi * pair.rank / 6.0)
    return matrix


def _cholesky_factor(matrix: Array) -> Array:
    """Cholesky factor that allows variables which are the same variate (correlation 1)."""
    smallest = float(np.linalg.eigvalsh(matrix)[0])
    if smallest < -1e-10:
        raise InputError(
            "correlation",
            f"matrix has the eigenvalue {smallest:.3g}; none may be below 0",
        )
    factor = np.zeros_like(matrix)
    for j in range(len(matrix)):
        rest = matrix[j, j] - factor[j, :j] @ factor[j, :j]
        if rest > 1e-12:
            factor[j, j] = np.sqrt(rest)
            below = matrix[j + 1 :, j] - factor[j + 1 :, :j] @ factor[j, :j]
            factor[j + 1 :, j] = below / factor[j, j]
    return factor
