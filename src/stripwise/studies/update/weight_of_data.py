"""Which set of data moved the answer most, and which input still leaves it open.

Axes: g sets, n points.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.distributions.posterior_points import LEAST_EFFECTIVE, effective_weights
from stripwise.evidence.inspections.inspection_sets import InspectionSet
from stripwise.risk.model.wall import Wall
from stripwise.risk.probability.parallel import run_parallel
from stripwise.studies.update.epistemic_scores import EpistemicDraws
from stripwise.studies.update.point_likelihood import PointProbability
from stripwise.studies.update.posterior_of_sets import Posterior
from stripwise.units.result_columns import columns

__all__ = ["data_table", "probabilities_by_point", "variance_shares"]

Array = NDArray[np.float64]

CHUNK = 512
BINS = 24
"""Classes of an input, each with as much weight, whose means tell what it explains."""

TOO_FEW = "too few effective draws without it"


def probabilities_by_point(
    wall: Wall, strategy: str, age: float, draws: EpistemicDraws, *, seed: int, workers: int
) -> Array:
    """Return P(age | draw) of a face for every draw, (n,)."""
    face = PointProbability.of_face(wall, strategy, seed=seed)

    def chunk(k: int) -> Array:
        return face.at(draws.rows(slice(CHUNK * k, CHUNK * (k + 1))), age)

    return np.concatenate(list(run_parallel(chunk, -(-draws.count // CHUNK), workers=workers)))


def data_table(
    sets: tuple[InspectionSet, ...],
    posterior: Posterior,
    probability: Array,
    *,
    without: Callable[[int], float],
) -> pd.DataFrame:
    """Tabulate what the answer would be without each set, as the columns of `inspections`.

    `probability` (n,) is that of the points; `without` samples a posterior without a set anew where
    too few points are left of this one.
    """
    points = posterior.points
    now = float(points.weights() @ probability)
    rows = []
    for k, one in enumerate(sets):
        counted = np.arange(len(sets)) != k
        weights = points.weights(counted)
        enough = effective_weights(weights) >= LEAST_EFFECTIVE
        left = float(weights @ probability) if enough else without(k)
        rows.append(
            {
                "file": one.data_file.name,
                "data": one.data_file.kind.description,
                "size": one.size,
                "strategies": ", ".join(one.strategies),
                "age_yr": one.last_age or np.nan,
                "probability_without": left,
                "probability_moved": now - left,
                "status": "ok" if np.isfinite(left) else TOO_FEW,
            }
        )
    return pd.DataFrame(rows).reindex(columns=columns("inspections"))


def variance_shares(draws: EpistemicDraws, weights: Array, probability: Array) -> dict[str, float]:
    """Return the share of the variance of P that each input alone explains, by its name.

    The first-order index by classes of each input; empty where P does not vary.
    """
    mean = float(weights @ probability)
    total = float(weights @ (probability - mean) ** 2)
    if total <= 0.0:
        return {}
    found = {}
    effective = effective_weights(weights)
    for name, column in {**draws.inputs, **draws.scores}.items():
        order = np.argsort(column, kind="stable")
        own = weights[order]
        place = np.minimum((np.cumsum(own) - 0.5 * own) * BINS, BINS - 1).astype(np.intp)
        mass = np.bincount(place, own, BINS)
        sums = np.bincount(place, own * probability[order], BINS)
        means = sums / np.maximum(mass, 1e-300)
        explained = float(mass @ (means - mean) ** 2) / total
        # classes of no input at all would explain this much by chance
        chance = (BINS - 1) / effective
        found[name] = float(np.clip((explained - chance) / (1.0 - chance), 0.0, 1.0))
    return found
