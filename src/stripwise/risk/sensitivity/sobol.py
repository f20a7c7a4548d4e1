"""Sobol' indices of many outputs at once, from sums that a larger sample can be added to.

Axes: d columns, n points, m outputs, k sets of columns, q pairs, r repeats. `sensitivity.py` serves
one age of a run; this estimator serves every age, and probabilities beside plain outputs.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.sampling import sobol_cells, stream
from stripwise.risk.probability.parallel import run_parallel

__all__ = ["Estimates", "Layout", "Sums", "accumulate", "estimates"]

Array = NDArray[np.float64]
Model = Callable[[Array], Array]

CHUNK = 1024
"""Points per call of the model: outputs of a hundred ages then stay in the cache."""


@dataclass(frozen=True, slots=True)
class Layout:
    """What is estimated.

    Attributes
    ----------
    dimensions
        Number of columns d.
    sets
        (k) columns that are moved together; a set of one column is a single input.
    plain
        Number of plain outputs; the outputs after them are probabilities given all columns but
        `integrated`, P(F | X), whose indices are those of the yes/no event F itself.
    integrated
        The column that the probabilities have integrated out, or -1.
    pairs
        (q) pairs of positions in `sets` whose interaction is wanted.
    """

    dimensions: int
    sets: tuple[tuple[int, ...], ...]
    plain: int
    integrated: int = -1
    pairs: tuple[tuple[int, int], ...] = ()

    @property
    def runs_per_point(self) -> int:
        """Evaluations of the model per base point."""
        return 2 + len(self.sets) + len({i for i, _ in self.pairs})


@dataclass(slots=True)
class Sums:
    """Sums over the base points of one repeat: A, B two samples, D = A - A with a set from B."""

    n: int
    a: Array
    b: Array
    aa: Array
    bb: Array
    ab: Array
    d: Array
    bd: Array
    dd: Array
    gap: Array
    least: Array
    cross: Array
    swapped: Array
    pair: Array

    @classmethod
    def empty(cls, layout: Layout, outputs: int) -> Sums:
        """Return sums over no points."""
        k, q, p = len(layout.sets), len(layout.pairs), outputs - layout.plain
        a, b, aa, bb, ab = (np.zeros(outputs) for _ in range(5))
        d, bd, dd = (np.zeros((k, outputs)) for _ in range(3))
        gap, least, cross = (np.zeros((k, p)) for _ in range(3))
        swapped, pair = np.zeros((q, outputs)), np.zeros((q, outputs))
        return cls(0, a, b, aa, bb, ab, d, bd, dd, gap, least, cross, swapped, pair)

    def add(self, other: Sums) -> None:
        """Add the sums over other points of the same sequence."""
        self.n += other.n
        for name in self.__slots__:
            if name != "n":
                getattr(self, name).__iadd__(getattr(other, name))


@dataclass(frozen=True, slots=True)
class Estimates:
    """Indices by repeat.

    Attributes
    ----------
    first, total
        (r, k, m); NaN where an output has no variance.
    second
        (r, q, m) interaction of two sets beyond their first indices.
    mean, variance
        (r, m) of each output; of a probability P and P (1 - P).
    points
        Base points per repeat.
    """

    first: Array
    total: Array
    second: Array
    mean: Array
    variance: Array
    points: int


def accumulate(
    model: Model,
    layout: Layout,
    *,
    start: int,
    points: int,
    repeats: int,
    seed: int,
    shift: Array,
    workers: int = 2,
) -> list[Sums]:
    """Sum over a run of base points of each repeat's own scrambling.

    Parameters
    ----------
    model
        Maps standard normal columns (d, n) to outputs (m, n), plain ones first.
    layout
        What is estimated.
    start, points
        First base point and how many; together with earlier runs they should be a power of two.
    repeats
        Independent scramblings.
    seed
        Seed of the run.
    shift
        (m,) taken off the plain outputs, near their means, to keep digits; 0 for probabilities.
    workers
        Threads; the results do not depend on it.

    Returns
    -------
    (r) sums.
    """

    def repeat(r: int) -> Sums:
        total = Sums.empty(layout, len(shift))
        rng = stream(seed, stage="rank", index=(r,))
        for cell in sobol_cells(2 * layout.dimensions, points, rng, start=start):
            for first in range(0, cell.shape[1], CHUNK):
                with np.errstate(all="ignore"):  # what is not finite is told by its status
                    part = _chunk(model, layout, cell[:, first : first + CHUNK], shift[:, None])
                    total.add(part)
        return total

    return list(run_parallel(repeat, repeats, workers=workers))


def _chunk(model: Model, layout: Layout, z: Array, shift: Array) -> Sums:
    d, split = layout.dimensions, layout.plain
    a, b = z[:d], z[d:]
    f_a, f_b = model(a) - shift, model(b) - shift
    out = Sums.empty(layout, len(shift))
    out.n = z.shape[1]
    out.a, out.b = f_a.sum(axis=1), f_b.sum(axis=1)
    out.aa, out.bb, out.ab = _dot(f_a, f_a), _dot(f_b, f_b), _dot(f_a, f_b)
    wanted = {j for _, j in layout.pairs}
    kept: dict[int, Array] = {}
    for k, columns in enumerate(layout.sets):
        mixed = a.copy()
        mixed[list(columns)] = b[list(columns)]
        f_m = model(mixed) - shift
        if k in wanted:
            kept[k] = f_m
        gap = f_a - f_m
        out.d[k], out.bd[k], out.dd[k] = gap.sum(axis=1), _dot(f_b, gap), _dot(gap, gap)
        if split < len(f_a):
            out.gap[k] = np.abs(gap[split:]).sum(axis=1)
            out.least[k] = np.minimum(f_b[split:], f_m[split:]).sum(axis=1)
            out.cross[k] = _dot(f_a[split:], f_m[split:])
    for i in sorted({i for i, _ in layout.pairs}):
        mixed = b.copy()
        columns = layout.sets[i]
        mixed[list(columns)] = a[list(columns)]
        f_back = model(mixed) - shift
        for q, (left, right) in enumerate(layout.pairs):
            if left == i:
                out.pair[q] = _dot(f_back, kept[right])
                out.swapped[q] = f_back.sum(axis=1)
    return out


def _dot(x: Array, y: Array) -> Array:
    return np.asarray(np.einsum("mn,mn->m", x, y))


def estimates(sums: Sequence[Sums], layout: Layout, *, shift: Array) -> Estimates:
    """Turn sums into indices.

    Parameters
    ----------
    sums
        One per repeat.
    layout
        What is estimated.
    shift
        (m,) as it was taken off.

    Returns
    -------
    The `Estimates`.

    Notes
    -----
    Plain outputs. First: mean of f_B (f_AB - f_A) over V; total: mean of (f_A - f_AB)^2 over 2 V;
    second: mean of f_BA f_AB - f_A f_B over V, less both first indices. Outputs are centred over
    all their runs, as the first and second indices lose digits with a mean.

    The event F with P(F | X) = p, one input c integrated out. A set S without c: V_S = cov of p
    over shared S, and the total is E|p_A - p_AB| / 2, since two events that share c differ where c
    falls between their thresholds. A set with c: E[1_F 1_F'] = E[min(p, p')] for the same reason,
    and the total is E[p_A (1 - p_AB) + p_AB (1 - p_A)] / 2. All over P (1 - P). No yes/no output is
    ever sampled, so that the indices stay smooth where the event is rare.

    References
    ----------
    Saltelli et al., Comput. Phys. Commun. 181, 2010, Table 2 (b) and (f), the latter Jansen's;
    second order: Saltelli, Comput. Phys. Commun. 145, 2002, theorem 2 (all recalled). The forms
    for the event are this project's own.
    """
    with np.errstate(all="ignore"):  # what is not finite comes out as NaN
        parts = [_one(one, layout) for one in sums]
    stacked = [np.array([p[i] for p in parts]) for i in range(5)]
    first, total, second, mean, variance = stacked
    return Estimates(first, total, second, mean + shift, variance, sums[0].n)


def _one(s: Sums, layout: Layout) -> tuple[Array, Array, Array, Array, Array]:
    n, split = s.n, layout.plain
    mean = (s.a + s.b) / (2 * n)
    variance = (s.aa + s.bb) / (2 * n) - mean**2
    variance[split:] = mean[split:] * (1.0 - mean[split:])
    scale = np.maximum(np.abs(s.aa / n), 1e-300)
    variance = np.where(variance > 1e-14 * scale, variance, np.nan)
    singles = [k for k, columns in enumerate(layout.sets) if len(columns) == 1]
    back = {i: s.swapped[q] for q, (i, _) in enumerate(layout.pairs)}
    count = 2 + len(singles) + len(back)
    centre = (s.a + s.b + (s.a - s.d[singles]).sum(axis=0) + sum(back.values())) / (count * n)
    first = (centre * s.d - s.bd) / n / variance
    total = 0.5 * s.dd / n / variance
    p_v = variance[split:]
    together = np.array([layout.integrated in columns for columns in layout.sets])
    square = s.a[split:] * s.b[split:] / n**2
    mixed_mean = 0.5 * (2.0 * s.a[split:] - s.d[:, split:]) / n
    first[:, split:] = np.where(together[:, None], (s.least / n - square) / p_v, first[:, split:])
    total[:, split:] = np.where(
        together[:, None], (mixed_mean - s.cross / n) / p_v, 0.5 * s.gap / n / p_v
    )
    second = _second(s, layout, centre=centre, first=first, variance=variance)
    return first, total, second, mean, variance


def _second(s: Sums, layout: Layout, *, centre: Array, first: Array, variance: Array) -> Array:
    n, split = s.n, layout.plain
    second = np.empty((len(layout.pairs), len(variance)))
    for q, (i, j) in enumerate(layout.pairs):
        # sum of (f_BA - c)(f_AB - c) - (f_A - c)(f_B - c)
        shifted = s.swapped[q] + (s.a - s.d[j]) - s.a - s.b
        closed = (s.pair[q] - s.ab - centre * shifted) / n
        for here, other in ((i, j), (j, i)):
            if layout.integrated in layout.sets[here]:
                square = s.a[split:] * s.b[split:] / n**2
                closed[split:] = s.least[other] / n - square
        second[q] = closed / variance - first[i] - first[j]
    return second
