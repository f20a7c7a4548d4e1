"""From depassivation to the first crack: how much radius a bar may lose, and when it has.

The age at depassivation is sampled, cover included, and the corrosion rate is integrated exactly:
P(cracked by t) = E[1 - F_rate(x0 / (share of time wet (t - t_i)))].
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stripwise.distributions.cumulative import CumulativeTable
from stripwise.distributions.distribution import Distribution
from stripwise.distributions.random_input import Input
from stripwise.distributions.sampling import Draw, sobol_cells, stream
from stripwise.published import constant
from stripwise.risk.model.wall import COVER, Number, Values, Wall
from stripwise.risk.probability.integral import log_initiation_ages
from stripwise.risk.probability.nested import KNOWLEDGE_POINTS
from stripwise.risk.probability.parallel import run_parallel

__all__ = ["RATE", "CrackingCurves", "cracking_curves", "first_crack_loss"]

Array = NDArray[np.float64]

RATE = "cracking.corrosion_rate"
POINTS = 4096
KNOWLEDGE_SCATTER = 1024


@dataclass(frozen=True, slots=True)
class CrackingCurves:
    """Probability that the face is cracked at the point looked at.

    Attributes
    ----------
    ages
        (t,) ages since first exposure [yr].
    repeats
        (r, s, t) one probability per repeat.
    knowledge
        (k, s, t) one per point of the knowledge inputs; None without such inputs.
    """

    ages: Array
    repeats: Array
    knowledge: Array | None


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
    """Compute the probability of a first crack at given ages.

    Parameters
    ----------
    wall
        The wall, with the inputs named ``cracking.*``.
    ages
        (t,) ages since first exposure [yr].
    repeats
        Independent scramblings r.
    seed
        Seed of the run.
    points
        Sobol' points per repeat, a power of two.
    workers
        Threads; the results do not depend on it.

    Returns
    -------
    The `CrackingCurves`.
    """
    when = np.asarray(ages, dtype=float)
    rate = wall.input(RATE)
    linked = any(RATE in (pair.first, pair.second) for pair in wall.correlations)
    integrate = not (rate.distribution.is_fixed or linked)
    law = rate.distribution if integrate else None
    rest = tuple(i for i in wall.inputs if not (integrate and i.name == RATE))
    draw = Draw.of(rest, wall.correlations)

    def repeat(r: int) -> Array:
        rng = stream(seed, stage="cracking", index=(0, r))
        cells = [
            _cracked(wall, draw.values(z), when, law)
            for z in sobol_cells(draw.dimensions, points, rng)
        ]
        return np.asarray(np.mean(cells, axis=0))

    by_repeat = np.array(list(run_parallel(repeat, repeats, workers=workers)))
    doubted = tuple(i for i in rest if i.kind == "knowledge" and not i.distribution.is_fixed)
    known = None
    if doubted or (integrate and rate.kind == "knowledge"):
        known = _by_knowledge(wall, when, doubted, seed=seed, workers=workers)
    return CrackingCurves(when, by_repeat, known)


def _by_knowledge(
    wall: Wall, when: Array, doubted: tuple[Input, ...], *, seed: int, workers: int
) -> Array:
    rate = wall.input(RATE)
    outer_inputs = doubted
    integrate = rate.kind != "knowledge" and not rate.distribution.is_fixed
    linked = any(RATE in (pair.first, pair.second) for pair in wall.correlations)
    integrate = integrate and not linked
    if rate.kind == "knowledge" and rate not in doubted:
        outer_inputs = (*doubted, rate)
    inner_inputs = tuple(
        i for i in wall.inputs if i not in outer_inputs and not (integrate and i.name == RATE)
    )
    inner = Draw.of(inner_inputs, wall.correlations)
    outer = Draw.of(outer_inputs, wall.correlations)
    rng = stream(seed, stage="cracking", index=(1, 0))
    scatter = inner.values(next(iter(sobol_cells(inner.dimensions, KNOWLEDGE_SCATTER, rng))))
    rng = stream(seed, stage="cracking", index=(1, 1))
    known = outer.values(next(iter(sobol_cells(outer.dimensions, KNOWLEDGE_POINTS, rng))))
    law = rate.distribution if integrate else None

    def one(k: int) -> Array:
        fixed = {name: float(np.asarray(v)[k]) for name, v in known.items()}
        return _cracked(wall, {**scatter, **fixed}, when, law)

    return np.array(list(run_parallel(one, KNOWLEDGE_POINTS, workers=workers)))


def _cracked(wall: Wall, values: Values, when: Array, law: Distribution | None) -> Array:
    """Mean probability of a crack over one cell, (s, t)."""
    with np.errstate(over="ignore"):
        starts = np.exp(log_initiation_ages(wall, wall.face(values), values))
    loss = first_crack_loss(
        values[COVER],
        bar_diameter=values["cracking.bar_diameter"],
        tensile_strength=values["cracking.tensile_strength"],
    )
    share: Number = values["cracking.wet_share"]
    table = None if law is None else _table(law)
    means = np.zeros((len(starts), when.size))
    for i, start in enumerate(starts):
        for j, age in enumerate(when):
            wet = np.maximum(age - start, 0.0) * share
            if law is None:
                means[i, j] = np.mean(wet * values[RATE] >= np.where(wet > 0.0, loss, np.inf))
                continue
            with np.errstate(divide="ignore"):
                need = np.where(wet > 0.0, loss / wet, np.inf)
            means[i, j] = np.mean(law.sf(need)) if table is None else table.mean(need)
    return means


@functools.lru_cache(maxsize=8)
def _table(law: Distribution) -> CumulativeTable | None:
    return CumulativeTable.build(law, above=True)
