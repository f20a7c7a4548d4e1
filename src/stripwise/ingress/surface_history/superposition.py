"""Roots of a sum of weighted complementary error functions, for the rise of surface chloride."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special

__all__ = ["delayed_step", "monomials", "solve_deepest", "solve_falling", "summit"]

Array = NDArray[np.float64]

SLOPE = -2.0 / np.sqrt(np.pi)
ROUNDS = 60
STEP_TOLERANCE = 4e-3
"""Relative step after which a root is taken: the step is cubic, so that its cube, 6e-8, bounds the
relative error left; 7e-9 was measured."""


def delayed_step(share: Array, parts: list[Array]) -> Array:
    """Guess the root from one step at the mean delay."""
    weights, stretch = parts
    mean = np.sum(weights / stretch, axis=0) / np.sum(weights, axis=0)
    return np.asarray(np.maximum(special.erfcinv(np.minimum(share, 1.0 - 1e-9)) * mean, 1e-9))


def monomials(columns: list[Array], degree: int = 4) -> Array:
    """All products of the columns up to a total degree, (terms, n)."""
    terms = {(0,) * len(columns): np.ones_like(columns[0])}
    for i, column in enumerate(columns):
        for powers, value in list(terms.items()):
            current = value
            for extra in range(1, degree - sum(powers) + 1):
                current = current * column
                key = (*powers[:i], extra, *powers[i + 1 :])
                terms[key] = current
    return np.array(list(terms.values()))


def _sums(u: Array, weights: Array, stretch: Array) -> tuple[Array, Array, Array]:
    """Sum f and its first and second derivative in u."""
    value = np.zeros_like(u)
    slope = np.zeros_like(u)
    bend = np.zeros_like(u)
    for w, r in zip(weights, stretch, strict=True):
        x = u * r
        value += w * special.erfc(x)
        x *= -x
        np.exp(x, out=x)
        x *= w * r
        slope += x
        bend += x * (r * r)
    slope *= SLOPE
    return value, slope, -2.0 * SLOPE * u * bend


def solve_falling(rho: Array, weights: Array, stretch: Array, start: Array) -> Array:
    """Solve f(u) = rho where f falls from above rho at the surface, on the logarithm of f."""
    u, out = start, np.array(start)
    goal = np.log(rho)
    index = np.arange(u.size)
    for _ in range(ROUNDS):
        f, df, ddf = _sums(u, weights, stretch)
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            first = df / f
            gap = np.log(f) - goal
            newton = -gap / first
            second = ddf / f - first * first
            move = newton / np.maximum(1.0 + 0.5 * newton * second / first, 0.5)
        new = np.where(np.isfinite(move), np.clip(u + move, 0.2 * u, 3.0 * u + 1e-6), 0.5 * u)
        out[index] = new
        still = np.abs(new - u) > STEP_TOLERANCE * new + 1e-12
        if not still.any():
            break
        index, u, goal = index[still], new[still], goal[still]
        weights, stretch = weights[:, still], stretch[:, still]
    return out


def solve_deepest(rho: Array, weights: Array, stretch: Array, top: float) -> Array:
    """Deepest u at which f passes rho, from the deep side; 0 where it nowhere does."""
    u = np.array(special.erfcinv(rho / top))
    out = np.zeros_like(u)
    goal = np.log(rho)
    index = np.arange(u.size)
    for _ in range(ROUNDS):
        f, df, _ = _sums(u, weights, stretch)
        with np.errstate(divide="ignore", invalid="ignore"):
            gap = np.log(np.maximum(f, 1e-300)) - goal
            step = -gap * f / df
        # a slope that does not fall, or a root beyond the surface: no such depth
        lost = ((df >= 0.0) & (gap < 0.0)) | (u + step <= 0.0)
        new = np.where(gap >= 0.0, u, u + step)
        new = np.where(lost, 0.0, np.maximum(new, 0.5 * u))
        out[index] = new
        still = ~lost & (gap < -1e-9)
        if not still.any():
            break
        index, u, goal = index[still], new[still], goal[still]
        weights, stretch = weights[:, still], stretch[:, still]
    out[index[still]] = 0.0 if still.any() else out[index[still]]
    return out


def summit(ages: Array, i: int, reach: list[Array]) -> Array:
    """Top of the parabola through the last three depths, where the middle one is the largest."""
    x = np.log(ages[i - 2 : i + 1])
    left, middle, right = reach
    with np.errstate(divide="ignore", invalid="ignore"):
        first = (middle - left) / (x[1] - x[0])
        second = (right - middle) / (x[2] - x[1])
        bend = (second - first) / (x[2] - x[0])
        slope = first + bend * (x[1] - x[0])
        top = middle - 0.25 * slope * slope / bend
    peak = (first > 0.0) & (second < 0.0) & (left > 0.0) & (right > 0.0)
    return np.where(peak, top, middle)
