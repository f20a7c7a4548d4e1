"""When the cover first cracks: how much radius a bar may lose after depassivation, and when it has.

The age at depassivation is sampled, cover included, and the corrosion rate is integrated exactly:
P(cracked by t) = E[1 - F_rate(x0 / (share of time wet (t - t_i)))].
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stripwise.distributions.sampling import random_stream, sobol_blocks
from stripwise.published import constant
from stripwise.risk.model.wall import COVER, Number, Values, Wall
from stripwise.risk.probability.integral import Integral, log_initiation_ages
from stripwise.risk.probability.nested_sampling import MAP_OUTER_POINTS, NestedSample
from stripwise.risk.probability.parallel import run_parallel

__all__ = [
    "CORROSION_RATE",
    "CrackingCurves",
    "crack_probability_by_sample",
    "cracking_curves",
    "first_crack_loss",
]

Array = NDArray[np.float64]

CORROSION_RATE = "cracking.corrosion_rate"
POINTS = 4096
INNER_POINTS = 1024


@dataclass(frozen=True, slots=True)
class CrackingCurves:
    """Probability that the face is cracked at one point.

    Attributes
    ----------
    ages
        (t,) ages since first exposure [yr].
    repeats
        (r, s, t) one probability per repeat.
    epistemic
        (k, s, t) one per epistemic point; None without epistemic inputs.
    points
        Points that a repeat is the mean over.
    """

    ages: Array
    repeats: Array
    epistemic: Array | None
    points: int


def first_crack_loss(
    cover: ArrayLike, *, bar_diameter: ArrayLike, tensile_strength: ArrayLike
) -> Array:
    """Loss of radius at which corrosion first cracks the cover.

    Parameters
    ----------
    cover
        Cover c, broadcasts with the others [mm].
    bar_diameter
        Bar diameter d [mm].
    tensile_strength
        Tensile splitting strength of the concrete [MPa].

    Returns
    -------
    x0 = 74.4 + 7.3 c/d - 17.4 f_t, at least 0 [um].

    References
    ----------
    DuraCrete, BE95-1347, 2000 (recalled); Alonso et al., Mater. Struct. 31, 1998, saw the first
    crack at 15 to 50 um.

    Examples
    --------
    >>> round(float(first_crack_loss(40.0, bar_diameter=16.0, tensile_strength=3.0)), 2)
    40.45
    """
    key = "duracrete.first_crack"
    loss = (
        constant(f"{key}.constant")
        + constant(f"{key}.cover_over_bar") * np.asarray(cover) / np.asarray(bar_diameter)
        + constant(f"{key}.tensile_strength") * np.asarray(tensile_strength)
    )
    return np.asarray(np.maximum(loss, 0.0))


def cracking_curves(
    wall: Wall, ages: ArrayLike, *, repeats: int, seed: int, points: int = POINTS, workers: int = 2
) -> CrackingCurves:
    """Compute the probability of a first crack at ages (t,) [yr] from the ``cracking.*`` inputs."""
    times = np.asarray(ages, dtype=float)
    integrated = "" if wall.input(CORROSION_RATE).distribution.is_fixed else CORROSION_RATE
    integral, sampler = Integral.over(integrated, wall.inputs, wall.correlations, wall.draws)

    def repeat(r: int) -> Array:
        rng = random_stream(seed, stage="cracking", index=(0, r))
        own = sampler.for_repeat(r, repeats, wall.draws)
        blocks = [
            _cracking_probability(
                wall,
                integral,
                own.values(z),
                integral.conditional_mean(own.correlate(z)),
                times,
            )
            for z in sobol_blocks(sampler.dimensions, points, rng)
        ]
        return np.asarray(np.mean(blocks, axis=0))

    by_repeat = np.array(list(run_parallel(repeat, repeats, workers=workers)))
    nested = NestedSample.from_wall(
        wall,
        points=INNER_POINTS,
        seed=seed,
        stage="cracking",
        outer_points=MAP_OUTER_POINTS,
        inner_points=INNER_POINTS,
        replicate=1000,
        integrated=integrated,
    )
    if nested is None:
        return CrackingCurves(times, by_repeat, None, points)
    sample = nested

    def outer(k: int) -> Array:
        return _cracking_probability(
            wall, sample.integral, sample.values(k), sample.score_mean_at(k), times
        )

    epistemic = np.array(list(run_parallel(outer, sample.count, workers=workers)))
    return CrackingCurves(times, by_repeat, epistemic, points)


def crack_probability_by_sample(
    wall: Wall, integral: Integral, values: Values, score_mean: Number, age: float
) -> Array:
    """Return the probability of a crack by an age [yr] at every sample of a wall with one strategy."""
    with np.errstate(over="ignore"):
        start = np.exp(log_initiation_ages(wall, wall.sample_block(values), values))[0]
    return _crack_by_sample(integral, values, score_mean, start, age)


def _crack_by_sample(
    integral: Integral, values: Values, score_mean: Number, start: Array, age: float
) -> Array:
    wet, loss = _wet_time_and_loss(values, start, age)
    if not integral.name:
        return np.asarray(_is_cracked(values, wet, loss), dtype=float)
    return integral.probability_below(_critical_rate(wet, loss), score_mean, above=True)


def _wet_time_and_loss(values: Values, start: Array, age: float) -> tuple[Array, Array]:
    """Return the wet time since depassivation [yr] and the loss that cracks the cover [um]."""
    loss = first_crack_loss(
        values[COVER],
        bar_diameter=values["cracking.bar_diameter"],
        tensile_strength=values["cracking.tensile_strength"],
    )
    return np.asarray(np.maximum(age - start, 0.0) * values["cracking.wet_share"]), loss


def _critical_rate(wet: Array, loss: Array) -> Array:
    """Return the corrosion rate that cracks the cover in a wet time [um/yr]."""
    with np.errstate(divide="ignore"):
        return np.where(wet > 0.0, loss / wet, np.inf)


def _is_cracked(values: Values, wet: Array, loss: Array) -> Array:
    return np.asarray((wet > 0.0) & (wet * values[CORROSION_RATE] >= loss))


def _cracking_probability(
    wall: Wall, integral: Integral, values: Values, score_mean: Number, times: Array
) -> Array:
    """Return the mean probability of a crack over one block, (s, t)."""
    with np.errstate(over="ignore"):
        starts = np.exp(log_initiation_ages(wall, wall.sample_block(values), values))
    means = np.zeros((len(starts), times.size))
    for i, start in enumerate(starts):
        for j, age in enumerate(times):
            wet, loss = _wet_time_and_loss(values, start, age)
            means[i, j] = (
                float(
                    np.mean(
                        integral.mean_probability_below(
                            _critical_rate(wet, loss), score_mean, above=True
                        )
                    )
                )
                if integral.name
                else np.mean(_is_cracked(values, wet, loss))
            )
    return means
