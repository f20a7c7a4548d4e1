"""Which choice matters: variance of the reliability index over cover, strip age and follow-up.

Axes: m repeats or epistemic points; f follow-ups, t strip ages, c covers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripwise.risk.model.wall import Plan
from stripwise.risk.probability.cover_map import DesignGrid

__all__ = ["PAIRS", "ChoiceIndices", "ChoiceNodes", "choice_indices", "choice_nodes"]

Array = NDArray[np.float64]

NODES = 10
"""Gauss-Legendre nodes per range."""

INDEX_RANGE = (-4.0, 6.0)
"""The index is clipped to it before its variance is analysed: beyond, nobody chooses."""


@dataclass(frozen=True, slots=True)
class ChoiceNodes:
    """Gauss-Legendre design points over ranges of cover and strip age, with their weights.

    `weights` holds (f,), (t,) and (c,) weights that sum to 1 each.
    """

    grid: DesignGrid
    weights: tuple[Array, Array, Array]


def choice_nodes(
    cover: tuple[float, float],
    strip_age: tuple[float, float],
    plans: tuple[Plan, ...],
    *,
    shrink: float = 1.0,
) -> ChoiceNodes:
    """Place design points on ranges of mean cover [mm] and strip age [h], for f follow-ups.

    Cover is uniform in mm, strip age uniform in its logarithm, follow-ups weigh the same; `shrink`
    is the share of the ranges to keep, about their middle.
    """
    x, w = np.polynomial.legendre.leggauss(NODES)
    c_mid, c_half = 0.5 * (cover[0] + cover[1]), 0.5 * shrink * (cover[1] - cover[0])
    low, high = np.log(strip_age[0]), np.log(strip_age[1])
    t_mid, t_half = 0.5 * (low + high), 0.5 * shrink * (high - low)
    grid = DesignGrid(c_mid + c_half * x, np.exp(t_mid + t_half * x), plans)
    return ChoiceNodes(grid, (np.full(len(plans), 1.0 / len(plans)), 0.5 * w, 0.5 * w))


@dataclass(frozen=True, slots=True)
class ChoiceIndices:
    """Shares of the variance of the reliability index over the choices.

    Attributes
    ----------
    names
        "follow-up", "strip age", "cover".
    first, total
        (m, 3) first and total index of each choice; NaN where nothing varies.
    second
        (m, 3) second order of the pairs (follow-up, strip age), (follow-up, cover), (strip age,
        cover).
    """

    names: tuple[str, str, str]
    first: Array
    total: Array
    second: Array


PAIRS = ((0, 1), (0, 2), (1, 2))
"""Positions in `ChoiceIndices.names` of the second-order pairs."""


def choice_indices(index: Array, weights: tuple[Array, Array, Array]) -> ChoiceIndices:
    """Analyse the variance of the index over the choices by quadrature, without sampling.

    Parameters
    ----------
    index
        (m, f, t, c) reliability index at the nodes.
    weights
        (f,), (t,), (c,) weights.

    Returns
    -------
    The `ChoiceIndices`.

    References
    ----------
    Sobol', Math. Model. Comput. Exp. 1, 1993: decomposition of the variance (recalled).

    Examples
    --------
    >>> half = np.array([0.5, 0.5])
    >>> y = np.array([1.0, 2.0])[:, None] + np.array([0.0, 2.0])[None, :]
    >>> shares = choice_indices(y[None, None], (np.ones(1), half, half))
    >>> [round(float(x), 2) for x in shares.first[0]]
    [0.0, 0.2, 0.8]
    """
    y = np.clip(index, *INDEX_RANGE)
    wf, wt, wc = weights
    y = y - np.einsum("mftc,f,t,c->m", y, wf, wt, wc)[:, None, None, None]
    variance = np.einsum("mftc,f,t,c->m", y**2, wf, wt, wc)
    main = (
        np.einsum("mftc,t,c->mf", y, wt, wc),
        np.einsum("mftc,f,c->mt", y, wf, wc),
        np.einsum("mftc,f,t->mc", y, wf, wt),
    )
    main_variance = np.stack([(g**2) @ w for g, w in zip(main, weights, strict=True)], axis=1)
    pair_means = (
        np.einsum("mftc,c->mft", y, wc),
        np.einsum("mftc,t->mfc", y, wt),
        np.einsum("mftc,f->mtc", y, wf),
    )
    second = np.stack(
        [
            np.einsum("mij,i,j->m", g**2, weights[i], weights[j])
            - main_variance[:, i]
            - main_variance[:, j]
            for g, (i, j) in zip(pair_means, PAIRS, strict=True)
        ],
        axis=1,
    )
    # what the other two choices explain together is not in the total of the third
    others = {2: (0, 1), 1: (0, 2), 0: (1, 2)}
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = np.where(variance > 0.0, 1.0 / variance, np.nan)[:, None]
    total = np.stack(
        [
            variance
            - main_variance[:, others[i][0]]
            - main_variance[:, others[i][1]]
            - second[:, PAIRS.index(others[i])]
            for i in range(3)
        ],
        axis=1,
    )
    return ChoiceIndices(
        ("follow-up", "strip age", "cover"), main_variance * scale, total * scale, second * scale
    )
