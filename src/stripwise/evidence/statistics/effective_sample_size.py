"""How many independent readings are worth as much as correlated neighbouring ones."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, spatial, special

__all__ = [
    "SpatialCorrelation",
    "area_effective_sample_size",
    "design_effect",
    "estimate_spatial_correlation",
    "moran_p_value",
]

Array = NDArray[np.float64]

NEIGHBOUR_COUNT = 4
PERMUTATIONS = 199
SIGNIFICANCE = 0.10
"""Readings count as correlated below this p-value; a high one, since a missed correlation narrows intervals."""

MAX_PAIR_READINGS = 1_500
"""Most readings of which all pairs are formed; more are thinned at random."""

MAX_CENTRES = 5_000
"""Most readings whose neighbours are searched."""

MAX_LIKELIHOOD_READINGS = 400
"""Most readings in the likelihood; of more, clusters of neighbours are used."""

CLUSTER_SIZE = 10

MAX_LENGTH_RATIO = 0.5
"""Longest length over the extent of the readings; longer ones a single field cannot determine."""

INDEPENDENCE_WEIGHT = 0.6
"""Prior weight of no correlation, against 1 for the whole grid of correlations."""

MIN_EFFECTIVE_SIZE = 2.0
"""Smallest effective sample size."""

LENGTH_COUNT, ORIGIN_CORRELATIONS = 10, np.linspace(0.15, 0.99, 8)
"""Number of lengths, and correlations at the origin, over which the likelihood is summed."""


@dataclass(frozen=True, slots=True)
class SpatialCorrelation:
    """Correlation of readings over distance.

    Attributes
    ----------
    p_value
        Probability of neighbours as alike as these among readings in random places.
    correlated
        Whether they count as correlated.
    correlation_length
        Distance over which the correlation falls to 1/e of its value at the origin, in the
        unit of the positions; 0 where readings do not count as correlated.
    correlation_at_origin
        Correlation of two readings at vanishing distance (1 - nugget).
    effective_sample_size, effective_sample_size_sd
        Number of independent readings that would determine the mean, or the sd, as well.
    sd_inflation
        Factor on the sd of the readings for the variation common to all of them, which they
        cannot show; the 90 % quantile.
    """

    p_value: float
    correlated: bool
    correlation_length: float
    correlation_at_origin: float
    effective_sample_size: float
    effective_sample_size_sd: float
    sd_inflation: float


def estimate_spatial_correlation(
    positions: ArrayLike, values: ArrayLike, *, rng: np.random.Generator
) -> SpatialCorrelation:
    """Estimate the correlation of readings over distance and their effective sample size.

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
    The `SpatialCorrelation`.

    Notes
    -----
    The correlation at distance h is b exp(-h / length). The restricted likelihood is summed over a
    grid of b and of the logarithm of length, so that what one field leaves open about its own
    correlation widens the interval of the mean; the effective sample size is that of independent
    readings whose t interval is as wide.

    References
    ----------
    Moran (1950), Notes on continuous stochastic phenomena. Restricted likelihood: Patterson and
    Thompson (1971), Biometrika 58. Summing over the covariance instead of choosing one: Handcock
    and Stein (1993), Technometrics 35 (all recalled).
    """
    x, points = np.asarray(values, dtype=float), np.asarray(positions, dtype=float)
    n = x.size
    p = moran_p_value(points, x, rng=rng)
    pair_points = (
        points
        if n <= MAX_PAIR_READINGS
        else points[rng.choice(n, MAX_PAIR_READINGS, replace=False)]
    )
    distances = spatial.distance.pdist(pair_points)
    subset = _likelihood_subset(points, rng)
    lengths = _length_grid(points[subset], MAX_LENGTH_RATIO * float(distances.max()))
    log_likelihood, variance = _restricted_likelihood(x[subset], points[subset], lengths)
    independent = _independent_likelihood(x[subset])
    highest = max(independent, float(log_likelihood.max()))
    weight = np.append(
        np.exp(log_likelihood - highest).ravel() / log_likelihood.size,
        INDEPENDENCE_WEIGHT * np.exp(independent - highest),
    )
    weight /= weight.sum()
    decay = np.array([float(np.mean(np.exp(-distances / length))) for length in lengths])
    variance_ratio = (1.0 + (n - 1.0) * ORIGIN_CORRELATIONS * decay[:, np.newaxis]) / n
    sd = float(x.std(ddof=1))
    scale = np.append(np.sqrt(variance * variance_ratio).ravel(), sd / math.sqrt(n))
    size = _size_for_half_width(
        _mixture_half_width(scale, weight, degrees_of_freedom=len(subset) - 1.0) / sd, n
    )
    # squares of Gaussian readings are correlated by the square of the correlation
    squared_decay = np.array(
        [float(np.mean(np.exp(-2.0 * distances / length))) for length in lengths]
    )
    mean_square_correlation = np.append(
        (ORIGIN_CORRELATIONS**2 * squared_decay[:, np.newaxis]).ravel(), 0.0
    )
    size_sd = max(
        n / (1.0 + (n - 1.0) * float(weight @ mean_square_correlation)), MIN_EFFECTIVE_SIZE
    )
    mean_correlation = np.append((ORIGIN_CORRELATIONS * decay[:, np.newaxis]).ravel(), 0.0)
    order = np.argsort(mean_correlation)
    quantile_index = int(np.searchsorted(np.cumsum(weight[order]), 0.9))
    sd_inflation = float(
        1.0 / np.sqrt(1.0 - mean_correlation[order][min(quantile_index, len(order) - 1)])
    )
    if p >= SIGNIFICANCE:
        return SpatialCorrelation(p, False, 0.0, 0.0, size, size_sd, sd_inflation)
    best = np.unravel_index(int(log_likelihood.argmax()), log_likelihood.shape)
    length, origin = float(lengths[best[0]]), float(ORIGIN_CORRELATIONS[best[1]])
    return SpatialCorrelation(p, True, length, origin, size, size_sd, sd_inflation)


def _likelihood_subset(points: Array, rng: np.random.Generator) -> NDArray[np.intp]:
    """Choose readings for the likelihood: all, or clusters that keep short and long distances."""
    n = len(points)
    if n <= MAX_LIKELIHOOD_READINGS:
        return np.arange(n)
    centres = rng.choice(n, MAX_LIKELIHOOD_READINGS // CLUSTER_SIZE, replace=False)
    _, neighbours = spatial.cKDTree(points).query(points[centres], k=CLUSTER_SIZE)
    return np.unique(neighbours)


def _length_grid(points: Array, longest: float) -> Array:
    """Return lengths from a third of the usual distance of neighbours to half the extent."""
    neighbours, _ = spatial.cKDTree(points).query(points, k=2)
    spacing = neighbours[:, 1][neighbours[:, 1] > 0.0]
    closest = float(np.median(spacing)) if spacing.size else 0.1 * longest
    return np.geomspace(min(closest / 3.0, 0.5 * longest), longest, LENGTH_COUNT)


def _restricted_likelihood(x: Array, points: Array, lengths: Array) -> tuple[Array, Array]:
    """Restricted log likelihood and variance of the readings, by length and origin correlation."""
    n = x.size
    distance = spatial.distance.squareform(spatial.distance.pdist(points))
    log_likelihood = np.empty((len(lengths), len(ORIGIN_CORRELATIONS)))
    variance = np.empty_like(log_likelihood)
    for row, length in enumerate(lengths):
        values, vectors = np.linalg.eigh(np.exp(-distance / length))
        eigenvalues = np.maximum(values, 0.0)[:, np.newaxis] * ORIGIN_CORRELATIONS + (
            1.0 - ORIGIN_CORRELATIONS
        )
        one, z = vectors.sum(axis=0)[:, np.newaxis], (vectors.T @ x)[:, np.newaxis]
        weight = (one**2 / eigenvalues).sum(axis=0)
        centre = (one * z / eigenvalues).sum(axis=0) / weight
        squares = ((z - one * centre) ** 2 / eigenvalues).sum(axis=0)
        variance[row] = squares / (n - 1.0)
        log_likelihood[row] = -0.5 * (
            np.log(eigenvalues).sum(axis=0) + np.log(weight) + (n - 1) * np.log(squares)
        )
    return log_likelihood, variance


def _independent_likelihood(x: Array) -> float:
    """Restricted log likelihood of independent readings."""
    n = x.size
    return float(-0.5 * (math.log(n) + (n - 1) * math.log(((x - x.mean()) ** 2).sum())))


def _mixture_half_width(scale: Array, weight: Array, *, degrees_of_freedom: float) -> float:
    """Half the 95 % interval of a mixture of t distributions around one centre."""

    def excess(half: float) -> float:
        return float((weight * special.stdtr(degrees_of_freedom, half / scale)).sum()) - 0.975

    return float(optimize.brentq(excess, 0.0, 100.0 * float(scale.max()), rtol=1e-10))


def _size_for_half_width(half: float, n: int) -> float:
    """Return the number of independent readings whose t interval has this half width in sd."""

    def excess(number: float) -> float:
        return float(special.stdtrit(number - 1.0, 0.975)) / math.sqrt(number) - half

    if excess(float(n)) >= 0.0:
        return float(n)
    return (
        MIN_EFFECTIVE_SIZE
        if excess(MIN_EFFECTIVE_SIZE) <= 0.0
        else float(optimize.brentq(excess, MIN_EFFECTIVE_SIZE, float(n)))
    )


def moran_p_value(positions: ArrayLike, values: ArrayLike, *, rng: np.random.Generator) -> float:
    """Test whether neighbours are more alike than readings in random places.

    Parameters
    ----------
    positions
        (n, 2) places.
    values
        (n,) readings, not all equal.

    Returns
    -------
    One-sided p-value, (1 + permutations at least as alike) / (1 + permutations).

    References
    ----------
    Moran (1950), Notes on continuous stochastic phenomena, with weights of 1 for the four nearest
    neighbours.
    """
    x, points = np.asarray(values, dtype=float), np.asarray(positions, dtype=float)
    count = min(NEIGHBOUR_COUNT, x.size - 1)
    centres = np.arange(x.size)
    if x.size > MAX_CENTRES:
        centres = rng.choice(x.size, MAX_CENTRES, replace=False)
    _, neighbours = spatial.cKDTree(points).query(points[centres], k=count + 1)
    deviation = x - x.mean()
    observed = float(np.mean(deviation[centres, np.newaxis] * deviation[neighbours[:, 1:]]))
    permuted = np.empty(PERMUTATIONS)
    for i in range(PERMUTATIONS):
        shuffled = rng.permutation(deviation)
        permuted[i] = np.mean(shuffled[centres, np.newaxis] * shuffled[neighbours[:, 1:]])
    return float((1.0 + np.sum(permuted >= observed)) / (1.0 + PERMUTATIONS))


def design_effect(values: ArrayLike, groups: ArrayLike) -> tuple[float, float]:
    """Return the design effect of grouping: readings of one area resemble each other.

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


