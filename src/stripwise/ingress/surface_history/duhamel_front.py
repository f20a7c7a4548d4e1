"""The front in a uniform face whose surface content changes in time, by Duhamel's integral."""

from __future__ import annotations

import functools
import threading
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from stripwise.ingress.surface_history.erfc_sum_roots import (
    mean_delay_root,
    monomials,
    parabola_peak,
    solve_deepest,
    solve_monotone,
)
from stripwise.ingress.surface_history.surface_chloride import (
    CONSTANT,
    SurfaceHistory,
    quadrature_nodes,
)
from stripwise.ingress.transformed_time import AgeingLaw

__all__ = ["DuhamelFront"]

Array = NDArray[np.float64]
Number = Array | float

GRID_EXPONENTS = np.linspace(0.0, 0.98, 15)
GRID_DEPTHS = np.linspace(0.0, 3.0, 301)
"""Grid of a table's roots: sqrt(-ln ratio) from 0 to a ratio of 1e-4."""

MIN_SAMPLES_TO_FIT = 2048
"""Samples from which the start of the iteration is fitted to the exact roots of `FIT_SAMPLES`."""
FIT_SAMPLES = 256
MIN_SAMPLES_FOR_GRID = 8
"""Samples from which the roots of a table are read from a grid that is shared by all blocks."""
_GRID_LOCK = threading.Lock()
AGES_PER_FALL = 8
"""Ages within each fall of the surface content at which the depth is stored, and after it."""
PASSAGE_AGES = np.geomspace(0.5, 500.0, 46)
"""Further ages at which the depth of a front that may recede is stored [yr]."""


