"""Depth of the chloride front, and the transformed time at which it reaches the bars.

The content follows C = C0 + (Cs - C0) f, and the front is where C = Ccrit, so everything here
depends on the contents through ratio = (Ccrit - C0) / (Cs - C0) alone. Depths count from the
convection zone. Times enter as tau [mm2], see `stripwise.ingress.transformed_time`.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from stripwise.errors import NumericalError
from stripwise.ingress.skin_series import layered_series, layered_sum, row_batches

__all__ = [
    "critical_ratio",
    "critical_tau",
    "front_depth",
    "layered_critical_tau",
    "layered_front_depth",
    "layered_relative_content",
    "uniform_relative_content",
]

Array = NDArray[np.float64]
Indices = NDArray[np.intp]

MAX_ITERATIONS = 100
STEP_TOLERANCE = 1e-4
MIN_START = 1e-12


def critical_ratio(surface: ArrayLike, critical: ArrayLike, initial: ArrayLike) -> Array:
    """Share of the surface content at which the steel depassivates.

    Parameters
    ----------
    surface, critical, initial
        Contents Cs, Ccrit and C0 that broadcast together [% by mass of binder].

    Returns
    -------
    (Ccrit - C0) / (Cs - C0) in (0, 1); 1 where the surface never reaches the critical content
    (no front), 0 where the initial content already does (depassivated from the start).
    """
    cs, cc, c0 = (np.asarray(content, dtype=float) for content in (surface, critical, initial))
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        ratio = (cc - c0) / (cs - c0)
    return np.asarray(np.where(cc <= c0, 0.0, np.where(cs <= cc, 1.0, ratio)))


def uniform_relative_content(depth: ArrayLike, tau: ArrayLike) -> Array:
    """Share f of the surface content in a uniform half-space.

    Parameters
    ----------
    depth
        Depth x' below the convection zone, broadcasts with `tau` [mm].
    tau
        Transformed time, penalty included [mm2].

    Returns
    -------
    erfc(x' / (2 sqrt(tau))) of the broadcast shape, in [0, 1].

    References
    ----------
    Crank, The Mathematics of Diffusion, 2nd ed., 1975, eq. 2.45 (number recalled).
    """
    x = np.asarray(depth, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        u = x / (2.0 * np.sqrt(np.asarray(tau, dtype=float)))
    return np.asarray(special.erfc(np.where(x <= 0.0, 0.0, u)))


def front_depth(ratio: ArrayLike, tau: ArrayLike) -> Array:
    """Depth of the front in a uniform face, below the convection zone.

    Parameters
    ----------
    ratio
        From `critical_ratio`, broadcasts with `tau`.
    tau
        Transformed time, penalty included: k_c tau [mm2].

    Returns
    -------
    2 erfcinv(ratio) sqrt(tau) [mm]; inf where ratio = 0 (depassivated from the start).

    Examples
    --------
    >>> round(float(front_depth(0.2, 1500.0)), 2)
    70.19
    """
    return np.asarray(2.0 * special.erfcinv(ratio) * np.sqrt(np.asarray(tau, dtype=float)))


def critical_tau(depth: ArrayLike, ratio: ArrayLike) -> Array:
    """Return the transformed time at which the front of a uniform face reaches a depth.

    Parameters
    ----------
    depth
        Depth x' below the convection zone, broadcasts with `ratio` [mm]; 0 or less is reached at
        once wherever there is a front.
    ratio
        From `critical_ratio`.

    Returns
    -------
    k_c tau = (x' / (2 z))^2 [mm2]; 0 where depassivated from the start, inf where there is no
    front.
    """
    rho = np.asarray(ratio, dtype=float)
    x = np.maximum(np.asarray(depth, dtype=float), 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        tau = (x / (2.0 * special.erfcinv(rho))) ** 2
    return np.asarray(np.where(rho >= 1.0, np.inf, np.where(rho <= 0.0, 0.0, tau)))


def layered_relative_content(
    depth: ArrayLike, tau: ArrayLike, *, penalty: ArrayLike, skin: ArrayLike
) -> Array:
    """Share f of the surface content in a face whose outer layer alone is penalised.

    Parameters
    ----------
    depth
        Depth x' below the convection zone [mm].
    tau
        Transformed time of the good concrete behind the skin [mm2].
    penalty
        k_c = D1 / D2 of the skin to the concrete behind it.
    skin
        Thickness l' of the skin below the convection zone [mm].

    Returns
    -------
    f in [0, 1] of the broadcast shape.

    Notes
    -----
    With s = sqrt(D2/D1), q = (s-1)/(s+1), r = sqrt(D1/D2), d = 2 sqrt(k_c tau):
    behind the skin f = 2/(1+s) sum q^n erfc(((2n+1) l' + r (x'-l'))/d),
    inside f = sum q^n [erfc((2n l' + x')/d) - q erfc(((2n+2) l' - x')/d)].

    References
    ----------
    Carslaw and Jaeger, Conduction of Heat in Solids, 2nd ed., 1959, section 12.8; Crank, The
    Mathematics of Diffusion, 2nd ed., 1975, composite media (both recalled).

    Examples
    --------
    >>> f = layered_relative_content([5.0, 30.0, 70.0], 1500.0, penalty=2.5, skin=20.0)
    >>> [round(float(x), 5) for x in f]
    [0.96991, 0.73728, 0.28196]
    """
    x, t, k, edge = (np.asarray(v, dtype=float) for v in (depth, tau, penalty, skin))
    shape = np.broadcast_shapes((1,), *(v.shape for v in (x, t, k, edge)))
    # axes of tau alone are the rows of the series, whose sums end row by row
    own_axes = max(v.ndim for v in (x, k, edge))
    columns = shape[len(shape) - max(own_axes, 1) :]
    x, k, edge = (np.broadcast_to(v, columns).ravel() for v in (x, k, edge))
    t = np.broadcast_to(t, shape).reshape(-1, x.size)
    share = np.empty_like(t)
    behind = x >= edge
    for part, content in ((behind, _content_behind_skin), (~behind, _content_in_skin)):
        if part.any():
            i = slice(None) if part.all() else np.flatnonzero(part)
            for rows in row_batches(*t.shape):
                share[rows, i] = content(x[i], t[rows, i], k[i], edge[i])
    return share.reshape(np.broadcast_shapes(*(np.shape(v) for v in (depth, tau, penalty, skin))))


def _content_behind_skin(x: Array, t: Array, k: Array, edge: Array) -> Array:
    r = np.sqrt(k)
    s = 1.0 / r
    d = 2.0 * np.sqrt(k * t)
    series = layered_sum((edge + r * (x - edge)) / d, 2.0 * edge / d, (s - 1.0) / (s + 1.0))
    return np.asarray(2.0 / (1.0 + s) * series)


def _content_in_skin(x: Array, t: Array, k: Array, edge: Array) -> Array:
    s = 1.0 / np.sqrt(k)
    q = (s - 1.0) / (s + 1.0)
    d = 2.0 * np.sqrt(k * t)
    step = 2.0 * edge / d
    return np.asarray(layered_sum(x / d, step, q) - q * layered_sum((2.0 * edge - x) / d, step, q))


def layered_front_depth(
    ratio: ArrayLike, tau: ArrayLike, *, penalty: ArrayLike, skin: ArrayLike
) -> Array:
    """Depth of the front in a face whose outer layer alone is penalised.

    Halley's method on the series of `layered_relative_content`, started where the skin counts as
    l'/sqrt(k_c) of good concrete.

    Parameters
    ----------
    ratio
        From `critical_ratio`.
    tau
        Transformed time of the good concrete behind the skin [mm2].
    penalty
        k_c of the skin.
    skin
        Thickness l' of the skin below the convection zone [mm].

    Returns
    -------
    Depth x' [mm] of the broadcast shape; 0 where there is no front, inf where ratio = 0.

    Raises
    ------
    NumericalError
        If the iteration does not converge.
    """
    shape = np.broadcast_shapes(*(np.shape(v) for v in (ratio, tau, penalty, skin)))
    rho, t, k, edge = (
        np.broadcast_to(np.asarray(v, dtype=float), shape).ravel()
        for v in (ratio, tau, penalty, skin)
    )
    depth = np.asarray(2.0 * special.erfcinv(rho) * np.sqrt(t))
    moving = (rho > 0.0) & (rho < 1.0) & (t > 0.0) & (edge > 0.0) & (k != 1.0)
    if moving.all():
        return _solve_depth(rho, t, k, edge).reshape(shape)
    if moving.any():
        depth[moving] = _solve_depth(rho[moving], t[moving], k[moving], edge[moving])
    return depth.reshape(shape)


def layered_critical_tau(
    depth: ArrayLike, ratio: ArrayLike, *, penalty: ArrayLike, skin: ArrayLike
) -> Array:
    """Return the transformed time at which the front of a layered face reaches a depth.

    Parameters
    ----------
    depth
        Depth x' below the convection zone [mm].
    ratio
        From `critical_ratio`.
    penalty
        k_c of the skin.
    skin
        Thickness l' of the skin below the convection zone [mm].

    Returns
    -------
    tau of the good concrete [mm2] of the broadcast shape; 0 where passed at once, inf where never.

    Raises
    ------
    NumericalError
        If the root search does not converge.
    """
    x, rho, k, edge = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(v, dtype=float)) for v in (depth, ratio, penalty, skin))
    )
    shape = np.broadcast_shapes(*(np.shape(v) for v in (depth, ratio, penalty, skin)))
    uniform_tau = critical_tau(x, rho)
    tau = uniform_tau.copy()
    moving = (rho > 0.0) & (rho < 1.0) & (x > 0.0) & (edge > 0.0) & (k != 1.0)
    if moving.any():
        tau[moving] = _solve_tau(x[moving], rho[moving], k[moving], edge[moving])
    return tau.reshape(shape)


def _solve_tau(x: Array, rho: Array, k: Array, edge: Array) -> Array:
    """Solve for w = 1 / d, in which both series are smooth and fall monotonically."""
    root = np.sqrt(k)
    s = 1.0 / root
    q = (s - 1.0) / (s + 1.0)
    target = 0.5 * (1.0 + s) * rho
    w = special.erfcinv(rho) / x
    deep = np.flatnonzero(x > edge)
    if deep.size:
        scaled_depth = edge[deep] + root[deep] * (x[deep] - edge[deep])

        def behind(w: Array, i: slice | Indices) -> tuple[Array, Array, Array]:
            j = deep[i]
            value, slope, step_slope = layered_series(scaled_depth[i] * w, 2.0 * edge[j] * w, q[j])
            slope = scaled_depth[i] * slope + 2.0 * edge[j] * step_slope
            return value - target[j], slope, -2.0 * scaled_depth[i] ** 2 * w * slope

        # the limits of a thick and of a thin skin, as in _solve_depth
        thick = special.erfcinv(target[deep]) / scaled_depth
        thin = w[deep] * x[deep] / (scaled_depth - edge[deep] * (1.0 - s[deep]))
        start = np.where(s[deep] < 1.0, np.minimum(thick, thin), np.maximum(thick, thin))
        w[deep] = _halley(behind, start, np.inf)
    shallow = np.flatnonzero(x <= edge)
    if shallow.size:

        def inside(w: Array, i: slice | Indices) -> tuple[Array, Array, Array]:
            j = shallow[i]
            depth, mirror, step = x[j], 2.0 * edge[j] - x[j], 2.0 * edge[j]
            value, slope, step_slope = layered_series(depth * w, step * w, q[j])
            back, back_slope, back_step_slope = layered_series(mirror * w, step * w, q[j])
            slope = (
                depth * slope
                + step * step_slope
                - q[j] * (mirror * back_slope + step * back_step_slope)
            )
            return value - q[j] * back - rho[j], slope, -2.0 * depth**2 * w * slope

        w[shallow] = _halley(inside, w[shallow], np.inf)
    return np.asarray(0.25 / (k * w * w))


def _solve_depth(rho: Array, tau: Array, k: Array, edge: Array) -> Array:
    root = np.sqrt(k)
    s = 1.0 / root
    q = (s - 1.0) / (s + 1.0)
    d = 2.0 * root * np.sqrt(tau)
    step = 2.0 * edge / d
    z = special.erfcinv(rho)
    target = 0.5 * (1.0 + s) * rho

    def behind(y: Array, i: slice | Indices) -> tuple[Array, Array, Array]:
        value, slope, _ = layered_series(y, step[i], q[i])
        return value - target[i], slope, -2.0 * y * slope

    def inside(v: Array, i: slice | Indices) -> tuple[Array, Array, Array]:
        value, slope, _ = layered_series(v, step[i], q[i])
        back, back_slope, _ = layered_series(step[i] - v, step[i], q[i])
        return value - q[i] * back - rho[i], slope + q[i] * back_slope, -2.0 * v * slope

    deep = layered_series(0.5 * step, step, q)[0] > target
    depth = np.empty_like(rho)
    deep_rows = np.flatnonzero(deep)
    if deep_rows.size:
        # the limits of a thick and of a thin skin: the root lies near the nearer one
        thick = special.erfcinv(np.minimum(target[deep_rows], 1.0))
        thin = z[deep_rows] + 0.5 * step[deep_rows] * (1.0 - s[deep_rows])
        start = np.where(s[deep_rows] < 1.0, np.minimum(thick, thin), np.maximum(thick, thin))
        start = np.maximum(start, 0.5 * step[deep_rows])
        y = _halley(lambda y, i: behind(y, deep_rows[i]), start, np.inf)
        depth[deep_rows] = edge[deep_rows] + (y * d[deep_rows] - edge[deep_rows]) * s[deep_rows]
    shallow_rows = np.flatnonzero(~deep)
    if shallow_rows.size:
        top = 0.5 * step[shallow_rows]
        v = _halley(lambda v, i: inside(v, shallow_rows[i]), np.minimum(z[shallow_rows], top), top)
        depth[shallow_rows] = v * d[shallow_rows]
    return depth


Residual = Callable[[Array, "slice | Indices"], tuple[Array, Array, Array]]


def _halley(residual: Residual, start: Array, top: Array | float) -> Array:
    """Find the positive root of each sample; `residual` gives value, slope and curvature.

    Samples leave the iteration as they converge. Steps stay within a factor of four, since the
    slope of an erfc is no guide far from the root.
    """
    x = np.maximum(start, MIN_START)
    out = x.copy()
    i: slice | Indices = slice(None)
    upper_bound = np.broadcast_to(np.asarray(top, dtype=float), x.shape)
    for _ in range(MAX_ITERATIONS):
        f, df, ddf = residual(x, i)
        newton = -f / df
        halley_step = newton / np.maximum(1.0 + 0.5 * newton * ddf / df, 0.5)
        new = np.minimum(np.clip(x + halley_step, 0.25 * x, 4.0 * x), upper_bound[i])
        out[i] = new
        # the step is cubic near the root, so the error left is far below the step itself
        unconverged = np.abs(new - x) > STEP_TOLERANCE * x
        if not unconverged.any():
            return out
        i = np.flatnonzero(unconverged) if isinstance(i, slice) else i[unconverged]
        x = new[unconverged]
    raise NumericalError(f"the front of a layered face did not converge for {x.size} samples")
