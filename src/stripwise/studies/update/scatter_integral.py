"""The likelihood of readings that share what varies along the wall: p(y|e) = E_W prod p(y; e, W).

Each core has one W of surface chloride, diffusivity and the like. The expectation is taken by
importance sampling about the mode of W given the readings, from the normal distribution of its
curvature there, with the same scores for every draw, each beside its mirror image.

Axes: n draws, d scores along the wall, m readings, k points.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.distributions.sampling import random_stream, sobol_blocks

__all__ = [
    "Predict",
    "Readings",
    "Rows",
    "integrated_log_likelihood",
    "nodes_about",
    "scatter_mode",
    "scatter_nodes",
]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

Predict = Callable[[Array], Array]
"""Expected readings (m, n, k) at scores along the wall (d, n, k)."""

Rows = slice | NDArray[np.intp]

NODE_SEED = 20_261_130
"""Seed of the scores about the mode, which are no part of a run's own sample."""

MOST_STEPS, FEW_STEPS, SMALL_STEP, SETTLED_SHARE = 12, 5, 0.2, 0.95
"""Most steps to the mode, and from a start near it; a step in standard deviations that ends it, for
so many of the draws."""

DIFFERENCE, LONGEST_STEP = 0.01, 1.5
"""Score step of a derivative; longest step to the mode."""

PILOT, LEAST_FOR_FIT, RIDGE = 48, 128, 1e-3
"""Draws whose modes tell where to seek those of the others, fewest draws for which it pays, and the
ridge of that fit in variances of a feature."""

SPREAD = 1.15
"""Standard deviation of the sampled scores in those of the curvature, so that no weight is large."""


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """The readings of one core.

    Attributes
    ----------
    values
        (m,) readings.
    below
        (m,) whether a reading is a limit of detection that the content lies below.
    sd
        Standard deviation of readings by what is expected of them, (m, n, k) from (m, n, k).
    """

    values: Array
    below: Flags
    sd: Callable[[Array], Array]

    def residuals(self, expected: Array) -> tuple[Array, Array]:
        """Return readings less expectation and sd (m, n, k); 0 below a limit that is kept."""
        gap = self.values[:, None, None] - expected
        if self.below.any():
            kept = self.below[:, None, None] & (gap > 0.0)
            gap = np.where(kept, 0.0, gap)
        return gap, self.sd(expected)

    def log_density(self, expected: Array) -> Array:
        """Return ln of the density of all readings together, (n, k)."""
        sd = self.sd(expected)
        gap = (self.values[:, None, None] - expected) / sd
        if not self.below.any():
            logs = -0.5 * gap * gap - np.log(sd)
            return np.asarray(logs.sum(axis=0) - 0.5 * len(self.values) * np.log(2.0 * np.pi))
        dense = -0.5 * gap * gap - np.log(sd) - 0.5 * np.log(2.0 * np.pi)
        logs = np.where(self.below[:, None, None], special.log_ndtr(gap), dense)
        return np.asarray(logs.sum(axis=0))


At = Callable[[Rows], tuple[Predict, Readings]]
"""What is expected and read for some of the draws."""


def integrated_log_likelihood(
    at: At, *, draws: int, start: Array, points: int, features: Array | None = None
) -> Array:
    """Return ln p(readings | draw), (n,), what varies along the wall integrated.

    Parameters
    ----------
    at
        What is expected and read for some of the draws.
    draws
        Draws n.
    start
        (d,) scores along the wall from which the mode is sought.
    points
        Points about the mode, a power of two of at least 4.
    features
        (n, f) what the mode of a draw may follow from, so that it is sought near by.
    """
    _, log_weight = scatter_nodes(at, draws=draws, start=start, points=points, features=features)
    return np.asarray(special.logsumexp(log_weight, axis=1))


def scatter_nodes(
    at: At, *, draws: int, start: Array, points: int, features: Array | None = None
) -> tuple[Array, Array]:
    """Return scores along the wall (d, n, k) and ln of their weights (n, k), which sum to the integral.

    Arguments as `integrated_log_likelihood`.
    """
    dimensions = len(start)
    predict, readings = at(slice(None))
    if dimensions == 0:
        none = np.empty((0, draws, 1))
        return none, readings.log_density(predict(none))
    starts = _starts(at, start, features) if features is not None else start[:, None]
    near = draws >= LEAST_FOR_FIT and features is not None
    most = FEW_STEPS if near else MOST_STEPS
    mode, curvature = scatter_mode(at, draws=draws, start=starts, most=most)
    w, log_weight = nodes_about(mode, curvature, points=points)
    return w, log_weight + readings.log_density(predict(w))


