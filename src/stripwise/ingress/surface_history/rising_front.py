"""The root of the front under a surface content that changes in time, by superposition."""

from __future__ import annotations

import functools
import threading
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from stripwise.ingress.clock import Clock
from stripwise.ingress.surface_history.superposition import (
    delayed_step,
    monomials,
    solve_deepest,
    solve_falling,
    summit,
)
from stripwise.ingress.surface_history.surface_chloride import CONSTANT, SurfaceHistory, step_nodes

__all__ = ["BuildUp"]

Array = NDArray[np.float64]
Number = Array | float

GRID_EXPONENTS = np.linspace(0.0, 0.98, 15)
GRID_DEPTHS = np.linspace(0.0, 3.0, 301)
"""Grid of a table's roots: sqrt(-ln ratio) from 0 to a ratio of 1e-4."""

FITTED_FROM = 2048
"""Samples from which the start of the iteration is fitted rather than worked out."""
FITTED_ON = 256
GRID_FROM = 8
"""Samples from which the roots of a table are read from the grid, which every cell shares."""
_GRID_LOCK = threading.Lock()
DENSE = 8
"""More such ages within each fall, and as many after it."""
PAST = np.geomspace(0.5, 500.0, 46)
"""Ages at which a front that may stand back is remembered [yr]."""


