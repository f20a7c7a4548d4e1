"""Fronts where a skin alone is penalised and the surface chloride rises in time.

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
from scipy.optimize import elementwise

from stripwise.errors import NumericalError
from stripwise.ingress.front import layered_critical_tau, layered_front_depth, layered_share
from stripwise.ingress.skin_series import ERFC_SLOPE, layered_series
from stripwise.ingress.surface_history.rising_front import BuildUp

__all__ = ["SkinRise"]

Array = NDArray[np.float64]
Number = Array | float
Rows = NDArray[np.intp]
Pair = tuple[Array, Array]

ROUNDS = 60
STEP_TOLERANCE = 1e-3
"""Relative step after which a root is taken: what is left is its square and less."""
TERMS_TOLERANCE = 1e-9
ROUNDING = 1e-8
"""Of erfcinv(f), whose relative steps say nothing where the root is almost 0."""
LEAST_DEPTH = 1e-6
"""Of a root in the skin, relative to 2 sqrt(k_c tau)."""


@dataclass(frozen=True, slots=True)
class SkinRise:
    """A rise of the surface content over a layered face, for one cell of faces.

    Attributes
    ----------
    rise
        The rise, whose surface content must not fall.

    Notes
    -----
    f(x, t) = g(0) F(x, tau(t)) + integral of g'(s) F(x, tau(t) - tau(s)) ds with the unit response
    F of `layered_share` (Duhamel; Carslaw and Jaeger, Conduction of Heat in Solids, 2nd ed., 1959,
    sections 1.14 and 12.8, recalled), by the nodes of `BuildUp`. The iteration starts from the
    layered face under one step whose uniform front is that of the rise.
    """

    rise: BuildUp

    def share(
        self, depth: ArrayLike, tau: ArrayLike, age: Number, *, penalty: ArrayLike, skin: ArrayLike
    ) -> Array:
        """Share f of the full surface content at a depth.

        Parameters
        ----------
        depth
            Depth below the convection zone [mm].
        tau
            Transformed time of the good concrete behind the skin, at the age [mm2].
        age
            Time since first exposure, a number or (n,) [yr].
        penalty, skin
            k_c and thickness [mm] of the skin.

        Returns
        -------
        f of the broadcast shape with (n,).
        """
        if np.ndim(age) == 0 and age <= 0.0:
            begin = self.rise.history.share(0.0, self.rise.duration)
            parts = np.broadcast_arrays(depth, tau, penalty, skin, begin, np.zeros(1))
            return np.where(parts[0] <= 0.0, parts[4], 0.0)
        weights, stretch = self.rise.nodes(age)
        total: Array = np.zeros(1)
        for w, r in zip(weights, stretch, strict=True):
            part = layered_share(depth, np.asarray(tau) / (r * r), penalty=penalty, skin=skin)
            total = total + w * part
        return total

    def depth(self, tau: Number, age: float, *, penalty: Number, skin: Number) -> Array:
        """Depth of the front below the convection zone.

        Parameters
        ----------
        tau, age, penalty, skin
            As for `share`.

        Returns
        -------
        Depths of the broadcast shape [mm]; 0 where there is no front yet, inf where depassivated
        from the start.
        """
        root = self.rise.root(age)
        if age <= 0.0:
            parts = np.broadcast_arrays(root, tau, penalty, skin)
            return np.where(np.isinf(parts[0]), np.inf, 0.0)
        cell = _Cell.of(self.rise, age, root, tau=tau, penalty=penalty, skin=skin, depth=0.0)
        found = np.where(np.isinf(cell.root), np.inf, 0.0)
        if cell.live.size:
            z = special.erfcinv(cell.rho)
            step = cell.tau * (cell.root[cell.live] / z) ** 2
            start = layered_front_depth(cell.rho, step, penalty=cell.k, skin=cell.edge)
            found[cell.live] = cell.depths(start)
        return found.reshape(cell.shape)

    def critical(self, depth: Number, age: float, *, penalty: Number, skin: Number) -> Array:
        """Return the transformed time that brings the front of this age to a depth.

        The rise keeps its place in the transformed time, so that this is what the diffusivity would
        have to make of it.

        Parameters
        ----------
        depth
            Depth below the convection zone [mm].
        age, penalty, skin
            As for `share`.

        Returns
        -------
        Tau of the good concrete of the broadcast shape [mm2]; 0 where passed with any, inf where
        with none.
        """
        root = self.rise.root(age)
        if age <= 0.0:
            root, x, *_ = np.broadcast_arrays(root, depth, penalty, skin)
            at_once = np.isinf(root) | (root > 0.0) & (x <= 0.0)
            return np.where(at_once, 0.0, np.inf)
        cell = _Cell.of(self.rise, age, root, tau=1.0, penalty=penalty, skin=skin, depth=depth)
        found = np.where(np.isinf(cell.root) | (cell.root > 0.0) & (cell.x <= 0.0), 0.0, np.inf)
        live = cell.live[cell.x[cell.live] > 0.0]
        if live.size:
            part = cell.only(live)
            x = cell.x[live]
            step = layered_critical_tau(x, part.rho, penalty=part.k, skin=part.edge)
            start = 0.5 / np.sqrt(part.k * step) * cell.root[live] / special.erfcinv(part.rho)
            w = part.times(x, start)
            found[live] = 0.25 / (part.k * w * w)
        return found.reshape(cell.shape)

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
            As for `share`.
        ages
            (t,) rising ages; the first and the last bound the search [yr].
        seasons
            (t, 1 or n) what the seasons add to the logarithm of tau at these ages.

        Returns
        -------
        (n,) ln of the ages [yr]; -inf depassivated from the start, inf not within the ages.
        """
        rise = self.rise
        first, last = np.log(ages[0]), np.log(ages[-1])
        full = np.asarray(rise.history.share(ages[-1], rise.duration))
        parts = (depth, log_rate, penalty, skin, rise.ratio, rise.duration, rise.exponent, full)
        shape = np.broadcast_shapes((1,), seasons.shape[1:], *(np.shape(p) for p in parts))
        wide = [np.broadcast_to(np.asarray(p, dtype=float), shape) for p in parts]
        warmth = np.broadcast_to(seasons, (len(ages), *shape))
        rho, top = wide[4], wide[7]
        found = np.where(rho <= 0.0, -np.inf, np.full(shape, np.inf))
        live = np.flatnonzero((rho > 0.0) & (rho < top))

        def gap(log_t: Array, i: Array, *some: Array) -> Array:
            x, rate, k, edge, ratio, span, exponent, most = some
            t = np.exp(log_t)
            own = BuildUp.of(
                rise.history, ratio=ratio, duration=span, clock=rise.clock, exponent=exponent
            )
            place = np.clip(
                (log_t - first) / (last - first) * (len(ages) - 1), 0, len(ages) - 1.001
            )
            at = place.astype(np.intp)
            low, high = warmth[at, i], warmth[at + 1, i]
            log_tau = rate + rise.clock.log_shape(t, exponent) + low + (place - at) * (high - low)
            f = SkinRise(own).share(x, np.exp(log_tau), t, penalty=k, skin=edge)
            # once the rise is over, the logarithm of the root is nearly straight in that of the age
            ends = [special.erfcinv(np.clip(v / most, 1e-300, 1.0)) for v in (f, ratio)]
            return np.asarray(np.log(np.maximum(ends[0], 1e-12) / ends[1]))

        if live.size:
            args = (live, *(p[live] for p in wide))
            begin, end = gap(np.full(live.size, first), *args), gap(np.full(live.size, last), *args)
            found[live] = np.where(begin <= 0.0, first, np.inf)
            inside = (begin > 0.0) & (end <= 0.0)
            if inside.any():
                some = tuple(a[inside] for a in args)
                bounds = (np.full(len(some[0]), first), np.full(len(some[0]), last))
                solved = elementwise.find_root(
                    gap, bounds, args=some, tolerances={"xatol": 1e-6, "xrtol": 0.0}
                )
                found[live[inside]] = solved.x
        return found


