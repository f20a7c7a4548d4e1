"""The sampled points of a wall themselves: every input, the penalty, the front, the age at depassivation."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.distributions.sampling import InputSampler, random_stream, sobol_blocks
from stripwise.errors import InputError
from stripwise.risk.model.wall import Wall
from stripwise.risk.probability.integral import front_depths, initiation_ages
from stripwise.scenario.model import Scenario
from stripwise.studies.from_scenario import build_wall
from stripwise.units.formatting import number

__all__ = ["samples"]

Array = NDArray[np.float64]

MOST_SAMPLES = 2**22


def samples(
    case: Scenario,
    strategy: str | None = None,
    *,
    n: int = 4096,
    ages: Sequence[float] = (),
    seed: int | None = None,
) -> pd.DataFrame:
    """Draw points of a wall under one strategy, with everything that is computed of each.

    Parameters
    ----------
    case
        The scenario.
    strategy
        Name of a strategy; the reference strategy unless given.
    n
        Points, a power of two: one scrambling of Sobol' points.
    ages
        Ages since first exposure at which the depth of the front is given [yr].
    seed
        Seed; the scenario's unless given.

    Returns
    -------
    A row per point. Columns: every random input by its key, in internal units (mm, mm2/yr, K, h, %
    by mass of binder); `KEY.wall_score` and `KEY.point_score`, the standard normal scores between
    and along walls of an input that has both; penalty (k_c); front_mm_at_AGE; initiation_yr, the
    age at depassivation, 0 from the start and inf never.

    Raises
    ------
    InputError
        If there is no such strategy, or n is no power of two up to 4,194,304.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/garage-wall.toml")
    >>> table = stripwise.samples(case, "Forms 24 h", n=256, ages=[10, 50])
    >>> bool((table["front_mm_at_50"] >= table["front_mm_at_10"]).all())
    True
    """
    if n < 1 or n > MOST_SAMPLES or n & (n - 1):
        raise InputError("n", f"= {n} must be a power of two, at most {MOST_SAMPLES:,}")
    wall = build_wall(case)
    name = case.reference_strategy if strategy is None else strategy
    plans = [plan for plan in wall.plans if plan.name == name]
    if not plans:
        shown = ", ".join(plan.name for plan in wall.plans)
        raise InputError("strategy", f"= {name!r} is no strategy of the scenario; it has {shown}")
    wall = wall.with_plans((plans[0],))
    rng = random_stream(case.sampling.seed if seed is None else seed, stage="samples")
    values, columns = _draw_inputs(wall, n, rng)
    block = wall.sample_block(values)
    columns["penalty"] = np.broadcast_to(np.exp(block.log_penalty[0]), n)
    for age in ages:
        columns[f"front_mm_at_{number(age)}"] = np.broadcast_to(
            front_depths(wall, block, age)[0], n
        )
    columns["initiation_yr"] = np.broadcast_to(initiation_ages(wall, block, values)[0], n)
    return pd.DataFrame(columns)


def _draw_inputs(
    wall: Wall, n: int, rng: np.random.Generator
) -> tuple[dict[str, Array | float], dict[str, Array]]:
    """Return the values of all inputs, and a column for each random one and its two scores."""
    sampler = InputSampler.from_inputs(wall.inputs, wall.correlations)
    d, draws = sampler.dimensions, wall.draws and wall.draws.part()
    extra = 0 if draws is None else 1
    z = np.concatenate(list(sobol_blocks(2 * d + extra, n, rng)), axis=1)
    between, within = sampler.correlate(z[:d]), sampler.correlate(z[d : 2 * d])
    picked = {} if draws is None else dict(zip(draws.names, draws.pick(z[-1]), strict=True))
    values: dict[str, Array | float] = dict(sampler.fixed)
    columns: dict[str, Array] = {}
    for k, item in enumerate(sampler.inputs):
        share = item.epistemic_share
        if draws is not None and draws.holds(item.name):
            columns[item.name] = values[item.name] = picked[item.name]
            continue
        shared = picked.get(item.name, between[k])
        score = np.sqrt(share) * shared + np.sqrt(1.0 - share) * within[k]
        columns[item.name] = np.asarray(item.distribution.from_normal(score))
        values[item.name] = columns[item.name]
        if 0.0 < share < 1.0:
            columns[f"{item.name}.wall_score"] = shared
            columns[f"{item.name}.point_score"] = within[k]
    return values, columns
