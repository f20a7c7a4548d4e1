"""Faces near the limit, computed directly and decided by the rule of every command."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.risk.model.wall import Plan
from stripwise.risk.probability.confidence import epistemic_probability
from stripwise.risk.probability.nominal_covers import (
    SamplingOptions,
    probability_by_repeat,
    with_nominal_cover,
)
from stripwise.risk.probability.reliability_index import reliability_index
from stripwise.studies.decision import decide, is_decided
from stripwise.studies.from_scenario import MOST_GROWTH, largest_sample
from stripwise.studies.inventory.face_classes import FaceClass

__all__ = ["DirectFaces", "decide_directly"]

Array = NDArray[np.float64]

BATCH = 16
"""Faces that share a sample."""

GROWTH = 4
"""Factor by which the sample grows while a face is open."""


@dataclass(frozen=True, slots=True)
class DirectFaces:
    """P at the target life (e,) and the decision on each face."""

    probability: Array
    meets_target: list[str]


def decide_directly(
    one: FaceClass, plans: list[Plan], cover: Array, sd: Array | None
) -> DirectFaces:
    """Decide on faces of a class, by plan, nominal cover and sd (e,) [mm]."""
    probability, answers = np.empty(cover.size), [""] * cover.size
    for first in range(0, cover.size, BATCH):
        rows = np.arange(first, min(first + BATCH, cover.size))
        _decide(one, plans, cover, sd, rows, probability, answers)
    return DirectFaces(probability, answers)


def _decide(  # noqa: PLR0917
    one: FaceClass,
    plans: list[Plan],
    cover: Array,
    sd: Array | None,
    rows: NDArray[np.intp],
    probability: Array,
    answers: list[str],
) -> None:
    sampling, target = one.case.sampling, one.case.target
    points, repeats = sampling.points, sampling.repeats
    most = max(min(MOST_GROWTH * points, largest_sample(one.wall)), points)
    age = np.array([target.service_life])
    while True:
        distinct = list(dict.fromkeys(plans[k] for k in rows))
        found = probability_by_repeat(
            one.wall.with_plans(tuple(distinct)),
            cover[rows],
            age,
            sample=SamplingOptions(points, repeats, sampling.seed, workers=1),
            sds=None if sd is None else sd[rows],
        )
        own = [distinct.index(plans[k]) for k in rows]
        by_repeat = found[:, own, 0, np.arange(rows.size)]
        mean = by_repeat.mean(axis=0)
        error = np.std(by_repeat, axis=0, ddof=1) / np.sqrt(repeats)
        decided = is_decided(mean, error, allowed=target.probability, repeats=repeats)
        last = points * 2 > most
        for place, row in enumerate(rows):
            probability[row] = mean[place]
            if decided[place] or last:
                answers[row] = _answer(
                    one,
                    plans[row],
                    float(cover[row]),
                    None if sd is None else float(sd[row]),
                    float(mean[place]),
                    float(error[place]),
                )
        rows = rows[~decided]
        if last or rows.size == 0:
            return
        points = min(points * GROWTH, most)


def _answer(  # noqa: PLR0917
    one: FaceClass, plan: Plan, cover: float, sd: float | None, mean: float, error: float
) -> str:
    """Return the answer on one face, a demanded confidence included."""
    sampling, target = one.case.sampling, one.case.target
    demanded = None
    if target.confidence:
        wall = with_nominal_cover(one.wall.with_plans((plan,)), cover, sd)
        epistemic = epistemic_probability(
            wall,
            age=target.service_life,
            mean_index=reliability_index(np.array([mean]), np.array([1.0 - mean])),
            points=sampling.points,
            seed=sampling.seed,
            workers=1,
            demanded=target.confidence,
        )
        if epistemic is not None:
            demanded = special.ndtr(-epistemic.index_at_confidence(target.confidence))[:, 0]
    return decide(
        mean,
        error,
        allowed=target.probability,
        repeats=sampling.repeats,
        demanded=demanded,
    ).meets_target