def area_effective_sample_size(values: ArrayLike, groups: ArrayLike) -> float:
    """Return the effective sample size of readings in areas, arguments as `design_effect`.

    Where areas differ more than readings within them, the interval is that of the means of the
    areas: their mean square has one degree of freedom less than there are areas.

    Returns
    -------
    The number of independent readings whose t interval of the mean is as wide, at least 2; for
    areas of equal size that interval is exact.

    Examples
    --------
    >>> values = [1.0, 1.1, 2.0, 2.1, 4.0, 4.1]
    >>> round(area_effective_sample_size(values, [0, 0, 1, 1, 2, 2]), 1)
    2.8
    """
    x = np.asarray(values, dtype=float)
    rho, _ = design_effect(x, groups)
    if rho == 0.0:
        return float(x.size)
    _, codes = np.unique(np.asarray(groups), return_inverse=True)
    sizes = np.bincount(codes).astype(float)
    means = np.bincount(codes, weights=x) / sizes
    # the weights of the arithmetic mean; for equal sizes the mean square between areas over n
    weights = sizes / x.size
    variance = float(np.sum(weights**2 * (means - x.mean()) ** 2)) / (
        1.0 - float(np.sum(weights**2))
    )
    half = float(special.stdtrit(sizes.size - 1.0, 0.975)) * math.sqrt(variance)
    return _size_for_half_width(half / float(x.std(ddof=1)), x.size)