@dataclass(frozen=True, slots=True)
class BuildUp:
    """The front's root u(t) of one cell of faces, x_c = dx + 2 u(t) sqrt(k_c tau(t)).

    Attributes
    ----------
    history
        Surface content in time.
    ratio
        Critical over full surface content above the initial one, broadcasts to (n,).
    duration
        Duration of the rise [yr].
    clock
        Ageing; seasons are averaged inside the superposition.
    exponent
        Ageing exponent.
    powers
        (j, n) y_j^(1-a) of the nodes of a rise, where tau is a power of time; else None.

    Notes
    -----
    The share of the full surface content at depth x is
    f = g(0) erfc(u) + integral of g'(s) erfc(u / sqrt(1 - tau(s)/tau(t))) ds, u = x/(2 sqrt(tau))
    (Duhamel; Carslaw and Jaeger, Conduction of Heat in Solids, 2nd ed., 1959, section 1.14,
    recalled), taken by Gauss-Legendre nodes on each piece of the history.
    """

    history: SurfaceHistory
    ratio: Number
    duration: Number
    clock: Clock
    exponent: Number
    powers: Array | None
    _past: dict[int, tuple[Array, Array]] = field(default_factory=dict, repr=False, compare=False)

    @classmethod
    def of(
        cls,
        history: SurfaceHistory,
        *,
        ratio: Number,
        duration: Number,
        clock: Clock,
        exponent: Number,
    ) -> BuildUp:
        """Prepare a cell."""
        powers = None
        simple = clock.convention == "apparent" and np.isinf(clock.ageing_ends)
        if simple and history.shape in ("linear", "square root"):
            y = _rise_nodes(history.shape)
            powers = np.exp(np.multiply.outer(np.log(y), 1.0 - np.atleast_1d(exponent)))
        return cls(history, ratio, duration, clock, exponent, powers)

    def share(self, u: ArrayLike, age: Number) -> Array:
        """Share f of the full surface content at a depth.

        Parameters
        ----------
        u
            Depth below the convection zone over 2 sqrt(k_c tau(age)), (n,).
        age
            Time since first exposure [yr].

        Returns
        -------
        f of the broadcast shape.
        """
        weights, stretch = self.nodes(age)
        v = np.atleast_1d(np.asarray(u, dtype=float))
        total = np.zeros(np.broadcast_shapes(v.shape, stretch[0].shape, np.shape(weights[0])))
        for w, r in zip(weights, stretch, strict=True):
            total += w * special.erfc(v * r)
        return total

    def root(self, age: float) -> Array:
        """Root u of f(u) = ratio, and its first passage where the surface content can fall.

        The roots of a table are read from a grid over ratio and ageing exponent, made once per age.

        Parameters
        ----------
        age
            Time since first exposure [yr].

        Returns
        -------
        (n,) u; 0 where the front has not started, inf where depassivated from the start.
        """
        rho = np.asarray(self.ratio, dtype=float)
        if self.history.shape == CONSTANT:
            return np.asarray(special.erfcinv(rho))
        if self.history.shape == "table" and rho.size >= GRID_FROM:
            return self._from_grid(age)
        return self._passage(age)

    def _from_grid(self, age: float) -> Array:
        rho = np.asarray(self.ratio, dtype=float)
        grid = _grid(self.history, self.clock, age)
        v = np.sqrt(-np.log(np.clip(rho, 1e-300, 1.0)))
        place = np.clip(v / GRID_DEPTHS[1], 0.0, GRID_DEPTHS.size - 1.000001)
        step = place.astype(np.intp)
        part = place - step
        at = np.clip(np.asarray(self.exponent, dtype=float), 0.0, GRID_EXPONENTS[-1])
        at = at / GRID_EXPONENTS[1]
        row = np.clip(at.astype(np.intp), 1, GRID_EXPONENTS.size - 3)
        x = at - row
        # cubic through four exponents, straight in the ratio, where the front's start is a kink
        factors = (
            -x * (x - 1.0) * (x - 2.0) / 6.0,
            (x + 1.0) * (x - 1.0) * (x - 2.0) / 2.0,
            -(x + 1.0) * x * (x - 2.0) / 2.0,
            (x + 1.0) * x * (x - 1.0) / 6.0,
        )
        found = np.zeros(np.broadcast_shapes(rho.shape, x.shape))
        for k, factor in enumerate(factors):
            low, high = grid[row + k - 1, step], grid[row + k - 1, step + 1]
            found += factor * (low + part * (high - low))
        found = np.where(rho >= 1.0, 0.0, np.maximum(found, 0.0))
        return np.asarray(np.where(rho <= 0.0, np.inf, found))

    def _passage(self, age: float) -> Array:
        rho = np.asarray(self.ratio, dtype=float)
        if age <= 0.0:
            start = float(self.history.share(0.0, 1.0))
            with np.errstate(divide="ignore"):
                known = special.erfcinv(np.minimum(rho / start, 1.0)) if start > 0 else 0.0 * rho
            return np.asarray(np.where(rho <= 0.0, np.inf, known))
        now = self._root_now(age)
        if not self.history.falls:
            return now
        shape = np.exp(0.5 * self.clock.log_shape(age, self.exponent))
        reach = np.maximum(now * shape, self._reached(age))
        return np.asarray(np.where(rho <= 0.0, np.inf, reach / shape))

    def _reached(self, age: float) -> Array:
        """Largest u sqrt(tau/rate) until an age, remembered at fixed ages and refined between."""
        ages = self._memory()
        count = int(np.searchsorted(ages, age, side="left"))
        if count == 0:
            return np.zeros(1)
        for i in range(count):
            if i in self._past:
                continue
            grown = np.exp(0.5 * self.clock.log_shape(ages[i], self.exponent))
            here = np.atleast_1d(self._root_now(float(ages[i])) * grown)
            top = here if i == 0 else np.maximum(self._past[i - 1][1], here)
            if i >= 2:
                before = [self._past[k][0] for k in (i - 2, i - 1)]
                top = np.maximum(top, summit(ages, i, [*before, here]))
            self._past[i] = (here, top)
        return self._past[count - 1][1]

    def _memory(self) -> Array:
        """Ages at which the reach is remembered, close together where the content falls."""
        ages, shares = np.array(self.history.ages), self.history.shares
        close = [
            np.linspace(ages[i], ages[i] + 2.0 * (ages[i + 1] - ages[i]), 2 * DENSE + 1)
            for i in range(len(ages) - 1)
            if shares[i + 1] < shares[i]
        ]
        return np.unique(np.concatenate([PAST, self.history.kinks, *close]))

    def _root_now(self, age: float) -> Array:
        rho = np.asarray(self.ratio, dtype=float)
        weights, stretch = self.nodes(age)
        surface = self.history.share(age, self.duration)
        size = np.broadcast_shapes(rho.shape, stretch[0].shape, np.shape(surface), (1,))
        rho_all = np.broadcast_to(rho, size)
        found = np.zeros(size)
        moving = (rho_all > 0.0) & (rho_all < 1.0)
        if self.history.falls:
            top = max(self.history.shares)
            live = np.flatnonzero(moving & (rho_all < top))
            if live.size:
                found[live] = solve_deepest(
                    rho_all[live], _picked(weights, live, size), _picked(stretch, live, size), top
                )
        else:
            g = np.broadcast_to(surface, size)
            live = np.flatnonzero(moving & (rho_all < g))
            if live.size:
                whole = live.size == found.size
                chosen = rho_all if whole else rho_all[live]
                parts = [
                    np.broadcast_to(p, (len(p), *size)) if whole else _picked(p, live, size)
                    for p in (weights, stretch)
                ]
                start = self._start(chosen / g[live], age, parts, live, size)
                root = solve_falling(chosen, parts[0], parts[1], start)
                found[live] = root
        return np.where(rho_all <= 0.0, np.inf, found) if np.any(rho_all <= 0.0) else found

    def _start(
        self,
        share: Array,
        age: float,
        parts: list[Array],
        live: NDArray[np.intp],
        size: tuple[int, ...],
    ) -> Array:
        """Start of the iteration: a delayed step, or a polynomial fitted to some exact roots."""
        if share.size < FITTED_FROM:
            return delayed_step(share, parts)
        columns = [np.sqrt(-np.log(share))]
        for value in (self.exponent, np.asarray(self.duration) / age):
            spread = np.asarray(value, dtype=float)
            if spread.size > 1:
                picked = np.broadcast_to(spread, size)[live]
                columns.append(np.minimum(picked, 1.0))
        some = slice(0, FITTED_ON)
        pilot = [p[:, some] for p in parts]
        weighted = np.sum(pilot[0], axis=0)
        begin = delayed_step(share[some], pilot)
        exact = solve_falling(share[some] * weighted, pilot[0], pilot[1], begin)
        terms = monomials(columns)
        # small sums by einsum: threads of a linear algebra library would cost more than they give
        known = terms[:, some]
        square = np.einsum("in,jn->ij", known, known) + 1e-9 * np.eye(len(known))
        factors = np.linalg.solve(square, np.einsum("in,n->i", known, exact))
        return np.asarray(np.maximum(np.einsum("i,in->n", factors, terms), 0.02))

    def nodes(self, age: Number) -> tuple[Array, Array]:
        """Return the steps that stand for the history until an age.

        Parameters
        ----------
        age
            Time since first exposure [yr], above 0, a number or (n,).

        Returns
        -------
        Weights, which sum to the surface content, and stretches 1/sqrt(1 - tau(s)/tau(t)),
        (j, 1 or n) each.
        """
        if self.history.shape == "table":
            return self._table_nodes(age)
        _, w = step_nodes()
        y = _rise_nodes(self.history.shape)
        until = np.minimum(np.atleast_1d(np.asarray(self.duration, dtype=float)), age)
        weights = np.multiply.outer(w, self.history.share(age, np.atleast_1d(self.duration)))
        if self.powers is not None:
            late = np.any(until < age)
            grown = (until / age) ** (1.0 - np.atleast_1d(self.exponent)) if late else 1.0
            theta = self.powers * grown
        else:
            now = self.clock.log_shape(age, self.exponent)
            past = self.clock.log_shape(np.multiply.outer(y, until), np.atleast_1d(self.exponent))
            theta = np.exp(past - now)
        return weights, _stretch(theta)

    def _table_nodes(self, age: Number) -> tuple[Array, Array]:
        y, w = step_nodes()
        ages, shares = self.history.ages, self.history.shares
        t, a = np.atleast_1d(age), np.atleast_1d(np.asarray(self.exponent, dtype=float))
        weights, when = [np.full((1, t.size), shares[0])], [np.zeros((1, t.size))]
        pairs = zip(ages, ages[1:], shares, shares[1:], strict=False)
        for first, last, low, high in pairs:
            if first >= np.max(t) or low == high:
                continue
            end = np.clip(t, first, last)
            weights.append(np.multiply.outer(w * (high - low) / (last - first), end - first))
            when.append(first + np.multiply.outer(y, end - first))
        now = self.clock.log_shape(age, a)
        theta = [
            np.where(past > 0.0, np.exp(self.clock.log_shape(np.maximum(past, 1e-300), a) - now), 0)
            for past in np.concatenate(when)
        ]
        return np.concatenate(weights), _stretch(np.array(theta))


