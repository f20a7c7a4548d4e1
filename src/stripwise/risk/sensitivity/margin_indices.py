"""Which uncertainty drives the depth margin: Sobol' indices of inputs and groups.

Axes: r repeats, n base points, d inputs, s strategies. SALib takes one output at a time and one
scrambling; this estimator takes all strategies and repeats at once, and SALib and scipy are the
oracles that the tests hold it against.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.random_input import GROUPS
from stripwise.distributions.sampling import InputSampler, random_stream, sobol_blocks
from stripwise.risk.model.wall import COVER, Wall
from stripwise.risk.probability.curves import t_interval
from stripwise.risk.probability.integral import front_depths
from stripwise.risk.probability.parallel import run_parallel

__all__ = ["SobolIndices", "margin_indices", "sobol_indices"]

Array = NDArray[np.float64]
Model = Callable[[Array], Array]

BASE_POINTS = 2048
NUMERICAL_POINTS = 256
"""The same where every front is a numerical solution; intervals are wider for it."""
WIDE_HALF_WIDTH = 0.05
"""A first or total index whose half interval exceeds this is marked wide."""


@dataclass(frozen=True, slots=True)
class SobolIndices:
    """First and total indices of one set of columns, for s outputs.

    Attributes
    ----------
    label
        Name of the input or group.
    members
        Names of the inputs that move together.
    first, total
        (r, s) one estimate per repeat.
    status
        "ok", "wide", or "undefined: reason", per output.
    """

    label: str
    members: tuple[str, ...]
    first: Array
    total: Array
    status: tuple[str, ...]


def sobol_indices(
    model: Model,
    sets: Sequence[Sequence[int]],
    *,
    dimensions: int,
    points: int,
    repeats: int,
    seed: int,
    workers: int = 2,
) -> tuple[Array, Array]:
    """Estimate first and total Sobol' indices of sets of columns, by replicated scramblings.

    Parameters
    ----------
    model
        Maps standard normal columns (d, n) to outputs (s, n).
    sets
        Columns that are moved together, one sequence per index.
    dimensions
        Number of columns d.
    points
        Base points per repeat, a power of two.

    Returns
    -------
    first and total, each (r, len(sets), s); NaN where an output has no finite variance.

    Notes
    -----
    Outputs are centred, since the estimator of the first index loses digits with a large mean.
    First: mean of f_B (f_AB - f_A) over V, total: mean of (f_A - f_AB)^2 over 2 V, V over both
    base samples.

    References
    ----------
    Saltelli et al., Comput. Phys. Commun. 181, 2010, Table 2 (b) and (f); the latter is Jansen's
    (recalled).

    Examples
    --------
    >>> first, total = sobol_indices(
    ...     lambda z: (2.0 * z[0] + z[1])[None], [[0], [1]], dimensions=2, points=1024,
    ...     repeats=8, seed=0,
    ... )
    >>> [round(float(x), 2) for x in first.mean(axis=0)[:, 0]]
    [0.8, 0.2]
    """

    def repeat(r: int) -> tuple[Array, Array]:
        rng = random_stream(seed, stage="sensitivity", index=(r,))
        z = np.concatenate(list(sobol_blocks(2 * dimensions, points, rng)), axis=1)
        a, b = z[:dimensions], z[dimensions:]
        f_a, f_b = model(a), model(b)
        mixed = []
        for columns in sets:
            swapped = a.copy()
            swapped[list(columns)] = b[list(columns)]
            mixed.append(model(swapped))
        # an infinite output makes NaN of its row; the state is that of this thread
        with np.errstate(divide="ignore", invalid="ignore"):
            centre = np.mean([f_a, f_b, *mixed], axis=(0, 2))[:, None]
            variance = np.concatenate([f_a, f_b], axis=1).var(axis=1)
            first = np.array([np.mean((f_b - centre) * (f_ab - f_a), axis=1) for f_ab in mixed])
            total = np.array([0.5 * np.mean((f_a - f_ab) ** 2, axis=1) for f_ab in mixed])
            no_variance = variance <= 0.0
            return (
                np.where(no_variance, np.nan, first / variance),
                np.where(no_variance, np.nan, total / variance),
            )

    parts = list(run_parallel(repeat, repeats, workers=workers))
    return np.array([p[0] for p in parts]), np.array([p[1] for p in parts])


def margin_indices(
    wall: Wall, age: float, *, repeats: int, seed: int, workers: int = 2
) -> list[list[SobolIndices]]:
    """Return Sobol' indices of the depth margin at an age [yr]: by input, and by group.

    Correlated inputs move together as one group; alone they are undefined.
    """
    wall = wall.with_coarse_grid()
    sampler = InputSampler.from_inputs(wall.inputs, wall.correlations)
    names = sampler.names
    clusters = _clusters(sampler)
    unique_sets: dict[tuple[int, ...], None] = {}
    singles = [(name, clusters[i]) for i, name in enumerate(names)]
    groups = []
    for group in GROUPS:
        members = tuple(i for i, item in enumerate(sampler.inputs) if item.group == group)
        if members:
            groups.append((group, members))
    groups += [
        ("correlated: " + " + ".join(names[i] for i in cluster), cluster)
        for cluster in dict.fromkeys(clusters)
        if len(cluster) > 1
    ]
    for _, columns in (*singles, *groups):
        unique_sets[columns] = None
    sets = list(unique_sets)

    def model(z: Array) -> Array:
        values = sampler.values(z)
        depths = front_depths(wall, wall.sample_block(values), age)
        return np.array([np.broadcast_to(values[COVER] - x, z.shape[1]) for x in depths])

    first, total = sobol_indices(
        model,
        sets,
        dimensions=sampler.dimensions,
        points=NUMERICAL_POINTS if wall.numerical else BASE_POINTS,
        repeats=repeats,
        seed=seed,
        workers=workers,
    )
    position = {columns: k for k, columns in enumerate(sets)}

    def row(label: str, columns: tuple[int, ...], reason: str) -> SobolIndices:
        k = position[columns]
        s, t = first[:, k], total[:, k]
        if reason:
            s, t = np.full_like(s, np.nan), np.full_like(t, np.nan)
        status = tuple(_status(s[:, j], t[:, j], reason) for j in range(s.shape[1]))
        return SobolIndices(label, tuple(names[i] for i in columns), s, t, status)

    by_input = [
        row(name, columns, "correlated" if len(columns) > 1 else "") for name, columns in singles
    ]
    by_group = []
    for label, columns in groups:
        split = any(not set(clusters[i]) <= set(columns) for i in columns)
        by_group.append(row(label, columns, "correlated" if split else ""))
    return [by_input, by_group]


def _status(first: Array, total: Array, reason: str) -> str:
    if reason:
        return f"undefined: {reason}"
    if not (np.all(np.isfinite(first)) and np.all(np.isfinite(total))):
        return "undefined: the margin has no finite variance"
    half_widths = [high - mean for mean, _, high in (t_interval(first), t_interval(total))]
    return "wide" if max(float(h) for h in half_widths) > WIDE_HALF_WIDTH else "ok"


def _clusters(sampler: InputSampler) -> list[tuple[int, ...]]:
    """List the columns that are correlated with each column, directly or through others."""
    d = sampler.dimensions
    linked = np.eye(d, dtype=bool)
    if sampler.factor is not None:
        linked |= np.abs(sampler.factor @ sampler.factor.T) > 1e-12
        for _ in range(d):
            linked = (linked.astype(int) @ linked.astype(int)) > 0
    return [tuple(int(j) for j in np.flatnonzero(row)) for row in linked]
