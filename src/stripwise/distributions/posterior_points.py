"""Weighted points of a posterior over independent standard normal scores.

Where the prior's own points keep enough weight they serve. Beyond, the likelihood is tempered from
the prior on: each rung fits a multivariate t to the weighted points of the one before, and the last
one is sampled by importance from that t mixed with the prior, whose share bounds every weight.

Axes: d scores, n points, g parts of the likelihood.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.distributions.sampling import random_stream
from stripwise.distributions.sobol_sequence import BITS, SobolSequence

__all__ = [
    "FEWEST_POINTS",
    "LEAST_EFFECTIVE",
    "WeightedPoints",
    "effective_weights",
    "posterior_points",
]

Array = NDArray[np.float64]
LogLikelihood = Callable[[Array], Array]
"""Parts (g, n) of the log likelihood of points (d, n)."""

LEAST_EFFECTIVE, ENOUGH_EFFECTIVE = 400.0, 1000.0
"""Effective points (Kish) below which a posterior is no answer, and below which more are taken."""

WANTED, FEWEST_POINTS, MOST_POINTS = 4000.0, 2**13, 2**15
"""Effective points that the answer aims at, and the fewest and most points that it takes."""
PILOT_POINTS = 2**10
"""Points of a rung."""
ENOUGH_SHARE = 0.2
"""Effective share of the prior's points from which they serve as they are."""
RUNG_SHARE = 0.15
"""Effective share that a rung keeps of its points."""
LEAST_GROWTH, MOST_STALLED = 1.02, 4
"""Growth of the exponent below which a rung leads nowhere, and after how many such rungs in a row the
proposal is as good as it gets."""
GOOD_SHARE, MOST_REFITS, MOST_RUNGS = 0.4, 3, 60
"""Effective share from which the last t is fitted no further, and how often it may be."""
PRIOR_SHARE, FREEDOM, INFLATION = 0.1, 8.0, 1.1
"""Share of the prior in a proposal; degrees of freedom and widening of its t."""
BISECTIONS = 40


@dataclass(frozen=True, slots=True, eq=False)
class WeightedPoints:
    """Points of a posterior.

    Attributes
    ----------
    z
        (d, n) independent standard normal scores under the prior.
    parts
        (g, n) log likelihood of each part of the data.
    log_prior_weight
        (n,) ln of the weight that a point has under the prior, likelihood left out.
    rungs
        Steps of the tempering; 0 where the prior's own points serve.
    """

    z: Array
    parts: Array
    log_prior_weight: Array
    rungs: int

    def weights(self, counted: Array | None = None) -> Array:
        """Return the normalised weights (n,) under some parts (g,) of the data, all unless given."""
        logs = self.log_prior_weight + _total(self.parts, counted)
        return _normalised(logs)

    @property
    def effective(self) -> float:
        """Effective points under all data."""
        return effective_weights(self.weights())

    def log_evidence(self, counted: Array | None = None) -> float:
        """Return ln of the mean likelihood under the prior."""
        logs = self.log_prior_weight + _total(self.parts, counted)
        return float(special.logsumexp(logs) - special.logsumexp(self.log_prior_weight))

    def equal_weight_rows(self, count: int, rng: np.random.Generator) -> NDArray[np.intp]:
        """Return which points, each as often as its weight, make draws of equal weight.

        Stratified resampling in the order of the points, so that runs of draws stay as evenly
        spread as runs of points. Even steps would fall in with the order of the points, in which
        neighbours lie in opposite halves.

        References
        ----------
        Kitagawa, J. Comput. Graph. Stat. 5, 1996 (recalled).
        """
        edges = np.cumsum(self.weights())
        rows = np.searchsorted(edges / edges[-1], (np.arange(count) + rng.random(count)) / count)
        return np.minimum(rows, len(edges) - 1)


def effective_weights(weights: Array) -> float:
    """Return Kish's effective number of weights (n,), 0 where all vanish."""
    square = float(np.sum(weights**2))
    return float(np.sum(weights)) ** 2 / square if square > 0.0 else 0.0


