"""Which input drives the variance when inputs are correlated: Shapley effects.

Axes: d inputs, n points, m outputs, r repeats, 2^d subsets of inputs.
"""

from __future__ import annotations

from collections.abc import Callable
from math import comb

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.sampling import random_stream, sobol_blocks
from stripwise.errors import InputError
from stripwise.risk.probability.parallel import run_parallel

__all__ = ["MAX_EXACT_INPUTS", "shapley_effects"]

Array = NDArray[np.float64]
Model = Callable[[Array], Array]

MAX_EXACT_INPUTS = 10
"""Up to so many inputs every subset is run; beyond it, random orders of the inputs."""
ORDERS = 64
"""Random orders per repeat beyond `MAX_EXACT_INPUTS` inputs."""


def shapley_effects(
    model: Model,
    matrix: Array,
    *,
    points: int = 512,
    repeats: int = 16,
    seed: int,
    workers: int = 2,
) -> Array:
    """Estimate the Shapley effects of inputs joined by a Gaussian copula.

    Parameters
    ----------
    model
        Maps standard normal scores (d, n), correlated as the inputs are, to outputs (m, n).
    matrix
        (d, d) correlation of the scores, positive definite.

    Returns
    -------
    (r, d, m) shares of the variance, of sum 1 over d; NaN where an output has no variance.

    Raises
    ------
    InputError
        If the matrix is not positive definite.

    Notes
    -----
    The cost of a subset S is c(S) = E[Var(Y | all inputs outside S)], estimated as the mean of
    (Y - Y')^2 / 2 with S redrawn given the others; the effect of input i is the mean of
    c(S + i) - c(S) over all orders in which i may join. Up to ten inputs the mean is exact over
    the 2^d subsets; beyond that it runs over random orders.

    References
    ----------
    Song, Nelson and Staum, Shapley effects for global sensitivity analysis: theory and computation,
    SIAM/ASA J. Uncertainty Quantification 4, 2016 (recalled).

    Examples
    --------
    >>> share = shapley_effects(lambda s: (2.0 * s[0] + s[1])[None], np.eye(2), seed=0)
    >>> [round(float(x), 2) for x in share.mean(axis=0)[:, 0]]
    [0.8, 0.2]
    """
    d = len(matrix)
    smallest = float(np.linalg.eigvalsh(matrix)[0])
    if smallest <= 1e-10:
        raise InputError(
            "correlation",
            f"matrix has the smallest eigenvalue {smallest:.3g}; it must be positive definite for "
            "Shapley effects (two inputs that are one variable count as one)",
        )
    root = np.linalg.cholesky(matrix)

    def repeat(r: int) -> Array:
        z = np.concatenate(
            list(sobol_blocks(2 * d, points, random_stream(seed, stage="shapley", index=(r,)))),
            axis=1,
        )
        scores, fresh = root @ z[:d], z[d:]
        y = model(scores)
        variance = np.concatenate([y, model(root @ fresh)], axis=1).var(axis=1)
        cost = _SubsetCosts(model, matrix, scores, fresh, y, variance)
        if d <= MAX_EXACT_INPUTS:
            effects = _all_subsets(cost, d)
        else:
            effects = _random_orders(
                cost, d, random_stream(seed, stage="shapley", index=(10_000 + r,))
            )
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(variance > 0.0, effects / variance, np.nan)

    return np.array(list(run_parallel(repeat, repeats, workers=workers)))


class _SubsetCosts:
    """Cost of each subset, a bit mask, computed once."""

    def __init__(  # noqa: PLR0917
        self, model: Model, matrix: Array, scores: Array, fresh: Array, y: Array, variance: Array
    ) -> None:
        self.model, self.matrix, self.scores, self.fresh, self.y = model, matrix, scores, fresh, y
        d = len(matrix)
        self.known: dict[int, Array] = {0: np.zeros(len(y)), (1 << d) - 1: variance}

    def __call__(self, mask: int) -> Array:
        if mask not in self.known:
            self.known[mask] = self._run(mask)
        return self.known[mask]

    def _run(self, mask: int) -> Array:
        redrawn = [i for i in range(len(self.matrix)) if mask >> i & 1]
        kept = [i for i in range(len(self.matrix)) if not mask >> i & 1]
        r = self.matrix
        weights = np.linalg.solve(r[np.ix_(kept, kept)], r[np.ix_(kept, redrawn)]).T
        rest = r[np.ix_(redrawn, redrawn)] - weights @ r[np.ix_(kept, redrawn)]
        scores = self.scores.copy()
        scores[redrawn] = (
            weights @ self.scores[kept] + np.linalg.cholesky(rest) @ self.fresh[redrawn]
        )
        return np.asarray(0.5 * np.mean((self.y - self.model(scores)) ** 2, axis=1))


def _all_subsets(cost: _SubsetCosts, d: int) -> Array:
    effects = np.zeros((d, len(cost.y)))
    for mask in range(1 << d):
        size = mask.bit_count()
        for i in range(d):
            if not mask >> i & 1:
                effects[i] += (cost(mask | 1 << i) - cost(mask)) / (d * comb(d - 1, size))
    return effects


def _random_orders(cost: _SubsetCosts, d: int, rng: np.random.Generator) -> Array:
    effects = np.zeros((d, len(cost.y)))
    for _ in range(ORDERS):
        mask = 0
        for i in rng.permutation(d):
            larger_mask = mask | 1 << int(i)
            effects[i] += (cost(larger_mask) - cost(mask)) / ORDERS
            mask = larger_mask
    return effects
