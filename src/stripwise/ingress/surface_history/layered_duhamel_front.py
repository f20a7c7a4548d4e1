"""The front where a skin alone is penalised and the surface chloride rises in time.

Steps of the surface content are superposed on the unit response of the layered face. Every step of
age s has had the transformed time tau(t) - tau(s), so that the same nodes serve as in a uniform
face; the depth of the front and the critical transformed time are roots of the sum.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from stripwise.errors import NumericalError
from stripwise.ingress.front import (
    layered_critical_tau,
    layered_front_depth,
    layered_relative_content,
)
from stripwise.ingress.skin_series import ERFC_SLOPE, layered_series, row_batches
from stripwise.ingress.surface_history.duhamel_front import DuhamelFront

__all__ = ["LayeredDuhamelFront"]

Array = NDArray[np.float64]
Number = Array | float
Indices = NDArray[np.intp]
Pair = tuple[Array, Array]

MAX_ITERATIONS = 60
STEP_TOLERANCE = 1e-3
"""Relative step at which the iteration stops: the error left is its square or less."""
TERMS_TOLERANCE = 1e-9
ROUNDING = 1e-8
"""Error of erfcinv(f) at which the iteration stops, for roots of almost 0."""
MIN_DEPTH = 1e-6
"""Smallest root in the skin, relative to 2 sqrt(k_c tau)."""


@dataclass(frozen=True, slots=True)
class LayeredDuhamelFront:
    """The front under a rising surface content in a layered face, for one block of n samples.

    Attributes
    ----------
    uniform
        The front of a uniform face, whose surface content must not fall.

    Notes
    -----
    f(x, t) = g(0) F(x, tau(t)) + integral of g'(s) F(x, tau(t) - tau(s)) ds with the unit response
    F of `layered_relative_content` (Duhamel; Carslaw and Jaeger, Conduction of Heat in Solids, 2nd
    ed., 1959, sections 1.14 and 12.8, recalled), by the nodes of `DuhamelFront`. The iteration
    starts from the layered face under one step that has the same front in a uniform face.
    """

    uniform: DuhamelFront

    def relative_content(
        self, depth: ArrayLike, tau: ArrayLike, age: Number, *, penalty: ArrayLike, skin: ArrayLike
    ) -> Array:
        """Return f relative to the full surface content, of the broadcast shape with (n,).

        Depth below the convection zone [mm], tau of the good concrete behind the skin [mm2], age
        since first exposure, a number or (n,) [yr], k_c and thickness [mm] of the skin.
        """
        if np.ndim(age) == 0 and age <= 0.0:
            begin = self.uniform.history.relative_content(0.0, self.uniform.duration)
            parts = np.broadcast_arrays(depth, tau, penalty, skin, begin, np.zeros(1))
            return np.where(parts[0] <= 0.0, parts[4], 0.0)
        weights, stretch = self.uniform.nodes(age)
        inner = (1,) * (max(np.ndim(v) for v in (depth, tau, penalty, skin, 0.0)) - 1)
        w, r = (p.reshape(len(p), *inner, -1) for p in (weights, stretch))
        share = layered_relative_content(
            depth, np.asarray(tau) / (r * r), penalty=penalty, skin=skin
        )
        return np.asarray(np.sum(w * share, axis=0))

    def depth(self, tau: Number, age: float, *, penalty: Number, skin: Number) -> Array:
        """Return depths [mm] of the front below the convection zone, of the broadcast shape.

        0 where there is no front yet, inf where depassivated from the start.
        """
        root = self.uniform.root(age)
        if age <= 0.0:
            parts = np.broadcast_arrays(root, tau, penalty, skin)
            return np.where(np.isinf(parts[0]), np.inf, 0.0)
        samples = _LayeredSamples.from_front(
            self.uniform, age, root, tau=tau, penalty=penalty, skin=skin, depth=0.0
        )
        result = np.where(np.isinf(samples.root), np.inf, 0.0)
        if samples.moving.size:
            z = special.erfcinv(samples.rho)
            step = samples.tau * (samples.root[samples.moving] / z) ** 2
            start = layered_front_depth(samples.rho, step, penalty=samples.k, skin=samples.edge)
            result[samples.moving] = samples.depths(start)
        return result.reshape(samples.shape)

    def critical_tau(self, depth: Number, age: float, *, penalty: Number, skin: Number) -> Array:
        """Return tau [mm2] of the good concrete that brings the front of this age to a depth [mm].

        The rise keeps its relative place in the transformed time, so that tau measures the
        diffusivity that is needed. 0 where any tau does, inf where none does.
        """
        root = self.uniform.root(age)
        if age <= 0.0:
            root, x, *_ = np.broadcast_arrays(root, depth, penalty, skin)
            at_once = np.isinf(root) | (root > 0.0) & (x <= 0.0)
            return np.where(at_once, 0.0, np.inf)
        samples = _LayeredSamples.from_front(
            self.uniform, age, root, tau=1.0, penalty=penalty, skin=skin, depth=depth
        )
        result = np.where(
            np.isinf(samples.root) | (samples.root > 0.0) & (samples.x <= 0.0), 0.0, np.inf
        )
        moving = samples.moving[samples.x[samples.moving] > 0.0]
        if moving.size:
            subset = samples.subset(moving)
            x = samples.x[moving]
            step = layered_critical_tau(x, subset.rho, penalty=subset.k, skin=subset.edge)
            start = (
                0.5 / np.sqrt(subset.k * step) * samples.root[moving] / special.erfcinv(subset.rho)
            )
            w = subset.times(x, start)
            result[moving] = 0.25 / (subset.k * w * w)
        return result.reshape(samples.shape)

    def log_age(  # noqa: PLR0917
        self,
        depth: Array,
        log_rate: Number,
        penalty: Number,
        skin: Number,
        ages: Array,
        seasons: Array,
    ) -> Array:
        """Logarithm of the age at which the content at a depth becomes critical.

        Parameters
        ----------
        depth
            Depth below the convection zone, at least 0 [mm].
        log_rate
            ln(k_e k_t D_ref) [ln(mm2/yr)].
        penalty, skin
            As for `relative_content`.
        ages
            (t,) rising ages; the first and the last bound the search [yr].
        seasons
            (t, 1 or n) what the seasons add to the logarithm of tau at these ages.

        Returns
        -------
        (n,) ln of the ages [yr]; -inf depassivated from the start, inf not within the ages.
        """
        from scipy.optimize import elementwise  # noqa: PLC0415 - slow to import, for few walls

        uniform = self.uniform
        first, last = np.log(ages[0]), np.log(ages[-1])
        full = np.asarray(uniform.history.relative_content(ages[-1], uniform.duration))
        parts = (
            depth,
            log_rate,
            penalty,
            skin,
            uniform.ratio,
            uniform.duration,
            uniform.exponent,
            full,
        )
        shape = np.broadcast_shapes((1,), seasons.shape[1:], *(np.shape(p) for p in parts))
        broadcast = [np.broadcast_to(np.asarray(p, dtype=float), shape) for p in parts]
        season_log = np.broadcast_to(seasons, (len(ages), *shape))
        rho, full_content = broadcast[4], broadcast[7]
        result = np.where(rho <= 0.0, -np.inf, np.full(shape, np.inf))
        moving = np.flatnonzero((rho > 0.0) & (rho < full_content))

        def log_residual(log_t: Array, i: Array, *inside_args: Array) -> Array:
            x, rate, k, edge, ratio, duration, exponent, final_content = inside_args
            t = np.exp(log_t)
            varied = DuhamelFront.from_history(
                uniform.history,
                ratio=ratio,
                duration=duration,
                ageing_law=uniform.ageing_law,
                exponent=exponent,
            )
            position = np.clip(
                (log_t - first) / (last - first) * (len(ages) - 1), 0, len(ages) - 1.001
            )
            row = position.astype(np.intp)
            low, high = season_log[row, i], season_log[row + 1, i]
            log_tau = (
                rate
                + uniform.ageing_law.log_effective_time(t, exponent)
                + low
                + (position - row) * (high - low)
            )
            f = LayeredDuhamelFront(varied).relative_content(
                x, np.exp(log_tau), t, penalty=k, skin=edge
            )
            # once the rise is over, the logarithm of the root is nearly linear in that of the age
            ends = [special.erfcinv(np.clip(v / final_content, 1e-300, 1.0)) for v in (f, ratio)]
            return np.asarray(np.log(np.maximum(ends[0], 1e-12) / ends[1]))

        if moving.size:
            args = (moving, *(p[moving] for p in broadcast))
            begin, end = (
                log_residual(np.full(moving.size, first), *args),
                log_residual(np.full(moving.size, last), *args),
            )
            result[moving] = np.where(begin <= 0.0, first, np.inf)
            inside = (begin > 0.0) & (end <= 0.0)
            if inside.any():
                inside_args = tuple(a[inside] for a in args)
                bounds = (np.full(len(inside_args[0]), first), np.full(len(inside_args[0]), last))
                solved = elementwise.find_root(
                    log_residual, bounds, args=inside_args, tolerances={"xatol": 1e-6, "xrtol": 0.0}
                )
                result[moving[inside]] = solved.x
        return result


@dataclass(frozen=True, slots=True)
class _LayeredSamples:
    """The samples whose front moves (indices `moving`), with everything broadcast to them."""

    shape: tuple[int, ...]
    moving: Indices
    root: Array
    x: Array
    rho: Array
    tau: Array
    k: Array
    edge: Array
    weights: Array
    stretch: Array

    @classmethod
    def from_front(  # noqa: PLR0917
        cls,
        uniform: DuhamelFront,
        age: float,
        root: Array,
        tau: Number,
        penalty: Number,
        skin: Number,
        depth: Number,
    ) -> _LayeredSamples:
        weights, stretch = uniform.nodes(age)
        parts = (root, depth, uniform.ratio, tau, penalty, skin)
        shape = np.broadcast_shapes(
            (1,), weights.shape[1:], stretch.shape[1:], *(np.shape(p) for p in parts)
        )
        root, x, rho, t, k, edge = (
            np.broadcast_to(np.asarray(p, dtype=float), shape).ravel() for p in parts
        )
        inner = (1,) * (len(shape) - 1)
        w, r = (
            np.broadcast_to(p.reshape(len(p), *inner, -1), (len(p), *shape)).reshape(len(p), -1)
            for p in (weights, stretch)
        )
        # a root read from a grid may start a little early
        moving = np.flatnonzero((root > 0.0) & np.isfinite(root) & (rho < np.sum(w, axis=0)))
        return cls(
            shape,
            moving,
            root,
            x,
            rho[moving],
            t[moving],
            k[moving],
            edge[moving],
            w[:, moving],
            r[:, moving],
        )

    def subset(self, moving: Indices) -> _LayeredSamples:
        """Return some of the moving samples."""
        i = np.searchsorted(self.moving, moving)
        return _LayeredSamples(
            self.shape,
            moving,
            self.root,
            self.x,
            self.rho[i],
            self.tau[i],
            self.k[i],
            self.edge[i],
            self.weights[:, i],
            self.stretch[:, i],
        )

    def _sums(self, x: Array, w: Array, i: Indices, *, behind: bool) -> tuple[Array, Array, Array]:
        """Return f at depths x and w = 1 / (2 sqrt(k_c tau)), and its slopes in x and in ln w."""
        s = 1.0 / np.sqrt(self.k[i])
        q, edge = (s - 1.0) / (s + 1.0), self.edge[i]
        value, in_depth, in_time = (np.zeros_like(x) for _ in range(3))
        for rows in row_batches(len(self.weights), x.size):
            weight, unit = self.weights[rows, i], w * self.stretch[rows, i]
            step = 2.0 * edge * unit
            if behind:
                scale = 2.0 / (1.0 + s) * weight
                y = 0.5 * step + (x - edge) * unit / s
                f, slope, step_slope = layered_series(y, step, q, tolerance=TERMS_TOLERANCE)
                value += np.sum(scale * f, axis=0)
                in_depth += np.sum(scale * slope * unit / s, axis=0)
                in_time += np.sum(scale * (slope * y + step_slope * step), axis=0)
                continue
            y, back = x * unit, step - x * unit
            f, slope, step_slope = layered_series(y, step, q, tolerance=TERMS_TOLERANCE)
            g, g_slope, g_step_slope = layered_series(back, step, q, tolerance=TERMS_TOLERANCE)
            value += np.sum(weight * (f - q * g), axis=0)
            in_depth += np.sum(weight * unit * (slope + q * g_slope), axis=0)
            own, reflected = slope * y + step_slope * step, g_slope * back + g_step_slope * step
            in_time += np.sum(weight * (own - q * reflected), axis=0)
        return value, in_depth, in_time

    def depths(self, start: Array) -> Array:
        """Solve f = ratio for the depth, the transformed time held."""
        w = 0.5 / np.sqrt(self.k * self.tau)
        at_edge, _, _ = self._sums(self.edge, w, np.arange(start.size), behind=True)
        out = np.empty_like(start)
        for behind in (True, False):
            i = np.flatnonzero((at_edge > self.rho) == behind)
            min_depth = MIN_DEPTH / w[i]
            low, high = (
                (self.edge[i], np.full(i.size, np.inf)) if behind else (min_depth, self.edge[i])
            )

            def content_and_slope(
                x: Array, j: Indices, *, i: Indices = i, behind: bool = behind
            ) -> Pair:
                f, slope, _ = self._sums(x, w[i[j]], i[j], behind=behind)
                return f, slope

            out[i] = self._newton(content_and_slope, i, np.clip(start[i], low, high), low, high)
        return out

    def times(self, x: Array, start: Array) -> Array:
        """Solve f = ratio for w = 1 / (2 sqrt(k_c tau)), the depths held."""
        out = np.empty_like(start)
        for behind in (True, False):
            i = np.flatnonzero((x >= self.edge) == behind)

            def content_and_slope(
                w: Array, j: Indices, *, i: Indices = i, behind: bool = behind
            ) -> Pair:
                f, _, slope = self._sums(x[i[j]], w, i[j], behind=behind)
                return f, slope / w

            out[i] = self._newton(
                content_and_slope, i, start[i], np.zeros(i.size), np.full(i.size, np.inf)
            )
        return out

    def _newton(
        self,
        content_and_slope: Callable[[Array, Indices], Pair],
        i: Indices,
        start: Array,
        low: Array,
        high: Array,
    ) -> Array:
        """Newton's method on erfcinv(f / f(0)), which is a straight line in a uniform face."""
        full_content = np.sum(self.weights[:, i], axis=0)
        target = special.erfcinv(self.rho[i] / full_content)
        x, out, j = start, np.array(start), np.arange(i.size)
        for _ in range(MAX_ITERATIONS):
            if not j.size:
                return out
            f, slope = content_and_slope(x, j)
            z = special.erfcinv(np.clip(f / full_content[j], 1e-300, 1.0))
            rate = slope / (full_content[j] * ERFC_SLOPE * np.exp(-z * z))
            with np.errstate(divide="ignore", invalid="ignore"):
                new = x - (z - target[j]) / rate
            new = np.where(np.isfinite(new), np.clip(new, 0.25 * x, 4.0 * x), 0.5 * x)
            new = np.clip(new, low[j], high[j])
            out[j] = new
            unconverged = (np.abs(new - x) > STEP_TOLERANCE * x) & (
                np.abs(z - target[j]) > ROUNDING
            )
            x, j = new[unconverged], j[unconverged]
        raise NumericalError(
            f"the front of a layered face under a rise did not converge for {x.size} samples"
        )
