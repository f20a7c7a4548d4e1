"""What a measurement is worth: how much doubt about the decision it would take away.

Axes: r repeats, k outer points, s strategies.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.distributions.random_input import Input
from stripwise.distributions.sampling import Draw, sobol_cells, stream
from stripwise.risk.model.service_fronts import ServiceFronts
from stripwise.risk.model.wall import COVER, MEAN_DOUBT, Number, Plan, Wall
from stripwise.risk.probability.curves import interval
from stripwise.risk.probability.integral import Integral, front_depths, least_factors
from stripwise.risk.probability.parallel import run_parallel
from stripwise.risk.sensitivity.quantities_of_interest import correlated_clusters

__all__ = ["WORTH_COLUMNS", "preference", "worth_table"]

Array = NDArray[np.float64]

OUTER_POINTS = 256
INNER_POINTS = 512
OUTER_AT_ONCE = 16
MOST_REPEATS = 8
RAREST = 1e-7
"""A probability nearer than this to 0 or 1 has no doubt that this sample could share out."""
READINGS = 20
"""Independent readings of the cover survey that is weighed beside a perfect one."""

WORTH_COLUMNS = [
    "measurement",
    "group",
    "strategy",
    "age_yr",
    "variance_share",
    "low95",
    "high95",
    "chance_of_another_choice",
    "choice_now",
    "status",
]

TESTS = {
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
    "known about its mean is weighed if the scenario states it as mean_doubt"
)


@dataclass(frozen=True, slots=True)
class _Measurement:
    """What is measured, and which share of the variance of its doubt that takes away."""

    name: str
    group: str
    members: tuple[Input, ...]
    share: float = 1.0


def worth_table(
    wall: Wall,
    *,
    strategy: str,
    age: float,
    allowed: float,
    repeats: int,
    seed: int,
    workers: int = 2,
) -> pd.DataFrame:
    """Tabulate what knowing each doubtful input exactly would do to the decision.

    Doubt is what the inputs of kind knowledge leave open in the probability P at the target life.
    A perfect measurement of one of them takes away Var(E[P | it]) of Var(P) on average. The choice
    is the first strategy, by form time and then by follow-up time, whose P is within the target;
    it is made anew for each value the measurement may show.

    Parameters
    ----------
    wall
        The wall with its strategies.
    strategy
        Strategy whose doubt is shared out.
    age
        Target life [yr].
    allowed
        Probability allowed at the target life.
    repeats
        Independent samples, of what is measured and of all else.
    seed
        Seed of the run.
    workers
        Threads; the results do not depend on it.

    Returns
    -------
    DataFrame of `WORTH_COLUMNS`, the largest share first; inputs of kind scatter have a status that
    says why they have no number. Empty if nothing random is of kind knowledge.

    References
    ----------
    Expected reduction of variance by perfect information is the first Sobol' index: Saltelli et
    al., Global Sensitivity Analysis, The Primer, 2008, section 1.2.13 on factor prioritisation
    (number recalled). Raiffa and Schlaifer, Applied Statistical Decision Theory, 1961, on the
    worth of information before it is bought (recalled).
    """
    random = [i for i in wall.inputs if not i.distribution.is_fixed]
    doubted = [i for i in random if i.kind == "knowledge"]
    if not doubted:
        return pd.DataFrame(columns=WORTH_COLUMNS)
    names = [item.name for item in doubted]
    place = [plan.name for plan in wall.plans].index(strategy)
    order = preference(wall)

    def probabilities(chosen: Sequence[Input], share: float = 1.0) -> Array:
        some = min(repeats, MOST_REPEATS)
        return _given(wall, chosen, share, age=age, repeats=some, seed=seed, workers=workers)

    everything = probabilities(doubted)
    whole = everything[:, :, place].var(axis=1)
    now = _choice(everything.mean(axis=(0, 1)), order, allowed)
    rows: list[dict[str, object]] = []
    for one in _measurements(wall, doubted):
        known = len(one.members) == len(doubted) and one.share == 1.0
        found = everything if known else probabilities(one.members, one.share)
        with np.errstate(divide="ignore", invalid="ignore"):
            share = found[:, :, place].var(axis=1) / whole
        share = np.where(share < 1e-12, 0.0, share)
        # with a probability so close to 0 or 1 only rounding varies from point to point
        told = everything[:, :, place].mean()
        fine = bool(np.isfinite(share).all()) and RAREST <= told <= 1.0 - RAREST
        mean, low, high = (float(x) for x in interval(share)) if fine else (np.nan,) * 3
        # what is left of the mean's sampling error must not look like another choice
        shown = found + (everything.mean(axis=(0, 1)) - found.mean(axis=1, keepdims=True))
        later = [_choice(p, order, allowed) for p in shown.reshape(-1, shown.shape[2])]
        rows.append(
            {
                "measurement": one.name,
                "group": one.group,
                "strategy": strategy,
                "age_yr": age,
                "variance_share": mean,
                "low95": low,
                "high95": high,
                "chance_of_another_choice": float(np.mean([c != now for c in later])),
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
        if item.kind != "knowledge" and not (item.name == COVER and MEAN_DOUBT in names)
    ]
    return pd.DataFrame(rows).reindex(columns=WORTH_COLUMNS)


def preference(wall: Wall) -> list[int]:
    """Order the strategies by form time, then by follow-up time: the cheapest in time first.

    Parameters
    ----------
    wall
        The wall with its strategies.

    Returns
    -------
    Positions of the strategies.
    """

    def effort(i: int) -> tuple[float, float]:
        plan: Plan = wall.plans[i]
        age = plan.strip_age
        hours = wall.input(age).distribution.mean if isinstance(age, str) else age
        return hours, plan.follow_up_h

    return sorted(range(len(wall.plans)), key=effort)


def _choice(p: Array, order: list[int], allowed: float) -> int:
    return next((i for i in order if p[i] <= allowed), -1)


def _measurements(wall: Wall, doubted: list[Input]) -> list[_Measurement]:
    """Each doubtful input (with what is correlated to it), each group of several, and a survey."""
    draw = Draw.of(doubted, wall.correlations)
    clusters = correlated_clusters(draw)
    found = []
    for i, item in enumerate(draw.inputs):
        members = tuple(draw.inputs[j] for j in clusters[i])
        found.append(_Measurement(item.name, item.group, members))
        share = _survey_share(wall)
        if item.name == MEAN_DOUBT and len(members) == 1 and share < 1.0:
            name = f"cover survey, {READINGS} independent readings"
            found.append(_Measurement(name, item.group, members, share))
    for group, test in TESTS.items():
        members = tuple(item for item in draw.inputs if item.group == group)
        if len(members) > 1:
            found.append(_Measurement(f"{test} (all of the group)", group, members))
    return found


def _survey_share(wall: Wall) -> float:
    """Share of the variance of the mean cover that a survey takes away on average.

    A normal mean with a normal doubt of sd tau, read n times with the scatter sigma of the cover,
    keeps the variance 1 / (1 / tau^2 + n / sigma^2): Raiffa and Schlaifer, Applied Statistical
    Decision Theory, 1961, the conjugate normal (recalled).
    """
    scatter = wall.input(COVER).distribution.sd
    doubt = next((i.distribution.sd for i in wall.inputs if i.name == MEAN_DOUBT), 0.0)
    return doubt**2 / (doubt**2 + scatter**2 / READINGS) if doubt else 1.0


def _given(  # noqa: PLR0917
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
    integral, draw = Integral.of(wall, rest)
    outer = Draw.of(chosen, wall.correlations)

    def repeat(r: int) -> Array:
        # outer points of its own, so that the spread of the repeats tells their error too
        rng = stream(seed, stage="worth", index=(0, r))
        known = outer.values(next(iter(sobol_cells(outer.dimensions, OUTER_POINTS, rng))))
        rng = stream(seed, stage="worth", index=(1, r))
        z = next(iter(sobol_cells(draw.dimensions, INNER_POINTS, rng)))
        inner, shift = draw.values(z), integral.shift(draw.correlate(z))
        parts = []
        for first in range(0, OUTER_POINTS, OUTER_AT_ONCE):
            some = slice(first, first + OUTER_AT_ONCE)
            values = {n: np.tile(v, OUTER_AT_ONCE) if np.ndim(v) else v for n, v in inner.items()}
            for name, value in known.items():
                told = np.repeat(np.asarray(value)[some], INNER_POINTS)
                values[name] = (
                    told if whole else np.sqrt(share) * told + np.sqrt(1.0 - share) * values[name]
                )
            shifts = np.tile(shift, OUTER_AT_ONCE) if np.ndim(shift) else shift
            p = _conditional(wall, integral, values, shifts, age=age)
            parts.append(p.reshape(len(p), OUTER_AT_ONCE, INNER_POINTS).mean(axis=2).T)
        return np.concatenate(parts)

    return np.array(list(run_parallel(repeat, repeats, workers=workers)))


def _conditional(
    wall: Wall, integral: Integral, values: dict[str, Number], shift: Number, *, age: float
) -> Array:
    """P of each strategy given every input but the integrated one, (s, n)."""
    face = wall.face(values)
    size = OUTER_AT_ONCE * INNER_POINTS
    if integral.name == COVER:
        rows = [integral.below(depth, shift) for depth in front_depths(wall, face, age)]
    elif wall.conditions is not None:
        rows = [
            integral.below(least, shift, above=True)
            if integral.name
            else np.where(least <= 1.0, 1.0, 0.0)
            for least in ServiceFronts.of(wall, face).least(age, values[COVER])
        ]
    else:
        rows = [
            integral.below(least, shift, above=True)
            if integral.name
            else np.where(least <= 1.0, 1.0, 0.0)
            for least in least_factors(wall, face, values[COVER], np.array([age]))[:, 0]
        ]
    return np.array([np.broadcast_to(row, size) for row in rows])
