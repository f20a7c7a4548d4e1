"""First-order reliability beside the sampled answer and importance sampling, as tables.

Axes: r repeats, t ages.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.distributions.sampling import sobol_cells, stream
from stripwise.errors import NumericalError
from stripwise.risk.model.wall import Plan, Wall
from stripwise.risk.probability.curves import interval
from stripwise.risk.probability.integral import Integral
from stripwise.risk.probability.reliability_index import index_of
from stripwise.risk.reliability.elasticity import elasticities, importance
from stripwise.risk.reliability.form import DesignPoint, first_order
from stripwise.risk.reliability.importance_sampling import importance_sampling
from stripwise.risk.reliability.limit_state import LimitState, relevant
from stripwise.risk.sensitivity.quantities_of_interest import correlated_clusters

__all__ = [
    "ELASTICITY_COLUMNS",
    "FORM_COLUMNS",
    "RELIABILITY_COLUMNS",
    "Reliability",
    "reliability",
    "sampled_probabilities",
]

Array = NDArray[np.float64]

SAMPLED_POINTS = 4096
RAREST_SAMPLED = 1e-10
SPARSE = 0.3
"""Below this probability, or from this coefficient of variation on, the sample is no yardstick."""

FORM_COLUMNS = [
    "strategy",
    "age_yr",
    "input",
    "group",
    "alpha",
    "alpha_squared",
    "gamma_squared",
    "design_score",
    "design_value",
    "unit",
    "status",
]
ELASTICITY_COLUMNS = [
    "strategy",
    "age_yr",
    "input",
    "moment",
    "value",
    "step",
    "unit",
    "index_change",
    "status",
]
RELIABILITY_COLUMNS = [
    "strategy",
    "age_yr",
    "method",
    "probability",
    "low95",
    "high95",
    "cov",
    "reliability_index",
    "gap_to_sampled",
    "calls",
    "note",
]


@dataclass(frozen=True, slots=True)
class Reliability:
    """Tables of one strategy at some ages.

    Attributes
    ----------
    form
        Design points and importance factors, `FORM_COLUMNS`.
    elasticity
        Change of the index for 1 % in each moment at the first age, `ELASTICITY_COLUMNS`.
    methods
        Each probability by each method, `RELIABILITY_COLUMNS`.
    """

    form: pd.DataFrame
    elasticity: pd.DataFrame
    methods: pd.DataFrame


def reliability(
    wall: Wall, plan: Plan, *, ages: Sequence[float], repeats: int, seed: int
) -> Reliability:
    """Compare first-order reliability with the sampled answer and with importance sampling.

    Parameters
    ----------
    wall
        The wall.
    plan
        The strategy.
    ages
        Ages above 0 [yr]; elasticities are of the first.
    repeats
        Independent scramblings.
    seed
        Seed of the run.

    Returns
    -------
    The `Reliability`. Where no design point is found, the row says so and the others stand.
    """
    sampled = sampled_probabilities(wall, plan, ages=ages, repeats=repeats, seed=seed)
    form: list[dict[str, object]] = []
    methods: list[dict[str, object]] = []
    bends: list[dict[str, object]] = []
    for j, age in enumerate(ages):
        common = {"strategy": plan.name, "age_yr": float(age)}
        mean, low, high = (float(x) for x in interval(sampled[:, j]))
        own = float(index_of(mean, 1.0 - mean))
        error = float(np.std(sampled[:, j], ddof=1) / np.sqrt(repeats))
        sparse = mean < RAREST_SAMPLED or error > SPARSE * mean
        reference = np.nan if sparse else own
        methods.append(
            {
                **common,
                "method": "sampled",
                "probability": mean,
                "low95": max(low, 0.0),
                "high95": min(high, 1.0),
                "cov": error / mean if mean > 0.0 else np.nan,
                "reliability_index": own,
                "gap_to_sampled": np.nan if sparse else 0.0,
                "calls": SAMPLED_POINTS * repeats,
                "note": "one input integrated exactly, the others sampled"
                + ("; too rare for this sample, take importance sampling" if sparse else ""),
            }
        )
        try:
            state = LimitState.of(wall, plan, age=float(age))
            found = _design_point(state)
        except NumericalError as problem:
            methods.append({**common, "method": "FORM", "note": f"undefined: {problem}"})
            continue
        methods.append(
            {
                **common,
                "method": "FORM",
                "probability": found.probability,
                "reliability_index": found.index,
                "gap_to_sampled": found.index - reference,
                "calls": sum(found.calls),
                "note": _form_note(found),
            }
        )
        around = importance_sampling(state, found, repeats=repeats, seed=seed)
        methods.append(
            {
                **common,
                "method": "importance sampling",
                "probability": around.probability,
                "low95": around.low95,
                "high95": around.high95,
                "cov": around.cov,
                "reliability_index": around.index,
                "gap_to_sampled": around.index - reference,
                "calls": around.calls,
                "note": f"around {len(found.others)} design point"
                + ("s" if len(found.others) > 1 else ""),
            }
        )
        form += _form_rows(state, found, common)
        if j == 0:
            bends += _elasticity_rows(state, found, common)
    return Reliability(
        pd.DataFrame(form).reindex(columns=FORM_COLUMNS),
        pd.DataFrame(bends).reindex(columns=ELASTICITY_COLUMNS),
        pd.DataFrame(methods).reindex(columns=RELIABILITY_COLUMNS),
    )


def _design_point(state: LimitState) -> DesignPoint:
    """Return the design point; of two mechanisms the nearer one, since either depassivates."""
    if len(state.mechanisms) < 2 or float(state(np.zeros((state.dimensions, 1)))[0]) <= 0.0:
        return first_order(state, state.dimensions, edged=state.with_edges)
    alone: dict[str, DesignPoint] = {}
    problem = NumericalError("no mechanism has a design point")
    for name in state.mechanisms:
        try:
            one = replace(state, mechanism=name)
            alone[name] = first_order(one, one.dimensions, edged=one.with_edges)
        except NumericalError as error:
            problem = error
    if not alone:
        raise problem
    best = min(alone.values(), key=lambda one: one.index)
    told = [f"{name} alone {one.index:.3f}" for name, one in alone.items()]
    told += [one.disagreement for one in alone.values() if one.disagreement]
    return replace(
        best,
        calls=tuple(c for one in alone.values() for c in one.calls),
        found=np.concatenate([one.found for one in alone.values()]),
        disagreement="; ".join(told),
    )


def _form_note(found: DesignPoint) -> str:
    told = [f"model calls by start: {', '.join(str(c) for c in found.calls)}"]
    if found.origin_fails:
        told.append("the medians of all inputs together already fail, so the index is negative")
    if found.kinked:
        told.append("the surface has a kink at the design point; factors are a mean of both sides")
    if found.disagreement:
        told.append(found.disagreement)
    return "; ".join(told)


def _form_rows(
    state: LimitState, found: DesignPoint, common: dict[str, object]
) -> list[dict[str, object]]:
    draw = state.draw
    squared, gamma = importance(found.alpha, draw.factor)
    clusters = correlated_clusters(draw)
    point = found.point[:, None]
    values, scores = draw.values(point), draw.correlate(point)[:, 0]
    rows: list[dict[str, object]] = []
    for i, item in enumerate(draw.inputs):
        tied = len(clusters[i]) > 1
        rows.append(
            {
                **common,
                "input": item.name,
                "group": item.group,
                "alpha": np.nan if tied else found.alpha[i],
                "alpha_squared": np.nan if tied else squared[i],
                "gamma_squared": gamma[i],
                "design_score": scores[i],
                "design_value": float(np.asarray(values[item.name])[0]),
                "unit": item.unit,
                "status": "correlated: alpha depends on the order of the inputs, use gamma squared"
                if tied
                else "ok",
            }
        )
    return rows


def _elasticity_rows(
    state: LimitState, found: DesignPoint, common: dict[str, object]
) -> list[dict[str, object]]:
    units = {item.name: item.unit for item in state.draw.inputs}
    return [
        {
            **common,
            "input": row.name,
            "moment": row.moment,
            "value": row.value,
            "step": row.step,
            "unit": units[row.name],
            "index_change": row.change,
            "status": "ok" if row.status == "ok" else f"undefined: {row.status}",
        }
        for row in elasticities(state, found)
    ]


def sampled_probabilities(
    wall: Wall, plan: Plan, *, ages: Sequence[float], repeats: int, seed: int
) -> Array:
    """Probability of depassivation of one strategy by sampling, one input integrated exactly.

    Parameters
    ----------
    wall, plan
        The wall and the strategy.
    ages
        Ages [yr].
    repeats
        Independent scramblings of 4096 points.
    seed
        Seed of the run.

    Returns
    -------
    (r, t) probabilities.
    """
    one = relevant(wall, plan)
    integral, draw = Integral.of(one)
    at = np.asarray(ages, dtype=float)
    flags = np.zeros((1, len(at)), dtype=bool)
    found = np.empty((repeats, len(at)))
    for r in range(repeats):
        rng = stream(seed, stage="rare", index=(5000 + r,))
        z = next(iter(sobol_cells(draw.dimensions, SAMPLED_POINTS, rng)))
        values = draw.values(z)
        face, shift = one.face(values), integral.shift(draw.correlate(z))
        found[r] = integral.probabilities(one, face, values, shift, ages=at, upper=flags)[0]
    return found
