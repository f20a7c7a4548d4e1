"""Samples of the random inputs: scrambled Sobol' or pseudo-random points, in blocks.

Axes: d inputs, n samples; a block is a fixed run of at most `BLOCK_SIZE` consecutive points.
Results are summed block by block in index order, so they do not depend on the workers.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special
from scipy.stats import qmc

from stripwise.distributions.random_input import Correlation, Input
from stripwise.errors import InputError

__all__ = ["BLOCK_SIZE", "InputSampler", "copula", "normal_block", "random_stream", "sobol_blocks"]

Array = NDArray[np.float64]
Values = Mapping[str, Array | float]

BLOCK_SIZE = 16384
BITS = 30
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
    engine = qmc.Sobol(dimensions, scramble=True, bits=BITS, rng=rng)
    if start:
        engine.fast_forward(start)
    for first in range(0, points, BLOCK_SIZE):
        u = engine.random(min(BLOCK_SIZE, points - first)).T
        yield special.ndtri(u + 0.5 ** (BITS + 1))


def normal_block(dimensions: int, size: int, rng: np.random.Generator) -> Array:
    """Return (d, n) independent standard normal variates."""
    return rng.standard_normal((dimensions, size))


@dataclass(frozen=True, slots=True)
class InputSampler:
    """Turns standard normal columns into values of named inputs, correlated by a Gaussian copula.

    Attributes
    ----------
    inputs
        The random inputs, one column each.
    factor
        (d, d) lower Cholesky factor of the copula, or None where all are independent.
    fixed
        Values of the inputs that are not random, by name.
    """

    inputs: tuple[Input, ...]
    factor: Array | None
    fixed: dict[str, float]

    @classmethod
    def from_inputs(
        cls, inputs: Sequence[Input], correlations: Sequence[Correlation]
    ) -> InputSampler:
        """Build from all inputs, random and fixed, and their rank correlations.

        Each random input is a column, in the order given; correlations that name others are left
        out. InputError if the matrix has an eigenvalue below 0; a singular one is allowed.
        """
        random = tuple(i for i in inputs if not i.distribution.is_fixed)
        fixed = {i.name: i.distribution.mean for i in inputs if i.distribution.is_fixed}
        matrix = copula([i.name for i in random], correlations)
        off_diagonal = matrix - np.eye(len(random))
        if not np.any(off_diagonal):
            return cls(random, None, fixed)
        return cls(random, _cholesky_factor(matrix), fixed)

    @property
    def dimensions(self) -> int:
        """Number of columns."""
        return len(self.inputs)

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the random inputs, in column order."""
        return tuple(i.name for i in self.inputs)

    def correlate(self, z: Array) -> Array:
        """Give independent columns (d, n) the correlation of the copula."""
        return z if self.factor is None else self.factor @ z

    def values(self, z: Array, given: Values | None = None) -> dict[str, Array | float]:
        """Return values by name for independent standard normal columns z (d, n).

        (n,) per random input, a number per fixed one, in internal units; `given` values replace
        those of the sample.
        """
        values: dict[str, Array | float] = dict(self.fixed)
        scores = self.correlate(z)
        for column, item in enumerate(self.inputs):
            values[item.name] = item.distribution.from_normal(scores[column])
        if given:
            values.update(given)
        return values


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
