"""At which ages curves are computed: refined until interpolation between them is exact enough.

Axes: s strategies, t ages.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.distributions.sampling import InputSampler, random_stream, sobol_blocks
from stripwise.risk.model.wall import Wall
from stripwise.risk.probability.integral import Integral, initiation_ages
from stripwise.risk.probability.reliability_index import FIRST_AGE, Curves, reliability_index

__all__ = ["choose_ages"]

Array = NDArray[np.float64]

STARTING_AGES = (3, 18)
"""Sampled ages up to the first year and beyond it, before refinement."""

MAX_AGES = 400
PILOT_POINTS = 4096
"""Samples of the pilot that chooses the ages."""
NUMERICAL_PILOT_POINTS = 1024
"""The same where every front is a numerical solution."""
SKIN_RISE_PILOT_POINTS = 512
"""The same where every front is the root of a long sum: a rise over a skin."""
MIN_LOG_STEP, MIN_LOG_STEP_UNDER_RISE, MIN_LOG_STEP_OVER_SKIN = 1e-9, 0.02, 0.1
"""Steps of ln age that are refined no further. A front that starts under a rise has the whole
convection zone behind it at once, so that every sample is a step and halving finds no end."""
INTERPOLATION_TOLERANCE = 2e-6
"""Largest error of the interpolation at the midpoints, in probability, on the pilot sample."""


def choose_ages(
    wall: Wall,
    integral: Integral,
    sampler: InputSampler,
    *,
    horizon: float,
    kinks: tuple[float, ...],
    seed: int,
) -> tuple[Array, NDArray[np.bool_], float]:
    """Refine the ages on a pilot sample until interpolation at the midpoints is exact enough."""
    rise_over_skin = wall.has_surface_history and wall.layered
    pilot = (
        NUMERICAL_PILOT_POINTS
        if wall.numerical
        else SKIN_RISE_PILOT_POINTS
        if rise_over_skin
        else PILOT_POINTS
    )
    z = next(iter(sobol_blocks(sampler.dimensions, pilot, random_stream(seed, stage="pilot"))))
    values = sampler.values(z)
    block = wall.sample_block(values)
    score_mean = integral.conditional_mean(sampler.correlate(z))

    def index(ages: Array) -> Array:
        p, q = integral.both_tails(wall, block, values, score_mean, ages)
        return np.minimum.accumulate(reliability_index(p, q), axis=-1)

    early, late = STARTING_AGES
    first = min(1.0, 0.5 * horizon)
    inner = np.concatenate(
        [np.geomspace(FIRST_AGE, first, early), np.geomspace(first, horizon, late)]
    )
    special_ages = [k for k in kinks if FIRST_AGE < k < horizon]
    if not integral.name:
        special_ages += [float(y) for y in range(1, int(horizon) + 1)]
        special_ages += _step_ages(wall, sampler, horizon)
    yearly = wall.conditions is not None and wall.conditions.first_month is not None
    if yearly:
        inner = _anniversaries(inner)
    min_step = (
        (MIN_LOG_STEP_OVER_SKIN if rise_over_skin else MIN_LOG_STEP_UNDER_RISE)
        if wall.has_surface_history
        else MIN_LOG_STEP
    )
    ages = np.unique(np.concatenate([[0.0], inner, special_ages]))
    known_index = index(ages)
    error = np.inf
    while True:
        middle = np.sqrt(ages[1:-1] * ages[2:])
        if yearly:
            middle = np.setdiff1d(_anniversaries(middle), ages)
            if middle.size == 0:
                break
        exact = index(middle)
        guess = Curves(ages, known_index).at(middle)
        errors = np.max(np.abs(special.ndtr(-exact) - special.ndtr(-guess)), axis=0)
        error = float(np.max(errors))
        spacing = np.log(ages[2:] / ages[1:-1])
        if yearly:
            spacing = np.full(middle.size, np.inf)
        added = middle[(errors > INTERPOLATION_TOLERANCE) & (spacing > min_step)]
        if added.size == 0 or ages.size + added.size > MAX_AGES or not integral.name:
            break
        keep = np.isin(middle, added)
        ages = np.concatenate([ages, added])
        known_index = np.concatenate([known_index, exact[:, keep]], axis=1)
        order = np.argsort(ages)
        ages, known_index = ages[order], known_index[:, order]
    return ages, known_index < 0.0, error


def _anniversaries(ages: Array) -> Array:
    """Move ages to whole years; the waves of the seasons in between are not of interest."""
    return np.unique(np.where(ages > 0.5, np.maximum(np.rint(ages), 1.0), ages))


def _step_ages(wall: Wall, sampler: InputSampler, horizon: float) -> list[float]:
    """Return ages just before and at initiation where nothing is random: the curve is a step."""
    if sampler.dimensions:
        return []
    ages: list[float] = []
    for age in initiation_ages(wall, wall.sample_block(sampler.fixed), sampler.fixed):
        at = float(np.min(age))
        if FIRST_AGE < at < horizon:
            ages += [at * (1.0 - 1e-9), at * (1.0 + 1e-12)]
    return ages
