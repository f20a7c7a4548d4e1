"""Subset simulation: a way to a rare probability that needs no design point.

It works on any limit state h(u) of independent standard normals, failure at h <= 0. Axes: d
inputs, n points.
"""

from typing import NamedTuple

import numpy as np

LEVEL_PROBABILITY = 0.1
MAX_LEVELS = 20
CHAIN_CORRELATION = 0.8


class Estimate(NamedTuple):
    """A probability, and the coefficient of variation of its mean over repeats."""

    probability: float
    cov: float


def subset_simulation(model, dimensions, *, points=1000, repeats=16, seed):
    """Estimate a small probability by a chain of nested, less rare events.

    Au and Beck, Prob. Eng. Mech. 16, 2001; conditional sampling in standard normal space of
    Papaioannou et al., Prob. Eng. Mech. 41, 2015 (both recalled).
    """
    streams = np.random.default_rng(seed).spawn(repeats)
    found = np.array([_subset_run(model, dimensions, points, rng) for rng in streams])
    mean = float(found.mean())
    return Estimate(mean, float(found.std(ddof=1) / np.sqrt(repeats) / mean))


def _subset_run(model, dimensions, points, rng):
    u = rng.standard_normal((dimensions, points))
    h = model(u)
    probability = 1.0
    seeds = int(LEVEL_PROBABILITY * points)
    for _ in range(MAX_LEVELS):
        failing = int(np.sum(h <= 0.0))
        if failing >= seeds:
            return probability * failing / points
        order = np.argsort(h)[:seeds]
        threshold = float(h[order[-1]])
        probability *= LEVEL_PROBABILITY
        u, h = u[:, order], h[order]
        # every chain takes the same number of steps; all chains step at once
        kept_u, kept_h = [u], [h]
        for _ in range(int(np.ceil(points / seeds)) - 1):
            innovation = np.sqrt(1.0 - CHAIN_CORRELATION**2) * rng.standard_normal(u.shape)
            trial = CHAIN_CORRELATION * u + innovation
            trial_h = model(trial)
            accept = trial_h <= threshold
            u, h = np.where(accept, trial, u), np.where(accept, trial_h, h)
            kept_u.append(u)
            kept_h.append(h)
        u, h = np.concatenate(kept_u, axis=1)[:, :points], np.concatenate(kept_h)[:points]
    raise ArithmeticError(f"no failure within {MAX_LEVELS} levels")
