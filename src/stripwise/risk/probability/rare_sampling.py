"""How probable a rare depassivation is: importance sampling around where it is least improbable.

The integrated input stays integrated, so that every point has a probability of its own and none
is lost. Axes: r repeats, d sampled inputs, n points, t ages.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.distributions.sampling import InputSampler, random_stream, sobol_blocks
from stripwise.risk.model.wall import Wall
from stripwise.risk.probability.integral import Integral
from stripwise.risk.probability.intervals import RARE
from stripwise.risk.probability.parallel import run_parallel

__all__ = ["rare_tail_means"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

RAREST = 1e-12
"""Below this probability nothing is sampled anew."""
POINTS, PILOT_POINTS = 512, 512
"""Points of a repeat, and of a step of the search for a centre."""
SLOW_POINTS, SLOW_PILOT_POINTS = 256, 128
"""The same where every front is the root of a long sum: a rise over a skin."""
PILOT_STEPS = 3
"""Steps of the search for a centre."""
PLAIN_SHARE = 0.1
"""Share of the points that are drawn as the scenario says: it bounds their weights."""
LEVEL_RATIO = 10.0
"""Factor in P from one centre to the next."""


def rare_tail_means(
    wall: Wall,
    integral: Integral,
    sampler: InputSampler,
    *,
    ages: Array,
    tail_means: Array,
    upper: Flags,
    limit: float = RARE,
    repeats: int,
    seed: int,
    workers: int,
) -> tuple[Array, Flags]:
    """Sample the small probabilities of all strategies anew by importance sampling.

    Each strategy has one sample for all its rare ages: a mixture of unit normals in the normal
    scores, a centre per decade of P found by the cross-entropy method, and the scores as they are.
    Strategies share the points, so that a strategy more or less changes no other.

    Parameters
    ----------
    ages
        (t,) ages [yr].
    tail_means
        (s, t) the mean of P by plain sampling, or of 1 - P where `upper` is set.
    upper
        (s, t).
    limit
        Probability below which one is small.

    Returns
    -------
    Means (r, s, t) by repeat, and which of them (s, t) were sampled; NaN where not. Nothing is
    sampled where no input but the integrated one is random, nor under a numerical front, whose
    every point is a solution of its own.

    References
    ----------
    Rubinstein and Kroese, The cross-entropy method, 2004 (recalled): the centre; Owen, Monte Carlo
    theory, methods and examples, 2013, section 9.11 (recalled): the mixture with a plain part.
    """
    rare = (tail_means < limit) & (tail_means > RAREST)
    means = np.full((repeats, *tail_means.shape), np.nan)
    if wall.numerical or not sampler.dimensions:
        return means, np.zeros_like(rare)
    for i, plan in enumerate(wall.plans):
        for side in (False, True):
            cells = np.flatnonzero(rare[i] & (upper[i] == side))
            if not cells.size:
                continue
            sample = _RareSample(
                wall.with_plans((plan,)), integral, sampler, side, seed, (7000, int(side))
            )
            means[:, i, cells] = sample.means(
                ages[cells], tail_means[i, cells], repeats=repeats, workers=workers
            )
    return means, rare


@dataclass(frozen=True, slots=True)
class _RareSample:
    """One strategy and one side, P or 1 - P, with its place among the random streams."""

    wall: Wall
    integral: Integral
    sampler: InputSampler
    above: bool
    seed: int
    stream: tuple[int, ...]

    @property
    def is_slow(self) -> bool:
        return self.wall.has_surface_history and self.wall.layered

    def means(self, ages: Array, tail_means: Array, *, repeats: int, workers: int) -> Array:
        """Return the mean by repeat and age, (r, t)."""
        centres = self._centres(ages, tail_means)
        points = SLOW_POINTS if self.is_slow else POINTS
        workers = self.wall.useful_workers(workers)
        # repeats of a front in closed form cost less together, if all take the same inputs
        together = repeats if workers == 1 and self.wall.draws is None else 1

        def run(first: int) -> Array:
            parts = [self._points(points, 1, r) for r in range(first, first + together)]
            z, chosen = (np.concatenate(column, axis=-1) for column in zip(*parts, strict=True))
            if len(centres):
                place = (special.ndtr(chosen) - PLAIN_SHARE) / (1.0 - PLAIN_SHARE)
                which = np.minimum((place * len(centres)).astype(int), len(centres) - 1)
                z = z + np.where(place >= 0.0, centres[which].T, 0.0)
            sampler = self.sampler.for_repeat(first, repeats, self.wall.draws)
            weighted = self._by_sample(z, ages, sampler) * _weights(z, centres)
            return np.asarray(weighted.reshape(len(ages), together, points).mean(axis=-1).T)

        starts = range(0, repeats, together)
        found = run_parallel(lambda k: run(starts[k]), len(starts), workers=workers)
        return np.concatenate(list(found))

    def _centres(self, ages: Array, tail_means: Array) -> Array:
        """Return a centre (d,) for every decade of the probability, the largest first."""
        order = np.argsort(-tail_means, kind="stable")
        points = SLOW_PILOT_POINTS if self.is_slow else PILOT_POINTS
        scores, _ = self._points(points, 0, 0)
        centre, last, found = np.zeros(len(scores)), np.inf, []
        for j in order:
            if tail_means[j] > last / LEVEL_RATIO and j != order[-1]:
                continue
            last = tail_means[j]
            for _ in range(PILOT_STEPS):
                z = scores + centre[:, None]
                share = self._by_sample(z, ages[[j]], self.sampler)[0] * np.exp(-centre @ z)
                total = share.sum()
                if not (np.isfinite(total) and total > 0.0):
                    break
                centre = z @ share / total
                if self.sampler.draws is not None:  # a draw is chosen, not moved towards
                    centre[-1] = 0.0
            else:
                found.append(centre)
        return np.array(found).reshape(-1, len(scores))

    def _points(self, points: int, stage: int, r: int) -> tuple[Array, Array]:
        """Return normal scores (d, n), and one more column to choose the centres by."""
        return _scores(self.sampler.dimensions, points, self.seed, (*self.stream, stage, r))

    def _by_sample(self, z: Array, ages: Array, sampler: InputSampler) -> Array:
        """Return the probability of every point at every age, (t, n)."""
        values = sampler.values(z)
        return self.integral.probabilities_by_sample(
            self.wall,
            self.wall.sample_block(values),
            values,
            self.integral.conditional_mean(sampler.correlate(z)),
            ages=ages,
            above=self.above,
        )


@functools.lru_cache(maxsize=128)
def _scores(
    dimensions: int, points: int, seed: int, stream: tuple[int, ...]
) -> tuple[Array, Array]:
    """Return points that all strategies take."""
    rng = random_stream(seed, stage="rare", index=stream)
    z = np.concatenate(list(sobol_blocks(dimensions + 1, points, rng)), axis=1)
    z.flags.writeable = False
    return z[:dimensions], z[dimensions]


def _weights(z: Array, centres: Array) -> Array:
    """Return the density of the scores over that of the mixture, (n,)."""
    if not len(centres):
        return np.ones(z.shape[1])
    ratios = np.exp(np.minimum(centres @ z - 0.5 * np.sum(centres**2, axis=1)[:, None], 700.0))
    return np.asarray(1.0 / (PLAIN_SHARE + (1.0 - PLAIN_SHARE) * ratios.mean(axis=0)))
