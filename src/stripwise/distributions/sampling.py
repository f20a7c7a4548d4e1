"""Draws of the random inputs: scrambled Sobol' points or pseudo-random ones, cell by cell.

Axes: d inputs, n samples; a cell is a fixed run of at most `CELL` consecutive points. Results are
summed cell by cell in index order, so they do not depend on how cells are shared out.
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

__all__ = ["CELL", "Draw", "copula", "plain_cell", "sobol_cells", "stream"]

Array = NDArray[np.float64]
Values = Mapping[str, Array | float]

CELL = 16384
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
    "worth",
    "grids",
)


def stream(seed: int, *, stage: str, index: Sequence[int] = ()) -> np.random.Generator:
    """Return the random stream of one stage, repeat or cell.

    Parameters
    ----------
    seed
        Seed of the run; 0 is a seed like any other.
    stage
        One of `STAGES`.
    index
        Numbers of the repeat and cell.

    Returns
    -------
    A generator that no other stage or index shares.
    """
    key = (STAGES.index(stage), *index)
    return np.random.Generator(np.random.SFC64(np.random.SeedSequence(seed, spawn_key=key)))


def sobol_cells(
    dimensions: int, points: int, rng: np.random.Generator, *, start: int = 0
) -> Iterator[Array]:
    """Yield standard normal variates from one scrambled Sobol' sequence, cell by cell.

    Parameters
    ----------
    dimensions
        Number of columns d.
    points
        Number of points, a power of two.
    rng
        Source of the scrambling.
    start
        Points of the sequence to skip.

    Yields
    ------
    (d, n) variates, n at most `CELL`.

    References
    ----------
    Owen, Scrambling Sobol' and Niederreiter-Xing points, J. Complexity 14, 1998 (recalled); the
    points are scipy's, moved to the middle of their 2^-30 cell so that none is 0.
    """
    if dimensions == 0:
        for first in range(0, points, CELL):
            yield np.empty((0, min(CELL, points - first)))
        return
    engine = qmc.Sobol(dimensions, scramble=True, bits=BITS, rng=rng)
    if start:
        engine.fast_forward(start)
    for first in range(0, points, CELL):
        u = engine.random(min(CELL, points - first)).T
        yield special.ndtri(u + 0.5 ** (BITS + 1))


def plain_cell(dimensions: int, size: int, rng: np.random.Generator) -> Array:
    """Return (d, n) independent standard normal variates."""
    return rng.standard_normal((dimensions, size))


@dataclass(frozen=True, slots=True)
class Draw:
    """Turns standard normal columns into values of named inputs.

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
    def of(cls, inputs: Sequence[Input], correlations: Sequence[Correlation]) -> Draw:
        """Build from all inputs, random and fixed, and their rank correlations.

        Parameters
        ----------
        inputs
            All inputs.
        correlations
            Rank correlations between random ones; those that name others are left out.

        Returns
        -------
        A `Draw` with a column for each random input, in the order given.

        Raises
        ------
        InputError
            If the correlation matrix has an eigenvalue below 0; a singular one is allowed.
        """
        random = tuple(i for i in inputs if not i.distribution.is_fixed)
        fixed = {i.name: i.distribution.mean for i in inputs if i.distribution.is_fixed}
        matrix = copula([i.name for i in random], correlations)
        off_diagonal = matrix - np.eye(len(random))
        if not np.any(off_diagonal):
            return cls(random, None, fixed)
        return cls(random, _factor(matrix), fixed)

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
        """Return each input's values for independent normal columns.

        Parameters
        ----------
        z
            (d, n) standard normal variates.
        given
            Values that take the place of the draw, by name.

        Returns
        -------
        (n,) array per random input and a number per fixed one, by name, in internal units.
        """
        values: dict[str, Array | float] = dict(self.fixed)
        scores = self.correlate(z)
        for column, item in enumerate(self.inputs):
            values[item.name] = item.distribution.draw(scores[column])
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


def _factor(matrix: Array) -> Array:
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