def posterior_points(
    log_likelihood: LogLikelihood,
    dimensions: int,
    *,
    seed: int,
    index: int = 0,
    points: int | None = None,
    refined: Callable[[Array, Array], LogLikelihood] | None = None,
    start: WeightedPoints | None = None,
    progress: Callable[[float], None] | None = None,
) -> WeightedPoints:
    """Sample a posterior whose prior is standard normal in every score.

    Parameters
    ----------
    log_likelihood
        Parts of the log likelihood; -inf where the data cannot be.
    dimensions
        Scores d, at least 1.
    seed, index
        Seed, and which of several samples of it this is.
    points
        Points of the answer, a power of two; by what the last rung keeps, unless given.
    refined
        Called with the last points (d, n) on the way to the proposal and their weights (n,); returns
        the log likelihood of the answer, where `log_likelihood` is a cheaper one that leads there.
    start
        Points whose weights come near the posterior, in place of the way from the prior.
    progress
        Called with the tempering exponent reached, in [0, 1].
    """
    report = progress or (lambda _done: None)
    proposal, pilot, rungs = _Proposal.prior(dimensions), PILOT_POINTS, 0
    if start is not None:
        proposal, rungs = _Proposal.fitted(start.z, start.weights()), 1
    rng = random_stream(seed, stage="update", index=(index, 0))
    z, log_weight = proposal.draw(pilot, rng)
    parts = log_likelihood(z)
    total = _total(parts, None)
    kept = effective_weights(_normalised(log_weight + total)) / pilot
    exponent, refits, stalled = 0.0, 0, 0
    while kept < ENOUGH_SHARE or rungs:
        before = exponent
        exponent = _next_exponent(log_weight, total, exponent, RUNG_SHARE * len(total))
        report(exponent)
        stalled = stalled + 1 if exponent < min(LEAST_GROWTH * before, 1.0) else 0
        weights = _normalised(log_weight + _tempered(total, exponent))
        refits += exponent >= 1.0
        kept = effective_weights(_normalised(log_weight + total)) / pilot
        proposal = _Proposal.fitted(z, weights)
        if kept >= GOOD_SHARE or refits > MOST_REFITS:
            break
        if rungs == MOST_RUNGS or stalled == MOST_STALLED:
            break
        rungs += 1
        rng = random_stream(seed, stage="update", index=(index, rungs))
        z, log_weight = proposal.draw(pilot, rng)
        parts = log_likelihood(z)
        total = _total(parts, None)
    if kept * MOST_POINTS < LEAST_EFFECTIVE:  # even the most points would not do
        return WeightedPoints(z, parts, log_weight, rungs)
    if refined is not None:
        log_likelihood = refined(z, _normalised(log_weight + total))
    size = points
    if size is None:
        wanted = round(float(np.log2(WANTED / max(kept, 1e-3))))
        size = min(max(2**wanted, FEWEST_POINTS), MOST_POINTS)
    for turn in range(1, MOST_REFITS + 2):
        rng = random_stream(seed, stage="update", index=(index, MOST_RUNGS + turn))
        z, log_weight = proposal.draw(size, rng)
        found = WeightedPoints(z, log_likelihood(z), log_weight, rungs)
        weights = found.weights()
        effective = effective_weights(weights)
        if points is not None or effective >= ENOUGH_EFFECTIVE or effective <= len(z):
            break
        # a proposal that fits badly is fitted again to many more points
        proposal, size = _Proposal.fitted(z, weights), min(4 * size, MOST_POINTS)
    return found


def _total(parts: Array, counted: Array | None) -> Array:
    return np.asarray(np.sum(parts if counted is None else parts[counted], axis=0))


def _tempered(total: Array, exponent: float) -> Array:
    """Return the log likelihood to a power; what is impossible stays so from the first step on."""
    with np.errstate(invalid="ignore"):
        return np.where(np.isneginf(total), -np.inf, exponent * total)


def _normalised(logs: Array) -> Array:
    highest = float(np.max(logs))
    if not np.isfinite(highest):
        return np.zeros_like(logs)
    weights = np.exp(logs - highest)
    return np.asarray(weights / weights.sum())


def _next_exponent(log_weight: Array, total: Array, least: float, effective: float) -> float:
    """Return the largest exponent, at most 1, that keeps so many effective points."""

    def kept(exponent: float) -> float:
        return effective_weights(_normalised(log_weight + _tempered(total, exponent)))

    if kept(1.0) >= effective:
        return 1.0
    low, high = least, 1.0
    for _ in range(BISECTIONS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if kept(middle) >= effective else (low, middle)
    return low


@dataclass(frozen=True, slots=True, eq=False)
class _Proposal:
    """A multivariate t mixed with the prior; the prior alone where `share` is 1.

    Attributes
    ----------
    centre, factor
        (d,) centre and (d, d) lower factor of the scale of the t.
    share
        Share of the prior.
    """

    centre: Array
    factor: Array
    share: float

    @classmethod
    def prior(cls, dimensions: int) -> _Proposal:
        return cls(np.zeros(dimensions), np.eye(dimensions), 1.0)

    @classmethod
    def fitted(cls, z: Array, weights: Array) -> _Proposal:
        centre = z @ weights
        gap = z - centre[:, None]
        covariance = INFLATION**2 * (weights * gap) @ gap.T
        scale = covariance + 1e-10 * np.eye(len(centre))
        return cls(centre, np.asarray(np.linalg.cholesky(scale), dtype=float), PRIOR_SHARE)

    def draw(self, count: int, rng: np.random.Generator) -> tuple[Array, Array]:
        """Return points (d, n) and the ln of prior over proposal (n,)."""
        d = len(self.centre)
        sequence = SobolSequence.scrambled(d + 2, rng)
        u = sequence.draw(count) + 0.5 ** (BITS + 1)
        normal = special.ndtri(u[:d])
        if self.share == 1.0:
            return normal, np.zeros(count)
        stretch = np.sqrt(FREEDOM / (2.0 * special.gammaincinv(0.5 * FREEDOM, u[d])))
        own = self.centre[:, None] + (self.factor @ normal) * stretch
        z = np.where(u[d + 1] < self.share, normal, own)
        log_prior = -0.5 * np.sum(z**2, axis=0) - 0.5 * d * np.log(2.0 * np.pi)
        with np.errstate(under="ignore"):
            log_proposal = np.logaddexp(
                np.log(self.share) + log_prior, np.log1p(-self.share) + self._log_density(z)
            )
        return z, log_prior - log_proposal

    def _log_density(self, z: Array) -> Array:
        d = len(self.centre)
        scores = np.linalg.solve(self.factor, z - self.centre[:, None])
        square = np.sum(scores**2, axis=0)
        constant = (
            special.gammaln(0.5 * (FREEDOM + d))
            - special.gammaln(0.5 * FREEDOM)
            - 0.5 * d * np.log(FREEDOM * np.pi)
            - float(np.sum(np.log(np.diag(self.factor))))
        )
        return np.asarray(constant - 0.5 * (FREEDOM + d) * np.log1p(square / FREEDOM))