@dataclass(frozen=True, slots=True)
class DuhamelFront:
    """The root u(t) of the front x_c = dx + 2 u(t) sqrt(k_c tau(t)), for one block of n samples.

    Attributes
    ----------
    history
        Surface content in time.
    ratio
        Critical over full surface content above the initial one, broadcasts to (n,).
    duration
        Duration of the rise [yr].
    ageing_law
        Ageing; seasons are averaged inside the superposition.
    exponent
        Ageing exponent.
    powers
        (j, n) y_j^(1-a) of the nodes of a rise, where tau is a power of time; else None.

    Notes
    -----
    The content at depth x relative to the full surface content is
    f = g(0) erfc(u) + integral of g'(s) erfc(u / sqrt(1 - tau(s)/tau(t))) ds, u = x/(2 sqrt(tau))
    (Duhamel; Carslaw and Jaeger, Conduction of Heat in Solids, 2nd ed., 1959, section 1.14,
    recalled), taken by Gauss-Legendre nodes on each piece of the history.
    """

    history: SurfaceHistory
    ratio: Number
    duration: Number
    ageing_law: AgeingLaw
    exponent: Number
    powers: Array | None
    _deepest: dict[int, tuple[Array, Array]] = field(
        default_factory=dict, repr=False, compare=False
    )

    @classmethod
    def from_history(
        cls,
        history: SurfaceHistory,
        *,
        ratio: Number,
        duration: Number,
        ageing_law: AgeingLaw,
        exponent: Number,
    ) -> DuhamelFront:
        """Prepare a block of samples."""
        powers = None
        simple = ageing_law.convention == "apparent" and np.isinf(ageing_law.ageing_ends)
        if simple and history.shape in ("linear", "square root"):
            y = _rise_nodes(history.shape)
            powers = np.exp(np.multiply.outer(np.log(y), 1.0 - np.atleast_1d(exponent)))
        return cls(history, ratio, duration, ageing_law, exponent, powers)

    def relative_content(self, u: ArrayLike, age: Number) -> Array:
        """Return f relative to the full surface content, of the broadcast shape.

        u (n,) is the depth below the convection zone over 2 sqrt(k_c tau(age)); age in yr.
        """
        weights, stretch = self.nodes(age)
        v = np.atleast_1d(np.asarray(u, dtype=float))
        total = np.zeros(np.broadcast_shapes(v.shape, stretch[0].shape, np.shape(weights[0])))
        for w, r in zip(weights, stretch, strict=True):
            total += w * special.erfc(v * r)
        return total

    def root(self, age: float) -> Array:
        """Return u (n,) of f(u) = ratio at an age [yr], the first passage where the content falls.

        0 where the front has not started, inf where depassivated from the start. The roots of a
        table are read from a grid over ratio and ageing exponent, made once per age.
        """
        rho = np.asarray(self.ratio, dtype=float)
        if self.history.shape == CONSTANT:
            return np.asarray(special.erfcinv(rho))
        if self.history.shape == "table" and rho.size >= MIN_SAMPLES_FOR_GRID:
            return self._from_grid(age)
        return self._first_passage_root(age)

    def _from_grid(self, age: float) -> Array:
        rho = np.asarray(self.ratio, dtype=float)
        grid = _grid(self.history, self.ageing_law, age)
        v = np.sqrt(-np.log(np.clip(rho, 1e-300, 1.0)))
        position = np.clip(v / GRID_DEPTHS[1], 0.0, GRID_DEPTHS.size - 1.000001)
        step = position.astype(np.intp)
        fraction = position - step
        exponent_position = np.clip(np.asarray(self.exponent, dtype=float), 0.0, GRID_EXPONENTS[-1])
        exponent_position = exponent_position / GRID_EXPONENTS[1]
        row = np.clip(exponent_position.astype(np.intp), 1, GRID_EXPONENTS.size - 3)
        x = exponent_position - row
        # cubic through four exponents, linear in the ratio, where the start of the front is a kink
        factors = (
            -x * (x - 1.0) * (x - 2.0) / 6.0,
            (x + 1.0) * (x - 1.0) * (x - 2.0) / 2.0,
            -(x + 1.0) * x * (x - 2.0) / 2.0,
            (x + 1.0) * x * (x - 1.0) / 6.0,
        )
        root = np.zeros(np.broadcast_shapes(rho.shape, x.shape))
        for k, factor in enumerate(factors):
            low, high = grid[row + k - 1, step], grid[row + k - 1, step + 1]
            root += factor * (low + fraction * (high - low))
        root = np.where(rho >= 1.0, 0.0, np.maximum(root, 0.0))
        return np.asarray(np.where(rho <= 0.0, np.inf, root))

    def _first_passage_root(self, age: float) -> Array:
        rho = np.asarray(self.ratio, dtype=float)
        if age <= 0.0:
            start = float(self.history.relative_content(0.0, 1.0))
            with np.errstate(divide="ignore"):
                root = special.erfcinv(np.minimum(rho / start, 1.0)) if start > 0 else 0.0 * rho
            return np.asarray(np.where(rho <= 0.0, np.inf, root))
        root = self._current_root(age)
        if not self.history.falls:
            return root
        shape = np.exp(0.5 * self.ageing_law.log_effective_time(age, self.exponent))
        deepest = np.maximum(root * shape, self._deepest_until(age))
        return np.asarray(np.where(rho <= 0.0, np.inf, deepest / shape))

    def _deepest_until(self, age: float) -> Array:
        """Largest u sqrt(tau/rate) until an age, stored at fixed ages and refined between them."""
        ages = self._passage_ages()
        count = int(np.searchsorted(ages, age, side="left"))
        if count == 0:
            return np.zeros(1)
        for i in range(count):
            if i in self._deepest:
                continue
            growth = np.exp(0.5 * self.ageing_law.log_effective_time(ages[i], self.exponent))
            depth = np.atleast_1d(self._current_root(float(ages[i])) * growth)
            top = depth if i == 0 else np.maximum(self._deepest[i - 1][1], depth)
            if i >= 2:
                before = [self._deepest[k][0] for k in (i - 2, i - 1)]
                top = np.maximum(top, parabola_peak(ages, i, [*before, depth]))
            self._deepest[i] = (depth, top)
        return self._deepest[count - 1][1]

    def _passage_ages(self) -> Array:
        """Ages at which the depth is stored, close together where the surface content falls."""
        ages, contents = np.array(self.history.ages), self.history.relative_contents
        close = [
            np.linspace(ages[i], ages[i] + 2.0 * (ages[i + 1] - ages[i]), 2 * AGES_PER_FALL + 1)
            for i in range(len(ages) - 1)
            if contents[i + 1] < contents[i]
        ]
        return np.unique(np.concatenate([PASSAGE_AGES, self.history.breakpoints, *close]))

    def _current_root(self, age: float) -> Array:
        rho = np.asarray(self.ratio, dtype=float)
        weights, stretch = self.nodes(age)
        surface = self.history.relative_content(age, self.duration)
        size = np.broadcast_shapes(rho.shape, stretch[0].shape, np.shape(surface), (1,))
        rho_all = np.broadcast_to(rho, size)
        root = np.zeros(size)
        moving = (rho_all > 0.0) & (rho_all < 1.0)
        if self.history.falls:
            top = max(self.history.relative_contents)
            moving_rows = np.flatnonzero(moving & (rho_all < top))
            if moving_rows.size:
                root[moving_rows] = solve_deepest(
                    rho_all[moving_rows],
                    _select(weights, moving_rows, size),
                    _select(stretch, moving_rows, size),
                    top,
                )
        else:
            g = np.broadcast_to(surface, size)
            moving_rows = np.flatnonzero(moving & (rho_all < g))
            if moving_rows.size:
                whole = moving_rows.size == root.size
                chosen = rho_all if whole else rho_all[moving_rows]
                parts = [
                    np.broadcast_to(p, (len(p), *size)) if whole else _select(p, moving_rows, size)
                    for p in (weights, stretch)
                ]
                start = self._start(chosen / g[moving_rows], age, parts, moving_rows, size)
                moving_root = solve_monotone(chosen, parts[0], parts[1], start)
                root[moving_rows] = moving_root
        return np.where(rho_all <= 0.0, np.inf, root) if np.any(rho_all <= 0.0) else root

    def _start(
        self,
        ratio: Array,
        age: float,
        parts: list[Array],
        moving_rows: NDArray[np.intp],
        size: tuple[int, ...],
    ) -> Array:
        """Start of the iteration: a delayed step, or a polynomial fitted to some exact roots."""
        if ratio.size < MIN_SAMPLES_TO_FIT:
            return mean_delay_root(ratio, parts)
        columns = [np.sqrt(-np.log(ratio))]
        for value in (self.exponent, np.asarray(self.duration) / age):
            spread = np.asarray(value, dtype=float)
            if spread.size > 1:
                values = np.broadcast_to(spread, size)[moving_rows]
                columns.append(np.minimum(values, 1.0))
        pilot_rows = slice(0, FIT_SAMPLES)
        pilot = [p[:, pilot_rows] for p in parts]
        weighted = np.sum(pilot[0], axis=0)
        begin = mean_delay_root(ratio[pilot_rows], pilot)
        exact = solve_monotone(ratio[pilot_rows] * weighted, pilot[0], pilot[1], begin)
        terms = monomials(columns)
        # small sums by einsum: threads of a linear algebra library would cost more than they give
        pilot_terms = terms[:, pilot_rows]
        square = np.einsum("in,jn->ij", pilot_terms, pilot_terms) + 1e-9 * np.eye(len(pilot_terms))
        factors = np.linalg.solve(square, np.einsum("in,n->i", pilot_terms, exact))
        return np.asarray(np.maximum(np.einsum("i,in->n", factors, terms), 0.02))

    def nodes(self, age: Number) -> tuple[Array, Array]:
        """Return the j steps that represent the history until an age.

        The age is above 0, a number or (n,) [yr]. Weights, which sum to the surface content, and
        stretches 1/sqrt(1 - tau(s)/tau(t)), (j, 1 or n) each.
        """
        if self.history.shape == "table":
            return self._table_nodes(age)
        _, w = quadrature_nodes()
        y = _rise_nodes(self.history.shape)
        rise_age = np.minimum(np.atleast_1d(np.asarray(self.duration, dtype=float)), age)
        weights = np.multiply.outer(
            w, self.history.relative_content(age, np.atleast_1d(self.duration))
        )
        if self.powers is not None:
            late = np.any(rise_age < age)
            growth = (rise_age / age) ** (1.0 - np.atleast_1d(self.exponent)) if late else 1.0
            theta = self.powers * growth
        else:
            log_now = self.ageing_law.log_effective_time(age, self.exponent)
            log_past = self.ageing_law.log_effective_time(
                np.multiply.outer(y, rise_age), np.atleast_1d(self.exponent)
            )
            theta = np.exp(log_past - log_now)
        return weights, _stretch(theta)

    def _table_nodes(self, age: Number) -> tuple[Array, Array]:
        y, w = quadrature_nodes()
        ages, contents = self.history.ages, self.history.relative_contents
        t, a = np.atleast_1d(age), np.atleast_1d(np.asarray(self.exponent, dtype=float))
        weights, step_ages = [np.full((1, t.size), contents[0])], [np.zeros((1, t.size))]
        pairs = zip(ages, ages[1:], contents, contents[1:], strict=False)
        for first, last, low, high in pairs:
            if first >= np.max(t) or low == high:
                continue
            end = np.clip(t, first, last)
            weights.append(np.multiply.outer(w * (high - low) / (last - first), end - first))
            step_ages.append(first + np.multiply.outer(y, end - first))
        log_now = self.ageing_law.log_effective_time(age, a)
        theta = [
            np.where(
                log_past > 0.0,
                np.exp(
                    self.ageing_law.log_effective_time(np.maximum(log_past, 1e-300), a) - log_now
                ),
                0,
            )
            for log_past in np.concatenate(step_ages)
        ]
        return np.concatenate(weights), _stretch(np.array(theta))