@functools.lru_cache(maxsize=8)
def _grid_cell(history: SurfaceHistory, clock: Clock) -> BuildUp:
    exponent, depth = np.meshgrid(GRID_EXPONENTS, GRID_DEPTHS, indexing="ij")
    ratio = np.exp(-depth * depth).ravel()
    return BuildUp.of(history, ratio=ratio, duration=1.0, clock=clock, exponent=exponent.ravel())


@functools.lru_cache(maxsize=1024)
def _grid(history: SurfaceHistory, clock: Clock, age: float) -> Array:
    """Roots of a table over ageing exponent and ratio; rows that no thread must make twice."""
    with _GRID_LOCK:
        root = _grid_cell(history, clock)._passage(age)
    shape = (GRID_EXPONENTS.size, GRID_DEPTHS.size)
    return np.array(np.broadcast_to(root, (shape[0] * shape[1],))).reshape(shape)


def _rise_nodes(shape: str) -> Array:
    """Relative times of the nodes: equal steps of the content carry the weights."""
    y, _ = step_nodes()
    return y if shape == "linear" else y * y


def _stretch(theta: Array) -> Array:
    with np.errstate(divide="ignore"):
        return np.asarray(1.0 / np.sqrt(np.maximum(1.0 - theta, 1e-30)))


def _picked(part: Array, live: NDArray[np.intp], size: tuple[int, ...]) -> Array:
    return np.asarray(np.broadcast_to(part, (len(part), *size))[:, live])
