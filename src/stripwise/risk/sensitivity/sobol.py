"""Which inputs drive many outputs at once: Sobol' indices from sums that can be added to.

Axes: d columns, n points, m outputs, k sets of columns, q pairs, r repeats. SALib takes one output
and one scrambling at a time, and scipy no groups: they are the oracles of the tests.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.sampling import random_stream, sobol_blocks
from stripwise.risk.probability.parallel import run_parallel

__all__ = [
    "AdditiveColumn",
    "SobolDesign",
    "SobolEstimates",
    "SobolSums",
    "accumulate_sums",
    "indices_from_sums",
    "output_shift",
]

Array = NDArray[np.float64]
Model = Callable[[Array], Array]
Mixer = Callable[[Array, Array], Callable[[tuple[int, ...]], Array]]
"""Two samples A and B to a function from columns to the outputs of A with these columns from B."""

CHUNK = 1024
"""Points per call of the model: outputs of a hundred ages then stay in the cache."""


@dataclass(frozen=True, slots=True)
class AdditiveColumn:
    """A column that the first outputs add to a part that does not depend on it.

    Attributes
    ----------
    column
        The column, independent of the others.
    variance
        Variance of what it adds, known exactly.
    outputs
        How many outputs, the first ones, are such sums.
    """

    column: int
    variance: float
    outputs: int


@dataclass(frozen=True, slots=True)
class SobolDesign:
    """Which indices are estimated.

    Attributes
    ----------
    dimensions
        Number of columns d.
    sets
        (k) columns that are moved together; a set of one column is a single input.
    continuous
        Number of continuous outputs; the outputs after them are probabilities given all columns but
        `integrated`, P(F | X), whose indices are those of the yes/no event F itself.
    integrated
        The column that the probabilities have integrated out, or -1.
    pairs
        (q) pairs of positions in `sets` whose interaction is estimated.
    additive
        A column whose share of some outputs needs no estimate, or None.
    """

    dimensions: int
    sets: tuple[tuple[int, ...], ...]
    continuous: int
    integrated: int = -1
    pairs: tuple[tuple[int, int], ...] = ()
    additive: AdditiveColumn | None = None

    @property
    def runs_per_point(self) -> int:
        """Evaluations of the model per base point."""
        return 2 + len(self.sets) + len({i for i, _ in self.pairs})


@dataclass(slots=True)
class SobolSums:
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
    abs_d: Array
    min_bm: Array
    cross: Array
    swapped: Array
    pair: Array

    @classmethod
    def empty(cls, layout: SobolDesign, outputs: int) -> SobolSums:
        """Return sums over no points."""
        k, q, p = len(layout.sets), len(layout.pairs), outputs - layout.continuous
        a, b, aa, bb, ab = (np.zeros(outputs) for _ in range(5))
        d, bd, dd = (np.zeros((k, outputs)) for _ in range(3))
        abs_d, min_bm, cross = (np.zeros((k, p)) for _ in range(3))
        swapped, pair = np.zeros((q, outputs)), np.zeros((q, outputs))
        return cls(0, a, b, aa, bb, ab, d, bd, dd, abs_d, min_bm, cross, swapped, pair)

    def add(self, other: SobolSums) -> None:
        """Add the sums over other points of the same sequence."""
        self.n += other.n
        for name in self.__slots__:
            if name != "n":
                getattr(self, name).__iadd__(getattr(other, name))


@dataclass(frozen=True, slots=True)
class SobolEstimates:
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


def output_shift(model: Model, layout: SobolDesign) -> Array:
    """Return what is taken off each output to keep digits: its value at the medians, (m,)."""
    with np.errstate(all="ignore"):
        shift = model(np.zeros((layout.dimensions, 1)))[:, 0].copy()
    shift[layout.continuous :] = 0.0
    return np.where(np.isfinite(shift), shift, 0.0)


def accumulate_sums(
    model: Model,
    layout: SobolDesign,
    *,
    start: int,
    points: int,
    repeats: int,
    seed: int,
    shift: Array,
    stage: str = "rank",
    workers: int = 2,
    mixer: Mixer | None = None,
) -> list[SobolSums]:
    """Sum over a run of base points of each repeat's own scrambling, (r) sums.

    Parameters
    ----------
    model
        Maps standard normal columns (d, n) to outputs (m, n), continuous ones first.
    start, points
        First base point and how many; together with earlier runs they should be a power of two.
    shift
        (m,) taken off the continuous outputs, near their means, to keep digits; else 0.
    stage
        Random stream.
    mixer
        A quicker way to the outputs of A with some columns from B, where the model has one.
    """
    mix = mixer or _plain_mixer(model)

    def repeat(r: int) -> SobolSums:
        total = SobolSums.empty(layout, len(shift))
        rng = random_stream(seed, stage=stage, index=(r,))
        for cell in sobol_blocks(2 * layout.dimensions, points, rng, start=start):
            for first in range(0, cell.shape[1], CHUNK):
                with np.errstate(all="ignore"):  # what is not finite has its status
                    chunk = cell[:, first : first + CHUNK]
                    part = _sum_chunk(model, mix, layout, chunk, shift[:, None])
                    total.add(part)
        return total

    return list(run_parallel(repeat, repeats, workers=workers))


def _plain_mixer(model: Model) -> Mixer:
    def mixer(a: Array, b: Array) -> Callable[[tuple[int, ...]], Array]:
        def outputs(columns: tuple[int, ...]) -> Array:
            mixed = a.copy()
            mixed[list(columns)] = b[list(columns)]
            return model(mixed)

        return outputs

    return mixer


def _sum_chunk(
    model: Model, mixer: Mixer, layout: SobolDesign, z: Array, shift: Array
) -> SobolSums:
    d, split = layout.dimensions, layout.continuous
    a, b = z[:d], z[d:]
    with_columns_of_b = mixer(a, b)
    f_a, f_b = (with_columns_of_b(columns) - shift for columns in ((), tuple(range(d))))
    out = SobolSums.empty(layout, len(shift))
    out.n = z.shape[1]
    out.a, out.b = f_a.sum(axis=1), f_b.sum(axis=1)
    out.aa, out.bb, out.ab = _dot(f_a, f_a), _dot(f_b, f_b), _dot(f_a, f_b)
    wanted = {j for _, j in layout.pairs}
    kept: dict[int, Array] = {}
    for k, columns in enumerate(layout.sets):
        f_m = with_columns_of_b(columns) - shift
        if k in wanted:
            kept[k] = f_m
        difference = f_a - f_m
        out.d[k], out.bd[k], out.dd[k] = (
            difference.sum(axis=1),
            _dot(f_b, difference),
            _dot(difference, difference),
        )
        if split < len(f_a):
            out.abs_d[k] = np.abs(difference[split:]).sum(axis=1)
            out.min_bm[k] = np.minimum(f_b[split:], f_m[split:]).sum(axis=1)
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


def indices_from_sums(
    sums: Sequence[SobolSums], layout: SobolDesign, *, shift: Array
) -> SobolEstimates:
    """Turn sums into indices.

    Parameters
    ----------
    shift
        (m,) as it was taken off.

    Returns
    -------
    The `SobolEstimates`.

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

    A sum of one column and a part without it, y = x + g: both indices of the column are
    Var(x) / (Var(x) + Var(g)), with Var(x) exact and Var(g) from the sample.

    References
    ----------
    Saltelli et al., Comput. Phys. Commun. 181, 2010, Table 2 (b) and (f), the latter Jansen's;
    second order: Saltelli, Comput. Phys. Commun. 145, 2002, theorem 2 (all recalled). The forms
    for the event are this project's own.
    """
    with np.errstate(all="ignore"):  # what is not finite comes out as NaN
        parts = [_repeat_indices(one, layout) for one in sums]
    stacked = [np.array([p[i] for p in parts]) for i in range(5)]
    first, total, second, mean, variance = stacked
    return SobolEstimates(first, total, second, mean + shift, variance, sums[0].n)


def _repeat_indices(s: SobolSums, layout: SobolDesign) -> tuple[Array, Array, Array, Array, Array]:
    n, split = s.n, layout.continuous
    mean = (s.a + s.b) / (2 * n)
    variance = (s.aa + s.bb) / (2 * n) - mean**2
    variance[split:] = mean[split:] * (1.0 - mean[split:])
    scale = np.maximum(np.abs(s.aa / n), 1e-300)
    variance = np.where(variance > 1e-14 * scale, variance, np.nan)
    singles = [k for k, columns in enumerate(layout.sets) if len(columns) == 1]
    swapped_by_set = {i: s.swapped[q] for q, (i, _) in enumerate(layout.pairs)}
    count = 2 + len(singles) + len(swapped_by_set)
    centre = (s.a + s.b + (s.a - s.d[singles]).sum(axis=0) + sum(swapped_by_set.values())) / (
        count * n
    )
    first = (centre * s.d - s.bd) / n / variance
    total = 0.5 * s.dd / n / variance
    p_v = variance[split:]
    has_integrated = np.array([layout.integrated in columns for columns in layout.sets])
    square = s.a[split:] * s.b[split:] / n**2
    mixed_mean = 0.5 * (2.0 * s.a[split:] - s.d[:, split:]) / n
    first[:, split:] = np.where(
        has_integrated[:, None], (s.min_bm / n - square) / p_v, first[:, split:]
    )
    total[:, split:] = np.where(
        has_integrated[:, None], (mixed_mean - s.cross / n) / p_v, 0.5 * s.abs_d / n / p_v
    )
    second = _second(s, layout, centre=centre, first=first, variance=variance)
    additive = layout.additive
    if additive is not None and (additive.column,) in layout.sets:
        k, own = layout.sets.index((additive.column,)), slice(additive.outputs)
        rest = np.maximum(variance[own] - additive.variance, 0.0)
        first[k, own] = total[k, own] = additive.variance / (additive.variance + rest)
    return first, total, second, mean, variance


def _second(
    s: SobolSums, layout: SobolDesign, *, centre: Array, first: Array, variance: Array
) -> Array:
    n, split = s.n, layout.continuous
    second = np.empty((len(layout.pairs), len(variance)))
    for q, (i, j) in enumerate(layout.pairs):
        # sum of (f_BA - c)(f_AB - c) - (f_A - c)(f_B - c)
        shifted = s.swapped[q] + (s.a - s.d[j]) - s.a - s.b
        closed = (s.pair[q] - s.ab - centre * shifted) / n
        for here, other in ((i, j), (j, i)):
            if layout.integrated in layout.sets[here]:
                square = s.a[split:] * s.b[split:] / n**2
                closed[split:] = s.min_bm[other] / n - square
        second[q] = closed / variance - first[i] - first[j]
    return second
