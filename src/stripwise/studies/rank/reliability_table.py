"""How probable failure is by first-order reliability, by sampling and by importance sampling.

Axes: r repeats, t ages.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.distributions.sampling import random_stream, sobol_blocks
from stripwise.errors import NumericalError
from stripwise.risk.model.wall import Plan, Wall
from stripwise.risk.probability.integral import Integral
from stripwise.risk.probability.intervals import OK, plain_interval
from stripwise.risk.probability.reliability_index import reliability_index
from stripwise.risk.reliability.elasticity import elasticities, importance_factors
from stripwise.risk.reliability.form import DesignPoint, first_order
from stripwise.risk.reliability.importance_sampling import importance_sampling
from stripwise.risk.reliability.limit_state import LimitState, single_strategy_wall
from stripwise.risk.sensitivity.input_sets import correlated_clusters
from stripwise.units.formatting import index
from stripwise.units.result_columns import columns

__all__ = [
    "Reliability",
    "reliability",
    "sampled_probabilities",
]

Array = NDArray[np.float64]

SAMPLED_POINTS = 4096
MIN_SAMPLED_PROBABILITY = 1e-10
MAX_SAMPLED_COV = 0.3
"""No reference is sampled below this probability or above this coefficient of variation."""


@dataclass(frozen=True, slots=True)
class Reliability:
    """Tables of one strategy at some ages.

    Attributes
    ----------
    form
        Design points and importance factors, the columns of `form`.
    elasticity
        Change of the index for 1 % in each moment at the first age, the columns of `elasticity`.
    methods
        Each probability by each method, the columns of `reliability`.
    """

    form: pd.DataFrame
    elasticity: pd.DataFrame
    methods: pd.DataFrame


def reliability(
    wall: Wall, plan: Plan, *, ages: Sequence[float], repeats: int, seed: int
) -> Reliability:
    """Compare first-order reliability with the sampled answer and with importance sampling.

    Elasticities are of the first of the ages [yr]. Where no design point is found, the row says so
    and the others stand.
    """
    sampled = sampled_probabilities(wall, plan, ages=ages, repeats=repeats, seed=seed)
    form: list[dict[str, object]] = []
    methods: list[dict[str, object]] = []
    elasticity_rows: list[dict[str, object]] = []
    for j, age in enumerate(ages):
        common = {"strategy": plan.name, "age_yr": float(age)}
        plain = plain_interval(sampled[:, j], points=SAMPLED_POINTS)
        mean = float(plain.mean)
        sampled_index = float(reliability_index(mean, 1.0 - mean))
        error = float(np.std(sampled[:, j], ddof=1) / np.sqrt(repeats))
        sparse = mean < MIN_SAMPLED_PROBABILITY or error > MAX_SAMPLED_COV * mean
        reference = np.nan if sparse else sampled_index
        methods.append(
            {
                **common,
                "method": "sampled",
                "probability": mean,
                "low95": float(plain.low),
                "high95": float(plain.high),
                "cov": error / mean if mean > 0.0 else np.nan,
                "reliability_index": sampled_index,
                "gap_to_sampled": np.nan if sparse else 0.0,
                "calls": SAMPLED_POINTS * repeats,
                "note": "one input integrated exactly, the others sampled"
                + (
                    "; too rare for this sample, take importance sampling"
                    if sparse
                    else ""
                    if plain.status == OK
                    else "; too rare for its spread: the interval is a bound"
                ),
            }
        )
        try:
            state = LimitState.from_wall(wall, plan, age=float(age))
            design_point = _design_point(state)
        except NumericalError as problem:
            methods.append({**common, "method": "FORM", "note": f"undefined: {problem}"})
            continue
        methods.append(
            {
                **common,
                "method": "FORM",
                "probability": design_point.probability,
                "reliability_index": design_point.index,
                "gap_to_sampled": design_point.index - reference,
                "calls": sum(design_point.calls),
                "note": _form_note(design_point),
            }
        )
        importance_sample = importance_sampling(state, design_point, repeats=repeats, seed=seed)
        methods.append(
            {
                **common,
                "method": "importance sampling",
                "probability": importance_sample.probability,
                "low95": importance_sample.low95,
                "high95": importance_sample.high95,
                "cov": importance_sample.cov,
                "reliability_index": importance_sample.index,
                "gap_to_sampled": importance_sample.index - reference,
                "calls": importance_sample.calls,
                "note": f"around {len(design_point.design_points)} design point"
                + ("s" if len(design_point.design_points) > 1 else ""),
            }
        )
        form += _form_rows(state, design_point, common)
        if j == 0:
            elasticity_rows += _elasticity_rows(state, design_point, common)
    return Reliability(
        pd.DataFrame(form).reindex(columns=columns("form")),
        pd.DataFrame(elasticity_rows).reindex(columns=columns("elasticity")),
        pd.DataFrame(methods).reindex(columns=columns("reliability")),
    )


def _design_point(state: LimitState) -> DesignPoint:
    """Return the design point; of two mechanisms the nearer one, since either depassivates."""
    if len(state.mechanisms) < 2 or float(state(np.zeros((state.dimensions, 1)))[0]) <= 0.0:
        return first_order(state, state.dimensions, model_with_kinks=state.with_kinks)
    alone: dict[str, DesignPoint] = {}
    problem = NumericalError("no mechanism has a design point")
    for name in state.mechanisms:
        try:
            one = replace(state, mechanism=name)
            alone[name] = first_order(one, one.dimensions, model_with_kinks=one.with_kinks)
        except NumericalError as error:
            problem = error
    if not alone:
        raise problem
    best = min(alone.values(), key=lambda one: one.index)
    notes = [f"{name} alone {index(one.index)}" for name, one in alone.items()]
    notes += [one.disagreement for one in alone.values() if one.disagreement]
    return replace(
        best,
        calls=tuple(c for one in alone.values() for c in one.calls),
        converged_points=np.concatenate([one.converged_points for one in alone.values()]),
        disagreement="; ".join(notes),
    )


def _form_note(design_point: DesignPoint) -> str:
    notes = [f"model calls by start: {', '.join(str(c) for c in design_point.calls)}"]
    if design_point.origin_fails:
        notes.append("the medians of all inputs together already fail, so the index is negative")
    if design_point.at_kink:
        notes.append("the surface has a kink at the design point; factors are a mean of both sides")
    if design_point.disagreement:
        notes.append(design_point.disagreement)
    return "; ".join(notes)


def _form_rows(
    state: LimitState, design_point: DesignPoint, common: dict[str, object]
) -> list[dict[str, object]]:
    sampler = state.sampler
    squared, gamma = importance_factors(design_point.alpha, sampler.factor)
    clusters = correlated_clusters(sampler)
    point = design_point.point[:, None]
    values, scores = sampler.values(point), sampler.correlate(point)[:, 0]
    rows: list[dict[str, object]] = []
    for i, item in enumerate(sampler.inputs):
        is_correlated = len(clusters[i]) > 1
        rows.append(
            {
                **common,
                "input": item.name,
                "group": item.group,
                "alpha": np.nan if is_correlated else design_point.alpha[i],
                "alpha_squared": np.nan if is_correlated else squared[i],
                "gamma_squared": gamma[i],
                "design_score": scores[i],
                "design_value": float(np.asarray(values[item.name])[0]),
                "unit": item.unit,
                "status": "correlated: alpha depends on the order of the inputs, use gamma squared"
                if is_correlated
                else "ok",
            }
        )
    return rows


def _elasticity_rows(
    state: LimitState, design_point: DesignPoint, common: dict[str, object]
) -> list[dict[str, object]]:
    units = {item.name: item.unit for item in state.sampler.inputs}
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
        for row in elasticities(state, design_point)
    ]


def sampled_probabilities(
    wall: Wall, plan: Plan, *, ages: Sequence[float], repeats: int, seed: int
) -> Array:
    """Return P (r, t) of depassivation of one strategy, one input integrated exactly.

    Each repeat is an independent scrambling of 4096 points.
    """
    one = single_strategy_wall(wall, plan)
    integral, sampler = Integral.from_wall(one)
    at = np.asarray(ages, dtype=float)
    flags = np.zeros((1, len(at)), dtype=bool)
    probabilities = np.empty((repeats, len(at)))
    for r in range(repeats):
        rng = random_stream(seed, stage="rare", index=(5000 + r,))
        own = sampler.for_repeat(r, repeats, wall.draws)
        z = next(iter(sobol_blocks(own.dimensions, SAMPLED_POINTS, rng)))
        values = own.values(z)
        block, score_mean = one.sample_block(values), integral.conditional_mean(own.correlate(z))
        probabilities[r] = integral.probabilities(
            one, block, values, score_mean, ages=at, upper=flags
        )[0]
    return probabilities
