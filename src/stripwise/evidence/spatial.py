"""How much of a set of neighbouring readings is news: correlation over distance."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, spatial

__all__ = ["Neighbourhood", "design_effect", "moran_p", "neighbourhood"]

Array = NDArray[np.float64]

NEIGHBOURS = 4
PERMUTATIONS = 199
SIGNIFICANT = 0.10
"""Readings count as correlated below this p-value; a high one, since missing it flatters."""

MOST_PAIRS_FROM = 1_500
"""Most readings of which all pairs are formed; more are thinned at random."""

MOST_CENTRES = 5_000
"""Most readings whose neighbours are looked at."""

BINS = 15


@dataclass(frozen=True, slots=True)
class Neighbourhood:
    """Correlation of readings over distance.

    Attributes
    ----------
    p_value
        Probability of neighbours as alike as these among readings in random places.
    correlated
        Whether they count as correlated.
    length
        Distance over which the correlation falls to 1/e of its value beside a reading, in the
        unit of the positions; 0 where readings do not count as correlated.
    beside
        Correlation right beside a reading.
    effective
        Number of independent readings that would tell the mean as well.
    """

    p_value: float
    correlated: bool
    length: float
    beside: float
    effective: float


def neighbourhood(
    positions: ArrayLike, values: ArrayLike, *, rng: np.random.Generator
) -> Neighbourhood:
    """Estimate the correlation of readings over distance and their effective number.

    Parameters
    ----------
    positions
        (n, 2) places.
    values
        (n,) readings, not all equal.
    rng
        Source of the permutations, and of the thinning of more readings than 1,500.

    Returns
    -------
    The `Neighbourhood`.

    Notes
    -----
    A variogram nugget + sill (1 - exp(-h / length)) is fitted to binned half squared differences
    up to half of the largest distance, weighted by pairs. The effective number is
    n / (1 + (n - 1) r), r the mean correlation over pairs.

    References
    ----------
    Moran (1950), Notes on continuous stochastic phenomena. Cressie (1993), Statistics for Spatial
    Data, 1.3 and 2.4 (recalled).
    """
    x, place = np.asarray(values, dtype=float), np.asarray(positions, dtype=float)
    n = x.size
    p = moran_p(place, x, rng=rng)
    if p >= SIGNIFICANT:
        return Neighbourhood(p, False, 0.0, 0.0, float(n))
    if n > MOST_PAIRS_FROM:
        pick = rng.choice(n, MOST_PAIRS_FROM, replace=False)
        x, place = x[pick], place[pick]
    distance = spatial.distance.pdist(place)
    first, second = np.triu_indices(x.size, k=1)
    half_square = 0.5 * (x[first] - x[second]) ** 2
    length, beside = _variogram(distance, half_square, float(np.var(x)))
    mean = beside * float(np.mean(np.exp(-distance / length))) if beside > 0 else 0.0
    return Neighbourhood(p, True, length, beside, n / (1.0 + (n - 1) * mean))


def moran_p(positions: ArrayLike, values: ArrayLike, *, rng: np.random.Generator) -> float:
    """Test whether neighbours are more alike than readings in random places.

    Parameters
    ----------
    positions
        (n, 2) places.
    values
        (n,) readings, not all equal.
    rng
        Source of the permutations.

    Returns
    -------
    One-sided p-value, (1 + permutations at least as alike) / (1 + permutations).

    References
    ----------
    Moran (1950), Notes on continuous stochastic phenomena, with weights of 1 for the four nearest
    neighbours.
    """
    x, place = np.asarray(values, dtype=float), np.asarray(positions, dtype=float)
    count = min(NEIGHBOURS, x.size - 1)
    centres = np.arange(x.size)
    if x.size > MOST_CENTRES:
        centres = rng.choice(x.size, MOST_CENTRES, replace=False)
    _, near = spatial.cKDTree(place).query(place[centres], k=count + 1)
    z = x - x.mean()
    found = float(np.mean(z[centres, np.newaxis] * z[near[:, 1:]]))
    drawn = np.empty(PERMUTATIONS)
    for i in range(PERMUTATIONS):
        mixed = rng.permutation(z)
        drawn[i] = np.mean(mixed[centres, np.newaxis] * mixed[near[:, 1:]])
    return float((1.0 + np.sum(drawn >= found)) / (1.0 + PERMUTATIONS))


def design_effect(values: ArrayLike, groups: ArrayLike) -> tuple[float, float]:
    """Return what grouping costs: readings of one area resemble each other.

    Parameters
    ----------
    values
        (n,) readings.
    groups
        (n,) codes of their areas; at least two areas, one of them with two readings.

    Returns
    -------
    The correlation within an area, at least 0, and the number by which n is divided.

    References
    ----------
    Kish (1965), Survey Sampling, 5.4: 1 + (m - 1) rho, m the mean size weighted by size; rho by
    one-way analysis of variance.

    Examples
    --------
    >>> design_effect([1.0, 1.0, 2.0, 2.0], [0, 0, 1, 1])
    (1.0, 2.0)
    """
    x = np.asarray(values, dtype=float)
    _, codes = np.unique(np.asarray(groups), return_inverse=True)
    sizes = np.bincount(codes).astype(float)
    means = np.bincount(codes, weights=x) / sizes
    n, k = x.size, sizes.size
    within = float(np.sum((x - means[codes]) ** 2)) / (n - k)
    between = float(np.sum(sizes * (means - x.mean()) ** 2)) / (k - 1)
    typical = (n - float(np.sum(sizes**2)) / n) / (k - 1)
    extra = max((between - within) / typical, 0.0)
    rho = extra / (extra + within) if extra + within > 0 else 0.0
    weighted = float(np.sum(sizes**2)) / n
    return rho, 1.0 + (weighted - 1.0) * rho


def _variogram(distance: Array, half_square: Array, variance: float) -> tuple[float, float]:
    """Fit length and correlation beside a reading."""
    reach = 0.5 * float(distance.max())
    near = distance <= reach
    edges = np.linspace(0.0, reach * (1.0 + 1e-12), BINS + 1)
    place = np.digitize(distance[near], edges) - 1
    count = np.bincount(place, minlength=BINS)[:BINS]
    used = count > 0
    h = np.bincount(place, weights=distance[near], minlength=BINS)[:BINS][used] / count[used]
    g = np.bincount(place, weights=half_square[near], minlength=BINS)[:BINS][used] / count[used]
    weight = np.sqrt(count[used])

    def miss(p: Array) -> Array:
        return np.asarray(weight * (p[0] + p[1] * -np.expm1(-h / p[2]) - g) / variance)

    closest = max(float(distance[distance > 0].min(initial=math.inf)), 1e-9 * reach)
    start = np.array([0.1 * variance, 0.9 * variance, 0.25 * reach])
    bounds = ([0.0, 1e-9 * variance, 0.2 * min(closest, reach)], [np.inf, np.inf, 2.0 * reach])
    start[2] = min(max(start[2], bounds[0][2] * 1.01), bounds[1][2] * 0.99)
    fit = optimize.least_squares(miss, start, bounds=bounds, x_scale=np.maximum(start, 1e-12))
    nugget, sill, length = (float(v) for v in fit.x)
    return length, sill / (nugget + sill)