@dataclass(frozen=True, slots=True)
class _Cell:
    """The samples whose front moves (`live`, flat), with everything broadcast to them."""

    shape: tuple[int, ...]
    live: Rows
    root: Array
    x: Array
    rho: Array
    tau: Array
    k: Array
    edge: Array
    weights: Array
    stretch: Array

    @classmethod
    def of(  # noqa: PLR0917
        cls,
        rise: BuildUp,
        age: float,
        root: Array,
        tau: Number,
        penalty: Number,
        skin: Number,
        depth: Number,
    ) -> _Cell:
        weights, stretch = rise.nodes(age)
        parts = (root, depth, rise.ratio, tau, penalty, skin)
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
        live = np.flatnonzero((root > 0.0) & np.isfinite(root) & (rho < np.sum(w, axis=0)))
        return cls(
            shape, live, root, x, rho[live], t[live], k[live], edge[live], w[:, live], r[:, live]
        )

    def only(self, live: Rows) -> _Cell:
        """Return the cell with some of its live samples."""
        i = np.searchsorted(self.live, live)
        return _Cell(
            self.shape,
            live,
            self.root,
            self.x,
            self.rho[i],
            self.tau[i],
            self.k[i],
            self.edge[i],
            self.weights[:, i],
            self.stretch[:, i],
        )

    def _sums(self, x: Array, w: Array, i: Rows, *, behind: bool) -> tuple[Array, Array, Array]:
        """Share f at depths x and w = 1 / (2 sqrt(k_c tau)), its slopes in x and in ln w."""
        s = 1.0 / np.sqrt(self.k[i])
        q, edge = (s - 1.0) / (s + 1.0), self.edge[i]
        value, in_depth, in_time = (np.zeros_like(x) for _ in range(3))
        for weight, stretch in zip(self.weights[:, i], self.stretch[:, i], strict=True):
            unit = w * stretch
            step = 2.0 * edge * unit
            if behind:
                scale = 2.0 / (1.0 + s) * weight
                y = 0.5 * step + (x - edge) * unit / s
                f, slope, lag = layered_series(y, step, q, tolerance=TERMS_TOLERANCE)
                value += scale * f
                in_depth += scale * slope * unit / s
                in_time += scale * (slope * y + lag * step)
                continue
            y, back = x * unit, step - x * unit
            f, slope, lag = layered_series(y, step, q, tolerance=TERMS_TOLERANCE)
            g, g_slope, g_lag = layered_series(back, step, q, tolerance=TERMS_TOLERANCE)
            value += weight * (f - q * g)
            in_depth += weight * unit * (slope + q * g_slope)
            in_time += weight * (slope * y + lag * step - q * (g_slope * back + g_lag * step))
        return value, in_depth, in_time

    def depths(self, start: Array) -> Array:
        """Solve f = ratio for the depth, the transformed time held."""
        w = 0.5 / np.sqrt(self.k * self.tau)
        at_edge, _, _ = self._sums(self.edge, w, np.arange(start.size), behind=True)
        out = np.empty_like(start)
        for behind in (True, False):
            i = np.flatnonzero((at_edge > self.rho) == behind)
            least = LEAST_DEPTH / w[i]
            low, high = (self.edge[i], np.full(i.size, np.inf)) if behind else (least, self.edge[i])

            def passed(x: Array, j: Rows, *, i: Rows = i, behind: bool = behind) -> Pair:
                f, slope, _ = self._sums(x, w[i[j]], i[j], behind=behind)
                return f, slope

            out[i] = self._newton(passed, i, np.clip(start[i], low, high), low, high)
        return out

    def times(self, x: Array, start: Array) -> Array:
        """Solve f = ratio for w = 1 / (2 sqrt(k_c tau)), the depths held."""
        out = np.empty_like(start)
        for behind in (True, False):
            i = np.flatnonzero((x >= self.edge) == behind)

            def passed(w: Array, j: Rows, *, i: Rows = i, behind: bool = behind) -> Pair:
                f, _, slope = self._sums(x[i[j]], w, i[j], behind=behind)
                return f, slope / w

            out[i] = self._newton(passed, i, start[i], np.zeros(i.size), np.full(i.size, np.inf))
        return out

    def _newton(
        self, passed: Callable[[Array, Rows], Pair], i: Rows, start: Array, low: Array, high: Array
    ) -> Array:
        """Newton's method on erfcinv(f / f(0)), which is a straight line in a uniform face."""
        top = np.sum(self.weights[:, i], axis=0)
        goal = special.erfcinv(self.rho[i] / top)
        x, out, j = start, np.array(start), np.arange(i.size)
        for _ in range(ROUNDS):
            if not j.size:
                return out
            f, slope = passed(x, j)
            z = special.erfcinv(np.clip(f / top[j], 1e-300, 1.0))
            rate = slope / (top[j] * ERFC_SLOPE * np.exp(-z * z))
            with np.errstate(divide="ignore", invalid="ignore"):
                new = x - (z - goal[j]) / rate
            new = np.where(np.isfinite(new), np.clip(new, 0.25 * x, 4.0 * x), 0.5 * x)
            new = np.clip(new, low[j], high[j])
            out[j] = new
            still = (np.abs(new - x) > STEP_TOLERANCE * x) & (np.abs(z - goal[j]) > ROUNDING)
            x, j = new[still], j[still]
        raise NumericalError(
            f"the front of a layered face under a rise did not converge for {x.size} samples"
        )
