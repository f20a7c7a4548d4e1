"""How the variance of an outcome splits exactly over a full factorial of options.

Axes: m repeats or epistemic points, q choices.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from stripwise.errors import InputError

__all__ = ["Anova", "anova", "gauss_legendre"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Anova:
    """How the variance of an outcome over all combinations of options is shared out.

    Attributes
    ----------
    mean, variance
        (m,) over all combinations.
    first, total
        (m, q) share of each choice alone, and with all its interactions; NaN without variance.
    pairs
        Positions of two choices each.
    second
        (m, len(pairs)) share of the interaction of two choices.
    higher_order
        (m,) share of all interactions of three and more choices.
    main
        q arrays (m, options): mean outcome of each option over all combinations of the others.
    """

    mean: Array
    variance: Array
    first: Array
    total: Array
    pairs: tuple[tuple[int, int], ...]
    second: Array
    higher_order: Array
    main: tuple[Array, ...]


def anova(outcome: Array, weights: Sequence[Array]) -> Anova:
    """Split the variance of an outcome exactly among choices and their interactions.

    Nothing is sampled: every combination of options is in the table, with its weight.

    Parameters
    ----------
    outcome
        (m, n1, ..., nq) outcome of every combination of options, finite.
    weights
        q arrays (n1,) ... (nq,), each of sum 1: what share of the table each option has.

    Returns
    -------
    The `Anova`.

    Raises
    ------
    InputError
        If shapes do not fit, weights do not add up to 1 or an outcome is not finite.

    References
    ----------
    Efron and Stein, The jackknife estimate of variance, Ann. Stat. 9, 1981: the decomposition;
    Sobol', Math. Model. Comput. Exp. 1, 1993: its shares (both recalled).

    Examples
    --------
    >>> half = np.array([0.5, 0.5])
    >>> found = anova(np.array([[[0.0, 1.0], [2.0, 3.0]]]), [half, half])
    >>> [round(float(x), 2) for x in found.first[0]], round(float(found.second[0, 0]), 2)
    ([0.8, 0.2], 0.0)
    """
    y = np.asarray(outcome, dtype=float)
    q = len(weights)
    if y.shape[1:] != tuple(len(w) for w in weights):
        raise InputError("options", f"of shape {y.shape[1:]} do not fit the weights")
    if any(abs(float(np.sum(w)) - 1.0) > 1e-9 for w in weights):
        raise InputError("weights", "of the options of a choice must add up to 1")
    if not np.isfinite(y).all():
        bad = int(np.sum(~np.isfinite(y)))
        raise InputError("options", f"{bad} outcomes are not finite, which have no variance")

    def conditional_mean(kept: tuple[int, ...]) -> Array:
        """Mean outcome given the options of some choices, (m, ...)."""
        part = y
        for i in reversed(range(q)):
            if i not in kept:
                part = np.tensordot(part, weights[i], axes=([i + 1], [0]))
        return part

    mean = conditional_mean(())
    scale = np.maximum(np.max(np.abs(y.reshape(len(y), -1)), axis=1), 1e-300)

    def explained_variance(kept: tuple[int, ...]) -> Array:
        """Variance that some choices explain together, (m,)."""
        part = (conditional_mean(kept) - mean.reshape(-1, *[1] * len(kept))) ** 2
        for i in reversed(range(len(kept))):
            part = np.tensordot(part, weights[kept[i]], axes=([i + 1], [0]))
        return np.asarray(part)

    all_choices = tuple(range(q))
    variance = explained_variance(all_choices)
    varies = variance > (1e-12 * scale) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(varies, 1.0 / variance, np.nan)[:, None]
    main_variance = np.stack([explained_variance((i,)) for i in all_choices], axis=1)
    others = [tuple(j for j in all_choices if j != i) for i in all_choices]
    total = np.stack([variance - explained_variance(rest) for rest in others], axis=1)
    pairs = tuple(combinations(all_choices, 2))
    second = (
        np.stack(
            [
                explained_variance(pair) - main_variance[:, pair[0]] - main_variance[:, pair[1]]
                for pair in pairs
            ],
            axis=1,
        )
        if pairs
        else np.zeros((len(y), 0))
    )
    higher_order = variance - main_variance.sum(axis=1) - second.sum(axis=1)
    return Anova(
        mean=mean,
        variance=np.where(varies, variance, 0.0),
        first=main_variance * share,
        total=total * share,
        pairs=pairs,
        second=second * share,
        higher_order=higher_order * share[:, 0],
        main=tuple(conditional_mean((i,)) for i in all_choices),
    )


def gauss_legendre(count: int) -> tuple[Array, Array]:
    """Return Gauss-Legendre nodes inside [0, 1] and weights of sum 1, both (count,).

    Exact for polynomials up to degree 2 count - 1.

    References
    ----------
    Abramowitz and Stegun, Handbook of Mathematical Functions, 1964, 25.4.29 (recalled).

    Examples
    --------
    >>> nodes, weights = gauss_legendre(2)
    >>> [round(float(x), 4) for x in nodes], [float(w) for w in weights]
    ([0.2113, 0.7887], [0.5, 0.5])
    """
    x, weights = np.polynomial.legendre.leggauss(count)
    return 0.5 * (x + 1.0), 0.5 * weights
