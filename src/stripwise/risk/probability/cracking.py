"""When the cover first cracks: how much radius a bar may lose after depassivation, and when it has.

The age at depassivation is sampled, cover included, and the corrosion rate is integrated exactly:
P(cracked by t) = E[1 - F_rate(x0 / (share of time wet (t - t_i)))].
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stripwise.distributions.cumulative_table import CumulativeTable
from stripwise.distributions.distribution import Distribution
from stripwise.distributions.random_input import Input
from stripwise.distributions.sampling import InputSampler, random_stream, sobol_blocks
from stripwise.published import constant
from stripwise.risk.model.wall import COVER, Number, Values, Wall
from stripwise.risk.probability.integral import log_initiation_ages
from stripwise.risk.probability.nested_sampling import MAP_OUTER_POINTS
from stripwise.risk.probability.parallel import run_parallel

__all__ = ["CORROSION_RATE", "CrackingCurves", "cracking_curves", "first_crack_loss"]

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
    """

    ages: Array
    repeats: Array
    epistemic: Array | None


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
    rate = wall.input(CORROSION_RATE)
    correlated = any(CORROSION_RATE in (pair.first, pair.second) for pair in wall.correlations)
    integrate = not (rate.distribution.is_fixed or correlated)
    law = rate.distribution if integrate else None
    rest = tuple(i for i in wall.inputs if not (integrate and i.name == CORROSION_RATE))
    sampler = InputSampler.from_inputs(rest, wall.correlations)

    def repeat(r: int) -> Array:
        rng = random_stream(seed, stage="cracking", index=(0, r))
        blocks = [
            _cracking_probability(wall, sampler.values(z), times, law)
            for z in sobol_blocks(sampler.dimensions, points, rng)
        ]
        return np.asarray(np.mean(blocks, axis=0))

    by_repeat = np.array(list(run_parallel(repeat, repeats, workers=workers)))
    epistemic_inputs = tuple(
        i for i in rest if i.kind == "knowledge" and not i.distribution.is_fixed
    )
    known = None
    if epistemic_inputs or (integrate and rate.kind == "knowledge"):
        known = _by_epistemic_point(wall, times, epistemic_inputs, seed=seed, workers=workers)
    return CrackingCurves(times, by_repeat, known)


def _by_epistemic_point(
    wall: Wall, times: Array, epistemic_inputs: tuple[Input, ...], *, seed: int, workers: int
) -> Array:
    rate = wall.input(CORROSION_RATE)
    outer_inputs = epistemic_inputs
    integrate = rate.kind != "knowledge" and not rate.distribution.is_fixed
    correlated = any(CORROSION_RATE in (pair.first, pair.second) for pair in wall.correlations)
    integrate = integrate and not correlated
    if rate.kind == "knowledge" and rate not in epistemic_inputs:
        outer_inputs = (*epistemic_inputs, rate)
    inner_inputs = tuple(
        i
        for i in wall.inputs
        if i not in outer_inputs and not (integrate and i.name == CORROSION_RATE)
    )
    inner = InputSampler.from_inputs(inner_inputs, wall.correlations)
    outer = InputSampler.from_inputs(outer_inputs, wall.correlations)
    rng = random_stream(seed, stage="cracking", index=(1, 0))
    aleatory_values = inner.values(next(iter(sobol_blocks(inner.dimensions, INNER_POINTS, rng))))
    rng = random_stream(seed, stage="cracking", index=(1, 1))
    known = outer.values(next(iter(sobol_blocks(outer.dimensions, MAP_OUTER_POINTS, rng))))
    law = rate.distribution if integrate else None

    def one(k: int) -> Array:
        fixed = {name: float(np.asarray(v)[k]) for name, v in known.items()}
        return _cracking_probability(wall, {**aleatory_values, **fixed}, times, law)

    return np.array(list(run_parallel(one, MAP_OUTER_POINTS, workers=workers)))


def _cracking_probability(
    wall: Wall, values: Values, times: Array, law: Distribution | None
) -> Array:
    """Return the mean probability of a crack over one block, (s, t)."""
    with np.errstate(over="ignore"):
        starts = np.exp(log_initiation_ages(wall, wall.sample_block(values), values))
    loss = first_crack_loss(
        values[COVER],
        bar_diameter=values["cracking.bar_diameter"],
        tensile_strength=values["cracking.tensile_strength"],
    )
    share: Number = values["cracking.wet_share"]
    table = None if law is None else _survival_table(law)
    means = np.zeros((len(starts), times.size))
    for i, start in enumerate(starts):
        for j, age in enumerate(times):
            wet = np.maximum(age - start, 0.0) * share
            if law is None:
                means[i, j] = np.mean(
                    wet * values[CORROSION_RATE] >= np.where(wet > 0.0, loss, np.inf)
                )
                continue
            with np.errstate(divide="ignore"):
                critical_rate = np.where(wet > 0.0, loss / wet, np.inf)
            means[i, j] = (
                np.mean(law.sf(critical_rate)) if table is None else table.mean(critical_rate)
            )
    return means


@functools.lru_cache(maxsize=8)
def _survival_table(law: Distribution) -> CumulativeTable | None:
    return CumulativeTable.build(law, upper_tail=True)
