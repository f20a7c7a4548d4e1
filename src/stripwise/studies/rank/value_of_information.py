"""What a measurement is worth: how much uncertainty about the decision it would take away.

Axes: r repeats, k outer points, s strategies.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.distributions.random_input import Input
from stripwise.distributions.sampling import InputSampler, random_stream, sobol_blocks
from stripwise.risk.model.service_fronts import ServiceFronts
from stripwise.risk.model.wall import COVER, MEAN_COVER_OFFSET, Number, SampleBlock, Wall
from stripwise.risk.probability.integral import Integral, critical_diffusivity_factors, front_depths
from stripwise.risk.probability.intervals import t_interval
from stripwise.risk.probability.parallel import run_parallel
from stripwise.risk.sensitivity.input_sets import correlated_clusters
from stripwise.studies.rank.choice_rule import ChoiceRule
from stripwise.units.result_columns import columns

__all__ = ["value_of_information_table"]

Array = NDArray[np.float64]

OUTER_POINTS = 256
INNER_POINTS = 512
OUTER_AT_ONCE = 16
MAX_REPEATS = 8
MIN_PROBABILITY = 1e-7
"""Nearer than this to 0 or 1 a probability varies too little for this sample to share out."""
SURVEY_READINGS = 20
"""Independent readings of the cover survey that is compared with a perfect one."""

TEST_NAMES = {
    "curing": "curing test on the face",
    "concrete": "test of the concrete",
    "exposure": "chlorides and climate on site",
    "steel": "test of the critical content",
    "cover": "cover survey",
}
SCATTER = (
    "undefined: scatter along the wall, which a measurement describes but does not shrink; what is "
    'not known about it is weighed if the scenario states it with kind = "knowledge"'
)
SCATTER_OF_COVER = (
    "undefined: scatter along the wall, which a survey describes but does not shrink; what is not "
    "known about its mean is weighed if the scenario states it as mean_sd"
)


@dataclass(frozen=True, slots=True)
class _Measurement:
    """What is measured, and which share of the variance of its inputs that takes away."""

    name: str
    group: str
    members: tuple[Input, ...]
    share: float = 1.0


def value_of_information_table(
    wall: Wall,
    *,
    strategy: str,
    rule: ChoiceRule,
    repeats: int,
    seed: int,
    workers: int = 2,
) -> pd.DataFrame:
    """Tabulate what knowing each knowledge input exactly would do to the decision.

    The knowledge inputs leave the probability P at the target life uncertain. A perfect measurement
    of one of them takes away Var(E[P | it]) of Var(P) on average. The choice, by `rule`, is made
    anew for each value the measurement may show.

    Parameters
    ----------
    wall
        The wall with its strategies.
    strategy
        Strategy whose variance is shared out.
    rule
        How a strategy is chosen, and the target life.
    repeats
        Independent samples, of what is measured and of all else.
    seed
        Seed of the run.
    workers
        Threads; the results do not depend on it.

    Returns
    -------
    DataFrame of the columns of `worth`, the largest share first; inputs of kind scatter
    have a status that says why they have no number. Empty if nothing random is of kind knowledge,
    and beside joint draws, which do not come apart into single measurements.

    References
    ----------
    Expected reduction of variance by perfect information is the first Sobol' index: Saltelli et
    al., Global Sensitivity Analysis, The Primer, 2008, section 1.2.13 on factor prioritisation
    (number recalled). Raiffa and Schlaifer, Applied Statistical Decision Theory, 1961, on the
    worth of information before it is bought (recalled).
    """
    random = [i for i in wall.inputs if not i.distribution.is_fixed]
    epistemic = [i for i in random if i.kind == "knowledge"]
    if not epistemic or wall.draws is not None:
        return pd.DataFrame(columns=columns("worth"))
    names = [item.name for item in epistemic]
    place = [plan.name for plan in wall.plans].index(strategy)
    age = rule.age

    def probabilities(chosen: Sequence[Input], share: float = 1.0) -> Array:
        repeat_count = min(repeats, MAX_REPEATS)
        return _conditional_by_repeat(
            wall, chosen, share, age=age, repeats=repeat_count, seed=seed, workers=workers
        )

    everything = probabilities(epistemic)
    whole = everything[:, :, place].var(axis=1)
    now = rule.now
    rows: list[dict[str, object]] = []
    for one in _measurements(wall, epistemic):
        known = len(one.members) == len(epistemic) and one.share == 1.0
        found = everything if known else probabilities(one.members, one.share)
        with np.errstate(divide="ignore", invalid="ignore"):
            share = found[:, :, place].var(axis=1) / whole
        share = np.where(share < 1e-12, 0.0, share)
        # with a probability so close to 0 or 1 only rounding varies from point to point
        mean_probability = everything[:, :, place].mean()
        fine = (
            bool(np.isfinite(share).all())
            and MIN_PROBABILITY <= mean_probability <= 1.0 - MIN_PROBABILITY
        )
        mean, low, high = (float(x) for x in t_interval(share)) if fine else (np.nan,) * 3
        later = rule.later(wall, one.members, one.share, found, seed=seed)
        rows.append(
            {
                "measurement": one.name,
                "group": one.group,
                "strategy": strategy,
                "age_yr": age,
                "variance_share": mean,
                "low95": low,
                "high95": high,
                "chance_of_another_choice": float(np.mean(later != now)),
                "choice_now": "none meets the target" if now < 0 else wall.plans[now].name,
                "status": "ok" if fine else "undefined: the probability is too close to 0 or 1",
            }
        )
    rows.sort(key=lambda row: -np.nan_to_num(float(str(row["variance_share"])), nan=-1.0))
    rows += [
        {
            "measurement": item.name,
            "group": item.group,
            "strategy": strategy,
            "age_yr": age,
            "status": SCATTER_OF_COVER if item.name == COVER else SCATTER,
        }
        for item in random
        if item.kind != "knowledge" and not (item.name == COVER and MEAN_COVER_OFFSET in names)
    ]
    return pd.DataFrame(rows).reindex(columns=columns("worth"))


def _measurements(wall: Wall, epistemic: list[Input]) -> list[_Measurement]:
    """Each knowledge input (with what is correlated to it), each group of several, and a survey."""
    sampler = InputSampler.from_inputs(epistemic, wall.correlations)
    clusters = correlated_clusters(sampler)
    found = []
    for i, item in enumerate(sampler.inputs):
        members = tuple(sampler.inputs[j] for j in clusters[i])
        found.append(_Measurement(item.name, item.group, members))
        share = _survey_share(wall)
        if item.name == MEAN_COVER_OFFSET and len(members) == 1 and share < 1.0:
            name = f"cover survey, {SURVEY_READINGS} independent readings"
            found.append(_Measurement(name, item.group, members, share))
    for group, test in TEST_NAMES.items():
        members = tuple(item for item in sampler.inputs if item.group == group)
        if len(members) > 1:
            found.append(_Measurement(f"{test} (all of the group)", group, members))
    return found


def _survey_share(wall: Wall) -> float:
    """Share of the variance of the mean cover that a survey takes away on average.

    A normal mean with a normal prior of sd tau, read n times with the scatter sigma of the cover,
    keeps the variance 1 / (1 / tau^2 + n / sigma^2): Raiffa and Schlaifer, Applied Statistical
    Decision Theory, 1961, the conjugate normal (recalled).
    """
    scatter = wall.input(COVER).distribution.sd
    sd_of_mean = next((i.distribution.sd for i in wall.inputs if i.name == MEAN_COVER_OFFSET), 0.0)
    return sd_of_mean**2 / (sd_of_mean**2 + scatter**2 / SURVEY_READINGS) if sd_of_mean else 1.0


def _conditional_by_repeat(  # noqa: PLR0917
    wall: Wall,
    chosen: Sequence[Input],
    share: float,
    age: float,
    repeats: int,
    seed: int,
    workers: int,
) -> Array:
    """P of each strategy given the chosen inputs, all others integrated, (r, k, s).

    Of a normal input about 0 that is known to a share only, the sum of a known and of an unknown
    part is drawn, whose variances have that share and the rest.
    """
    names = {item.name for item in chosen}
    whole = share == 1.0
    rest = [item for item in wall.inputs if not (whole and item.name in names)]
    integral, sampler = Integral.from_wall(wall, rest)
    outer = InputSampler.from_inputs(chosen, wall.correlations)

    def repeat(r: int) -> Array:
        # outer points of its own, so that the spread of the repeats includes their error
        rng = random_stream(seed, stage="value of information", index=(0, r))
        known = outer.values(next(iter(sobol_blocks(outer.dimensions, OUTER_POINTS, rng))))
        rng = random_stream(seed, stage="value of information", index=(1, r))
        z = next(iter(sobol_blocks(sampler.dimensions, INNER_POINTS, rng)))
        inner, shift = sampler.values(z), integral.conditional_mean(sampler.correlate(z))
        parts: list[Array] = []
        block: SampleBlock | None = None
        for first in range(0, OUTER_POINTS, OUTER_AT_ONCE):
            batch = slice(first, first + OUTER_AT_ONCE)
            values = {n: np.tile(v, OUTER_AT_ONCE) if np.ndim(v) else v for n, v in inner.items()}
            for name, value in known.items():
                measured = np.repeat(np.asarray(value)[batch], INNER_POINTS)
                values[name] = (
                    measured
                    if whole
                    else np.sqrt(share) * measured + np.sqrt(1.0 - share) * values[name]
                )
            shifts = np.tile(shift, OUTER_AT_ONCE) if np.ndim(shift) else shift
            # only what was measured changes from one batch to the next
            block = (
                wall.sample_block(values)
                if block is None
                else wall.changed_block(block, values, names)
            )
            p = _conditional_probability(wall, block, integral, values, shifts, age=age)
            parts.append(p.reshape(len(p), OUTER_AT_ONCE, INNER_POINTS).mean(axis=2).T)
        return np.concatenate(parts)

    return np.array(list(run_parallel(repeat, repeats, workers=workers)))


def _conditional_probability(
    wall: Wall,
    block: SampleBlock,
    integral: Integral,
    values: dict[str, Number],
    shift: Number,
    *,
    age: float,
) -> Array:
    """P of each strategy given every input but the integrated one, (s, n)."""
    size = OUTER_AT_ONCE * INNER_POINTS
    if integral.name == COVER:
        rows = [
            integral.probability_below(depth, shift) for depth in front_depths(wall, block, age)
        ]
    elif wall.conditions is not None:
        rows = [
            integral.probability_below(least, shift, above=True)
            if integral.name
            else np.where(least <= 1.0, 1.0, 0.0)
            for least in ServiceFronts.from_block(wall, block).critical_diffusivity_factors(
                age, values[COVER]
            )
        ]
    else:
        rows = [
            integral.probability_below(least, shift, above=True)
            if integral.name
            else np.where(least <= 1.0, 1.0, 0.0)
            for least in critical_diffusivity_factors(wall, block, values[COVER], np.array([age]))[
                :, 0
            ]
        ]
    return np.array([np.broadcast_to(row, size) for row in rows])