def nodes_about(
    mode: Array, curvature: Array, *, points: int, rng: np.random.Generator | None = None
) -> tuple[Array, Array]:
    """Return normal scores (d, n, k) about a mode (d, n) and ln of their weights (n, k).

    By these the mean over standard normal scores of exp(f) is the sum of exp(f + ln weight), where
    `curvature` (n, d, d) is that of -f and of the normal density together. The nodes are the same
    scrambled points about every mode, so that their error is nearly the same too; with `rng` they are
    independent, so that draws from among them spread as they should.
    """
    dimensions, draws = mode.shape
    shape = (draws, dimensions, points)
    u = (
        np.broadcast_to(_nodes(dimensions, points), shape)
        if rng is None
        else rng.standard_normal(shape)
    )
    factor = np.linalg.cholesky(curvature)
    # scores x with x' H x = u' u
    offset = np.linalg.solve(np.swapaxes(factor, 1, 2), SPREAD * u)
    w = mode[:, :, None] + np.moveaxis(offset, 0, 1)
    log_ratio = 0.5 * np.sum(u * u, axis=1) - 0.5 * np.sum(w * w, axis=0)
    log_volume = dimensions * np.log(SPREAD) - np.sum(
        np.log(np.diagonal(factor, axis1=1, axis2=2)), axis=1
    )
    return w, log_ratio - np.log(points) + log_volume[:, None]


def _starts(at: At, start: Array, features: Array) -> Array:
    """Return scores (d, n) near the modes: a linear fit to those of the first draws."""
    draws = len(features)
    if draws < LEAST_FOR_FIT:
        return start[:, None]
    pilot = np.arange(PILOT)
    modes, _ = scatter_mode(lambda rows: at(pilot[rows]), draws=PILOT, start=start[:, None])
    middle, spread = features[:PILOT].mean(axis=0), features[:PILOT].std(axis=0)
    x = (features - middle) / np.where(spread > 0.0, spread, np.inf)
    own = x[:PILOT]
    matrix = own.T @ own + RIDGE * PILOT * np.eye(x.shape[1])
    level = modes.mean(axis=1, keepdims=True)
    slopes = np.linalg.solve(matrix, own.T @ (modes - level).T)
    found = level + (x @ slopes).T
    least, most = modes.min(axis=1, keepdims=True), modes.max(axis=1, keepdims=True)
    return np.asarray(np.clip(found, least, most))


def _nodes(dimensions: int, points: int) -> Array:
    """Return normal scores (d, k), the second half the mirror image of the first."""
    rng = random_stream(NODE_SEED, stage="inspections", index=(dimensions,))
    half = next(iter(sobol_blocks(dimensions, points // 2, rng)))
    return np.concatenate([half, -half], axis=1)


def scatter_mode(
    at: At, *, draws: int, start: Array, most: int = MOST_STEPS
) -> tuple[Array, Array]:
    """Return the most probable scores (d, n) and the curvature there (n, d, d).

    At most so many steps of Gauss-Newton from `start`, (d, 1) or (d, n), a step that does not help
    halved; draws leave as they settle. A mode that is missed by a little costs precision and no bias.
    """
    dimensions = len(start)
    steps = np.concatenate([np.zeros((dimensions, 1)), DIFFERENCE * np.eye(dimensions)], axis=1)[
        :, None, :
    ]
    best = np.broadcast_to(start, (dimensions, draws)).copy()
    step = np.zeros_like(best)
    lowest = np.full(draws, np.inf)
    curvature = np.broadcast_to(np.eye(dimensions), (draws, dimensions, dimensions)).copy()
    left = np.arange(draws)
    for _ in range(most):
        predict, readings = at(left)
        trial = best[:, left] + step[:, left]
        expected = predict(trial[:, :, None] + steps)
        gap, sd = readings.residuals(expected[..., :1])
        height = (
            0.5 * np.sum(trial**2, axis=0)
            + np.sum(0.5 * (gap / sd) ** 2 + np.log(sd), axis=0)[:, 0]
        )
        better = height <= lowest[left]
        slope = (expected[..., 1:] - expected[..., :1]) / (DIFFERENCE * sd)
        if readings.below.any():
            slope = np.where(readings.below[:, None, None] & (gap >= 0.0), 0.0, slope)
        own = np.einsum("mni,mnj->nij", slope, slope) + np.eye(dimensions)
        rise = np.einsum("mni,mn->ni", slope, (gap / sd)[..., 0]) - trial.T
        move = np.linalg.solve(own, rise[..., None])[..., 0].T
        size = np.sqrt(np.einsum("in,nij,jn->n", move, own, move))
        far = np.sqrt(np.sum(move**2, axis=0))
        move = move * np.minimum(1.0, LONGEST_STEP / np.maximum(far, 1e-300))
        gone = better & (size < SMALL_STEP)
        # the last step is taken unseen: it is small, and the next one would be smaller still
        best[:, left] = np.where(better, trial + np.where(gone, move, 0.0), best[:, left])
        lowest[left] = np.where(better, height, lowest[left])
        curvature[left] = np.where(better[:, None, None], own, curvature[left])
        step[:, left] = np.where(better, move, 0.5 * step[:, left])
        left = left[~gone]
        if len(left) <= (1.0 - SETTLED_SHARE) * draws:
            break
    return best, curvature
