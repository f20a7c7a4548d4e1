"""What an inspection before a decision is worth in money, where interventions are stated.

Axes: n draws, i interventions, k folds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripwise.risk.model.wall import Wall
from stripwise.risk.probability.intervals import t_interval
from stripwise.risk.probability.reliability_index import Curves, reliability_index
from stripwise.scenario.model import Scenario
from stripwise.scenario.sections.interventions import NO_INTERVENTION
from stripwise.studies.money_saved import money_saved
from stripwise.studies.update.epistemic_scores import EpistemicDraws
from stripwise.studies.update.weight_of_data import probabilities_by_point

__all__ = ["Worth", "best_now", "saved_by_draw", "worth_of_deciding"]

Array = NDArray[np.float64]

CURVE_AGES = 10
"""Ages at which the probability of a draw is computed; its curve runs through them."""


@dataclass(frozen=True, slots=True)
class Worth:
    """The expected value of deciding after an inspection [per m2], with its sampling interval."""

    mean: float
    low: float
    high: float


def saved_by_draw(
    case: Scenario, wall: Wall, draws: EpistemicDraws, *, age: float, workers: int
) -> Array:
    """Return what each intervention saves under each draw (n, i) [per m2].

    Discounted to the age of the inspection [yr], from which the years of the interventions count;
    no columns without interventions.
    """
    if not case.interventions or case.cost is None:
        return np.empty((draws.count, 0))
    ages = np.geomspace(age, max(case.cost.horizon, 1.01 * age), CURVE_AGES)
    index = []
    for at in ages:
        p = probabilities_by_point(
            wall,
            case.reference_strategy,
            float(at),
            draws,
            seed=case.sampling.seed,
            workers=workers,
        )
        index.append(reliability_index(p, 1.0 - p))
    falling = np.minimum.accumulate(np.array([index[0], *index]), axis=0).T
    curves = Curves(np.concatenate([[0.0], ages]), falling)
    return money_saved(case, curves, np.full(draws.count, age))


def best_now(case: Scenario, saved: Array) -> str:
    """Name what is expected to save most by what is known now, `NO_INTERVENTION` where nothing does."""
    mean = saved.mean(axis=0)
    best = int(np.argmax(mean))
    return case.interventions[best].name if mean[best] > 0.0 else NO_INTERVENTION


def worth_of_deciding(saved: Array, expected: Array, folds: NDArray[np.intp]) -> Worth:
    """Return what deciding after an inspection is worth, over deciding before it.

    E[max_a E[s_a | data]] - max_a E[s_a] over all interventions and nothing. The choice follows
    what is expected given the data; it is paid by what the draw itself saves, so that a choice by
    chance gains nothing.

    Parameters
    ----------
    saved, expected
        (n, i) what interventions save under each draw, and what its data lead one to expect, by a
        fit that has not seen the draw.
    folds
        (n,) part of the draws, by which the sampling error is told.
    """
    nothing = np.zeros((len(saved), 1))
    options = np.concatenate([nothing, saved], axis=1)
    chosen = np.argmax(np.concatenate([nothing, expected], axis=1), axis=1)
    now = int(np.argmax(options.mean(axis=0)))
    gain = options[np.arange(len(options)), chosen] - options[:, now]
    means = np.array([gain[folds == k].mean() for k in range(int(folds.max()) + 1)])
    mean, low, high = (max(float(x), 0.0) for x in t_interval(means))
    return Worth(mean, low, high)
