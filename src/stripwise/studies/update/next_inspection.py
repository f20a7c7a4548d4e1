"""What the next inspection may be expected to tell, by kind and amount, in a stated year.

The data of each design are simulated for draws of the posterior at hand, and the reliability index
of a draw is regressed on a summary of its data: what the regression leaves is what the inspection
would leave open.

Axes: n draws, f summaries, k folds.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from stripwise.distributions.sampling import random_stream
from stripwise.risk.model.wall import COVER, MEAN_COVER_OFFSET, Wall
from stripwise.risk.probability.intervals import RANGE_ENDS, point_quantile, t_interval
from stripwise.risk.probability.reliability_index import INFINITE_INDEX, reliability_index
from stripwise.scenario.model import Scenario
from stripwise.studies.update.epistemic_scores import EpistemicDraws, ScatterInputs
from stripwise.studies.update.evidence_of_sets import core_reasons, points_on_face
from stripwise.studies.update.expected_readings import CoreModel, model_inputs
from stripwise.studies.update.point_likelihood import PointProbability
from stripwise.studies.update.weight_of_data import probabilities_by_point
from stripwise.studies.update.worth_of_inspection import (
    best_now,
    saved_by_draw,
    worth_of_deciding,
)
from stripwise.units.result_columns import columns

__all__ = ["ASSUMED", "next_inspections"]

Array = NDArray[np.float64]

DRAWS, FOLDS = 4096, 8
"""Draws that data are simulated for, and parts that a regression leaves out in turn."""
RIDGE = 1e-3
"""Share of the variance of a summary that is added to keep a regression sound."""

CORE_COUNTS = (3, 6, 12)
LAYERS_MM = np.arange(0.0, 45.0, 5.0)
CORE_ERROR, COVER_READINGS, COVER_ERROR_MM = 0.05, 40, 2.0
DETECTION, FALSE_ALARM, SURVEY_POINTS = 0.85, 0.05, 20.0
"""What is assumed of the next inspection: an assumption, told on the page."""
LEAST_CONTENT = 0.01
"""Content that the logarithm of a reading falls no further than [% by mass of binder]."""
GRID_M, MOST_POINTS = 0.5, 400
"""Spacing of the points of a survey [m], and most points."""

ASSUMED: Mapping[str, float] = {
    "layers": float(len(LAYERS_MM) - 1),
    "deepest": float(LAYERS_MM[-1]),
    "core_error": CORE_ERROR,
    "readings": float(COVER_READINGS),
    "cover_error": COVER_ERROR_MM,
    "detection": DETECTION,
    "false_alarm": FALSE_ALARM,
}


@dataclass(frozen=True, slots=True)
class _Design:
    """An inspection, and how a summary (f, n) of its data is simulated for draws."""

    name: str
    simulate: Callable[[EpistemicDraws, np.random.Generator], Array]


def next_inspections(
    case: Scenario,
    wall: Wall,
    draws: EpistemicDraws,
    *,
    age: float,
    workers: int,
) -> pd.DataFrame:
    """Tabulate what each design would tell of the reference strategy, as `next_inspections`.

    `draws` are those of the posterior at hand, `age` [yr] that of the wall at the inspection.
    """
    seed, target = case.sampling.seed, case.target
    rng = random_stream(seed, stage="update", index=(0, 5000))
    chosen = draws.rows(rng.permutation(draws.count)[:DRAWS])
    p = probabilities_by_point(
        wall,
        case.reference_strategy,
        target.service_life,
        chosen,
        seed=seed,
        workers=workers,
    )
    index = np.clip(reliability_index(p, 1.0 - p), -INFINITE_INDEX, INFINITE_INDEX)
    saved = saved_by_draw(case, wall, chosen, age=age, workers=workers)
    folds = np.arange(len(index)) % FOLDS
    now = float(np.subtract(*point_quantile(p, RANGE_ENDS)[::-1]))
    fails = float(p.mean()) > target.probability
    rows = []
    for design in _designs(case, wall, age):
        summary = design.simulate(chosen, rng)
        found = _cross_fitted(summary, index)
        left = index - found
        spread = np.array([float(np.std(left[folds == k])) for k in range(FOLDS)])
        sd = float(np.sqrt(np.mean(spread**2)))
        widths = _width(found, sd)
        narrowing = 1.0 - np.array([widths[folds == k].mean() for k in range(FOLDS)]) / now
        predictive = special.ndtr(-found / np.sqrt(1.0 + sd * sd))
        other = (predictive > target.probability) != fails
        turned = np.array([other[folds == k].mean() for k in range(FOLDS)])
        mean, low, high = (float(x) for x in t_interval(narrowing))
        chance, least, most = (float(x) for x in t_interval(turned))
        rows.append(
            {
                "design": design.name,
                "age_yr": age,
                "range_now": now,
                "range_expected": float(widths.mean()),
                "narrowing": max(mean, 0.0),
                "narrowing_low95": max(low, 0.0),
                "narrowing_high95": max(high, 0.0),
                "chance_of_another_verdict": chance,
                "chance_low95": max(least, 0.0),
                "chance_high95": min(most, 1.0),
                **_money(case, saved, summary, folds),
            }
        )
    table = pd.DataFrame(rows)
    return table[[name for name in columns("next_inspections") if name in table]]


def _money(case: Scenario, saved: Array, summary: Array, folds: NDArray[np.intp]) -> dict[str, Any]:
    """Return what deciding on an intervention after a design is worth; empty without any."""
    if not saved.shape[1] or case.cost is None:
        return {}
    expected = np.column_stack([_cross_fitted(summary, column) for column in saved.T])
    worth = worth_of_deciding(saved, expected, folds)
    return {
        "best_now": best_now(case, saved),
        "worth_per_m2": worth.mean,
        "worth_low95": worth.low,
        "worth_high95": worth.high,
        "currency": case.cost.currency,
    }


def _width(index: Array, sd: float) -> Array:
    """Return the width of the 95 % range of P where its index is normal about `index`."""
    low, high = index + sd * special.ndtri(RANGE_ENDS)[:, None]
    return np.asarray(special.ndtr(-low) - special.ndtr(-high))


def _cross_fitted(summary: Array, index: Array) -> Array:
    """Return the index (n,), or money, that a quadratic regression on summaries (f, n) expects.

    Each fold is predicted by a fit to the others, so that what is fitted by chance does not count.
    """
    spread = summary.std(axis=1)
    varies = spread > 1e-12
    x = (summary[varies] - summary[varies].mean(axis=1)[:, None]) / spread[varies][:, None]
    f = len(x)
    i, j = np.triu_indices(f)
    features = np.concatenate([np.ones((1, x.shape[1])), x, x[i] * x[j]])
    penalty = RIDGE * np.eye(len(features))
    penalty[0, 0] = 0.0
    folds = np.arange(len(index)) % FOLDS
    found = np.empty_like(index)
    for k in range(FOLDS):
        rest = features[:, folds != k]
        matrix = rest @ rest.T / rest.shape[1] + penalty
        weights = np.linalg.solve(matrix, rest @ index[folds != k] / rest.shape[1])
        found[folds == k] = weights @ features[:, folds == k]
    return found


def _designs(case: Scenario, wall: Wall, age: float) -> list[_Design]:
    strategy = case.reference_strategy
    designs = []
    if not any(found for _, found in core_reasons(case)):
        face = wall.with_plans(tuple(p for p in wall.plans if p.name == strategy))
        model = CoreModel(face, age, LAYERS_MM[:-1], LAYERS_MM[1:])
        scatter = ScatterInputs.among(model_inputs(model), wall.correlations)
        designs += [
            _Design(f"{count} cores", _simulated_cores(model, scatter, count))
            for count in CORE_COUNTS
        ]
    designs.append(_Design("cover survey", _simulated_cover(wall)))
    if not case.service.numerical:
        designs.append(_Design("half-cell survey", _simulated_survey(case, wall, age)))
    return designs


def _simulated_cores(
    model: CoreModel, scatter: ScatterInputs, count: int
) -> Callable[[EpistemicDraws, np.random.Generator], Array]:
    def simulate(draws: EpistemicDraws, rng: np.random.Generator) -> Array:
        total = np.zeros((len(LAYERS_MM) - 1, draws.count))
        for _ in range(count):
            w = rng.standard_normal((scatter.dimensions, draws.count, 1))
            expected = model.expected(scatter.values(draws, w))
            one = np.broadcast_to(expected, (len(total), draws.count, 1))[..., 0]
            read = one * (1.0 + CORE_ERROR * rng.standard_normal(one.shape))
            total += np.log(np.maximum(read, LEAST_CONTENT))
        return total / count

    return simulate


def _simulated_cover(wall: Wall) -> Callable[[EpistemicDraws, np.random.Generator], Array]:
    cover = wall.input(COVER)

    def simulate(draws: EpistemicDraws, rng: np.random.Generator) -> Array:
        b = cover.epistemic_share
        along = rng.standard_normal((draws.count, COVER_READINGS))
        if cover.name in draws.inputs:
            found = np.broadcast_to(draws.inputs[cover.name][:, None], along.shape)
        else:
            between = draws.scores.get(cover.name, np.zeros(1))[:, None]
            found = cover.distribution.from_normal(np.sqrt(b) * between + np.sqrt(1.0 - b) * along)
        offset = draws.inputs.get(MEAN_COVER_OFFSET, np.zeros(1))[:, None]
        read = found + offset + COVER_ERROR_MM * rng.standard_normal(along.shape)
        return np.asarray(read.mean(axis=1))[None]

    return simulate


def _simulated_survey(
    case: Scenario, wall: Wall, age: float
) -> Callable[[EpistemicDraws, np.random.Generator], Array]:
    face = PointProbability.of_face(wall, case.reference_strategy, seed=case.sampling.seed)

    def simulate(draws: EpistemicDraws, rng: np.random.Generator) -> Array:
        p = face.at(draws, age)
        active = DETECTION * p + FALSE_ALARM * (1.0 - p)
        effective = max(round(_survey_points(case, float(active.mean()))), 1)
        return np.asarray(rng.binomial(effective, np.clip(active, 0.0, 1.0)) / effective)[None]

    return simulate


def _survey_points(case: Scenario, share: float) -> float:
    """Return how many independent points a survey of the whole face is worth."""
    effective, extent = points_on_face(case), case.service.extent
    if effective is None or extent is None:
        return SURVEY_POINTS
    size = np.array([extent.width, extent.height])
    step = max(GRID_M, float(np.sqrt(size.prod() / MOST_POINTS)))
    x, y = np.meshgrid(*(np.arange(0.5 * step, max(side, step), step) for side in size))
    return effective(np.column_stack([x.ravel(), y.ravel()]), min(max(share, 0.01), 0.99))