@functools.lru_cache(maxsize=8)
def _grid_front(history: SurfaceHistory, ageing_law: AgeingLaw) -> DuhamelFront:
    exponent, depth = np.meshgrid(GRID_EXPONENTS, GRID_DEPTHS, indexing="ij")
    ratio = np.exp(-depth * depth).ravel()
    return DuhamelFront.from_history(
        history, ratio=ratio, duration=1.0, ageing_law=ageing_law, exponent=exponent.ravel()
    )


@functools.lru_cache(maxsize=1024)
def _grid(history: SurfaceHistory, ageing_law: AgeingLaw, age: float) -> Array:
    """Roots of a table over ageing exponent and ratio; the lock lets one thread compute them."""
    with _GRID_LOCK:
        root = _grid_front(history, ageing_law)._first_passage_root(age)
    shape = (GRID_EXPONENTS.size, GRID_DEPTHS.size)
    return np.array(np.broadcast_to(root, (shape[0] * shape[1],))).reshape(shape)


def _rise_nodes(shape: str) -> Array:
    """Relative times of the nodes: equal steps of the content carry the weights."""
    y, _ = quadrature_nodes()
    return y if shape == "linear" else y * y


def _stretch(theta: Array) -> Array:
    with np.errstate(divide="ignore"):
        return np.asarray(1.0 / np.sqrt(np.maximum(1.0 - theta, 1e-30)))


def _select(part: Array, moving_rows: NDArray[np.intp], size: tuple[int, ...]) -> Array:
    return np.asarray(np.broadcast_to(part, (len(part), *size))[:, moving_rows])
