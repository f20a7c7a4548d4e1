"""Where a weighted sum of complementary error functions reaches a given value."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special

__all__ = ["mean_delay_root", "monomials", "parabola_peak", "solve_deepest", "solve_monotone"]

Array = NDArray[np.float64]

SLOPE = -2.0 / np.sqrt(np.pi)
MAX_ITERATIONS = 60
STEP_TOLERANCE = 4e-3
"""Relative step at which the iteration stops: convergence is cubic, so that its cube, 6e-8, bounds
the relative error left; 7e-9 was measured."""


def mean_delay_root(ratio: Array, parts: list[Array]) -> Array:
    """Estimate the root by that of one step at the mean delay."""
    weights, stretch = parts
    mean = np.sum(weights / stretch, axis=0) / np.sum(weights, axis=0)
    return np.asarray(np.maximum(special.erfcinv(np.minimum(ratio, 1.0 - 1e-9)) * mean, 1e-9))


def monomials(columns: list[Array], degree: int = 4) -> Array:
    """All products of the columns up to a total degree, (terms, n)."""
    terms = {(0,) * len(columns): np.ones_like(columns[0])}
    for i, column in enumerate(columns):
        for powers, value in list(terms.items()):
            current = value
            for power in range(1, degree - sum(powers) + 1):
                current = current * column
                key = (*powers[:i], power, *powers[i + 1 :])
                terms[key] = current
    return np.array(list(terms.values()))


def _sums(u: Array, weights: Array, stretch: Array) -> tuple[Array, Array, Array]:
    """Sum f and its first and second derivative in u."""
    value = np.zeros_like(u)
    slope = np.zeros_like(u)
    curvature = np.zeros_like(u)
    for w, r in zip(weights, stretch, strict=True):
        x = u * r
        value += w * special.erfc(x)
        x *= -x
        np.exp(x, out=x)
        x *= w * r
        slope += x
        curvature += x * (r * r)
    slope *= SLOPE
    return value, slope, -2.0 * SLOPE * u * curvature


def solve_monotone(rho: Array, weights: Array, stretch: Array, start: Array) -> Array:
    """Solve f(u) = rho where f falls from above rho at the surface, on the logarithm of f."""
    u, out = start, np.array(start)
    log_rho = np.log(rho)
    index = np.arange(u.size)
    for _ in range(MAX_ITERATIONS):
        f, df, ddf = _sums(u, weights, stretch)
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            first = df / f
            log_residual = np.log(f) - log_rho
            newton = -log_residual / first
            second = ddf / f - first * first
            halley_step = newton / np.maximum(1.0 + 0.5 * newton * second / first, 0.5)
        new = np.where(
            np.isfinite(halley_step), np.clip(u + halley_step, 0.2 * u, 3.0 * u + 1e-6), 0.5 * u
        )
        out[index] = new
        unconverged = np.abs(new - u) > STEP_TOLERANCE * new + 1e-12
        if not unconverged.any():
            break
        index, u, log_rho = index[unconverged], new[unconverged], log_rho[unconverged]
        weights, stretch = weights[:, unconverged], stretch[:, unconverged]
    return out


def solve_deepest(rho: Array, weights: Array, stretch: Array, top: float) -> Array:
    """Deepest u at which f passes rho, from the deep side; 0 where it nowhere does."""
    u = np.array(special.erfcinv(rho / top))
    out = np.zeros_like(u)
    log_rho = np.log(rho)
    index = np.arange(u.size)
    for _ in range(MAX_ITERATIONS):
        f, df, _ = _sums(u, weights, stretch)
        with np.errstate(divide="ignore", invalid="ignore"):
            log_residual = np.log(np.maximum(f, 1e-300)) - log_rho
            step = -log_residual * f / df
        # a slope that does not fall, or a root beyond the surface: no such depth
        no_root = ((df >= 0.0) & (log_residual < 0.0)) | (u + step <= 0.0)
        new = np.where(log_residual >= 0.0, u, u + step)
        new = np.where(no_root, 0.0, np.maximum(new, 0.5 * u))
        out[index] = new
        unconverged = ~no_root & (log_residual < -1e-9)
        if not unconverged.any():
            break
        index, u, log_rho = index[unconverged], new[unconverged], log_rho[unconverged]
        weights, stretch = weights[:, unconverged], stretch[:, unconverged]
    out[index[unconverged]] = 0.0 if unconverged.any() else out[index[unconverged]]
    return out


def parabola_peak(ages: Array, i: int, depths: list[Array]) -> Array:
    """Top of the parabola through the last three depths, where the middle one is the largest."""
    x = np.log(ages[i - 2 : i + 1])
    left, middle, right = depths
    with np.errstate(divide="ignore", invalid="ignore"):
        first = (middle - left) / (x[1] - x[0])
        second = (right - middle) / (x[2] - x[1])
        curvature = (second - first) / (x[2] - x[0])
        slope = first + curvature * (x[1] - x[0])
        top = middle - 0.25 * slope * slope / curvature
    peak = (first > 0.0) & (second < 0.0) & (left > 0.0) & (right > 0.0)
    return np.where(peak, top, middle)
