"""How much of a set of neighbouring readings is news: correlation over distance."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, spatial, special

__all__ = ["Neighbourhood", "area_effective", "design_effect", "moran_p", "neighbourhood"]

Array = NDArray[np.float64]

NEIGHBOURS = 4
PERMUTATIONS = 199
SIGNIFICANT = 0.10
"""Readings count as correlated below this p-value; a high one, since missing it flatters."""

MOST_PAIRS_FROM = 1_500
"""Most readings of which all pairs are formed; more are thinned at random."""

MOST_CENTRES = 5_000
"""Most readings whose neighbours are looked at."""

MOST_FITTED = 400
"""Most readings in the likelihood; of more, clusters of neighbours are taken."""

CLUSTER = 10

LONGEST = 0.5
"""Longest length over the extent of the readings; longer ones a single field cannot tell."""

ALONE = 0.6
"""Weight of no correlation at all against that of the whole grid, beside the likelihood."""

LEAST = 2.0
"""Smallest effective number."""

LENGTHS, SHARES = 10, np.linspace(0.15, 0.99, 8)
"""Number of lengths, and correlations beside a reading, over which the likelihood is summed."""


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
    effective_sd
        Number of independent readings that would tell the sd as well.
    inflation
        Factor on the sd of the readings for what they share and so do not show, the 90 % quantile.
    """

    p_value: float
    correlated: bool
    length: float
    beside: float
    effective: float
    effective_sd: float
    inflation: float


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
    The correlation at distance h is b exp(-h / length). The restricted likelihood is summed over a
    grid of b and of the logarithm of length, so that what one field leaves open about its own
    correlation widens the interval of the mean; the effective number is that of independent
    readings whose t interval is as wide.

    References
    ----------
    Moran (1950), Notes on continuous stochastic phenomena. Restricted likelihood: Patterson and
    Thompson (1971), Biometrika 58. Summing over the covariance instead of choosing one: Handcock
    and Stein (1993), Technometrics 35 (all recalled).
    """
    x, place = np.asarray(values, dtype=float), np.asarray(positions, dtype=float)
    n = x.size
    p = moran_p(place, x, rng=rng)
    some = place if n <= MOST_PAIRS_FROM else place[rng.choice(n, MOST_PAIRS_FROM, replace=False)]
    apart = spatial.distance.pdist(some)
    fitted = _clusters(place, rng)
    lengths = _lengths(place[fitted], LONGEST * float(apart.max()))
    level, variance = _likelihood(x[fitted], place[fitted], lengths)
    alone = _level_alone(x[fitted])
    top = max(alone, float(level.max()))
    weight = np.append(np.exp(level - top).ravel() / level.size, ALONE * np.exp(alone - top))
    weight /= weight.sum()
    mean = np.array([float(np.mean(np.exp(-apart / length))) for length in lengths])
    cost = (1.0 + (n - 1.0) * SHARES * mean[:, np.newaxis]) / n
    sd = float(x.std(ddof=1))
    scale = np.append(np.sqrt(variance * cost).ravel(), sd / math.sqrt(n))
    effective = _as_independent(_half_width(scale, weight, freedom=len(fitted) - 1.0) / sd, n)
    # squares of Gaussian readings are correlated by the square of the correlation
    square = np.array([float(np.mean(np.exp(-2.0 * apart / length))) for length in lengths])
    alike = np.append((SHARES**2 * square[:, np.newaxis]).ravel(), 0.0)
    effective_sd = max(n / (1.0 + (n - 1.0) * float(weight @ alike)), LEAST)
    shared = np.append((SHARES * mean[:, np.newaxis]).ravel(), 0.0)
    order = np.argsort(shared)
    at = int(np.searchsorted(np.cumsum(weight[order]), 0.9))
    inflation = float(1.0 / np.sqrt(1.0 - shared[order][min(at, len(order) - 1)]))
    if p >= SIGNIFICANT:
        return Neighbourhood(p, False, 0.0, 0.0, effective, effective_sd, inflation)
    best = np.unravel_index(int(level.argmax()), level.shape)
    length, beside = float(lengths[best[0]]), float(SHARES[best[1]])
    return Neighbourhood(p, True, length, beside, effective, effective_sd, inflation)


def _clusters(place: Array, rng: np.random.Generator) -> NDArray[np.intp]:
    """Choose readings for the likelihood: all, or clusters that keep short and long distances."""
    n = len(place)
    if n <= MOST_FITTED:
        return np.arange(n)
    centres = rng.choice(n, MOST_FITTED // CLUSTER, replace=False)
    _, near = spatial.cKDTree(place).query(place[centres], k=CLUSTER)
    return np.unique(near)


def _lengths(place: Array, longest: float) -> Array:
    """Lengths from a third of the usual distance of neighbours to half the extent."""
    near, _ = spatial.cKDTree(place).query(place, k=2)
    apart = near[:, 1][near[:, 1] > 0.0]
    closest = float(np.median(apart)) if apart.size else 0.1 * longest
    return np.geomspace(min(closest / 3.0, 0.5 * longest), longest, LENGTHS)


def _likelihood(x: Array, place: Array, lengths: Array) -> tuple[Array, Array]:
    """Restricted log likelihood and variance of the readings, by length and share."""
    n = x.size
    distance = spatial.distance.squareform(spatial.distance.pdist(place))
    level = np.empty((len(lengths), len(SHARES)))
    variance = np.empty_like(level)
    for row, length in enumerate(lengths):
        values, vectors = np.linalg.eigh(np.exp(-distance / length))
        root = np.maximum(values, 0.0)[:, np.newaxis] * SHARES + (1.0 - SHARES)
        one, z = vectors.sum(axis=0)[:, np.newaxis], (vectors.T @ x)[:, np.newaxis]
        weight = (one**2 / root).sum(axis=0)
        centre = (one * z / root).sum(axis=0) / weight
        squares = ((z - one * centre) ** 2 / root).sum(axis=0)
        variance[row] = squares / (n - 1.0)
        level[row] = -0.5 * (np.log(root).sum(axis=0) + np.log(weight) + (n - 1) * np.log(squares))
    return level, variance


def _level_alone(x: Array) -> float:
    """Restricted log likelihood of independent readings."""
    n = x.size
    return float(-0.5 * (math.log(n) + (n - 1) * math.log(((x - x.mean()) ** 2).sum())))


def _half_width(scale: Array, weight: Array, *, freedom: float) -> float:
    """Half the 95 % interval of a mixture of t distributions around one centre."""

    def excess(half: float) -> float:
        return float((weight * special.stdtr(freedom, half / scale)).sum()) - 0.975

    return float(optimize.brentq(excess, 0.0, 100.0 * float(scale.max()), rtol=1e-10))


def _as_independent(half: float, n: int) -> float:
    """Return the number of independent readings whose t interval has this half width in sd."""

    def excess(number: float) -> float:
        return float(special.stdtrit(number - 1.0, 0.975)) / math.sqrt(number) - half

    if excess(float(n)) >= 0.0:
        return float(n)
    return LEAST if excess(LEAST) <= 0.0 else float(optimize.brentq(excess, LEAST, float(n)))


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


def area_effective(values: ArrayLike, groups: ArrayLike) -> float:
    """Return the effective number of readings that lie in areas.

    Where areas differ more than readings within them, the means of the areas are what counts:
    their mean square has one degree of freedom less than there are areas.

    Parameters
    ----------
    values, groups
        As `design_effect` takes them.

    Returns
    -------
    The number of independent readings whose t interval of the mean is as wide, at least 2; for
    areas of equal size that interval is exact.

    Examples
    --------
    >>> round(area_effective([1.0, 1.1, 2.0, 2.1, 4.0, 4.1], [0, 0, 1, 1, 2, 2]), 1)
    2.8
    """
    x = np.asarray(values, dtype=float)
    rho, _ = design_effect(x, groups)
    if rho == 0.0:
        return float(x.size)
    _, codes = np.unique(np.asarray(groups), return_inverse=True)
    sizes = np.bincount(codes).astype(float)
    means = np.bincount(codes, weights=x) / sizes
    # the weights of the plain mean; for equal sizes the mean square between areas over n
    share = sizes / x.size
    variance = float(np.sum(share**2 * (means - x.mean()) ** 2)) / (1.0 - float(np.sum(share**2)))
    half = float(special.stdtrit(sizes.size - 1.0, 0.975)) * math.sqrt(variance)
    return _as_independent(half / float(x.std(ddof=1)), x.size)
