"""How a scenario becomes the wall, target and curves that every study computes on."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from stripwise.curing.maturity import equivalent_age
from stripwise.ingress.transformed_time import DAYS_PER_YEAR, ZERO_CELSIUS, AgeingLaw
from stripwise.risk.model.service_conditions import ServiceConditions
from stripwise.risk.model.wall import Plan, Wall
from stripwise.risk.probability.confidence import epistemic_probability
from stripwise.risk.probability.curves import CurveSet, Growth, probability_curves
from stripwise.scenario.model import FollowUp, Scenario
from stripwise.studies.decision import is_decided
from stripwise.studies.result_tables import DurabilityTarget

__all__ = [
    "MOST_GROWTH",
    "build_plan",
    "build_wall",
    "compute_curves",
    "largest_sample",
    "mean_penalties",
    "service_conditions_from",
    "target_from",
]

Array = NDArray[np.float64]
Progress = Callable[[str, float], None]

MOST_GROWTH, MOST_POINTS, NUMERICAL_POINTS = 16, 2**18, 2**13
"""How far a sample may grow, how many points a repeat may reach, and the same where every front is
a numerical solution."""

POINTS_PER_DRAW = 16
"""Most points for each joint draw that a growing sample may reach."""

PENALTY_POINTS, PENALTY_REPEATS = 4096, 8
"""Sample for mean penalties; their error is far below what a test plan can use."""


def build_wall(scenario: Scenario) -> Wall:
    """Return the wall that the physics computes on, temperatures turned into factors on time."""
    plans = tuple(
        build_plan(
            scenario,
            strategy.name,
            strip_age=strategy.strip_age_input,
            temperature=strategy.temperature,
            follow_up=strategy.follow_up,
            penalty=strategy.penalty_input,
            factor=strategy.model_factor_input,
        )
        for strategy in scenario.strategies
    )
    ageing_law = AgeingLaw(
        reference_age=scenario.diffusivity_age_d / DAYS_PER_YEAR,
        convention=scenario.ageing_convention,
        exposure_age=scenario.exposure_age_d / DAYS_PER_YEAR,
        ageing_ends=scenario.ageing_ends,
    )
    return Wall(
        inputs=scenario.inputs,
        correlations=scenario.correlations,
        plans=plans,
        ageing_law=ageing_law,
        test_factor=scenario.test_factor,
        monthly=tuple(t + ZERO_CELSIUS for t in scenario.monthly_temperature),
        layered=scenario.curing.layered,
        reference_d=scenario.curing.reference_d,
        law=scenario.curing.row,
        cover_bias=scenario.cover_bias,
        conditions=service_conditions_from(scenario),
        draws=scenario.draws,
        front_model=scenario.front_model,
    )


def build_plan(
    scenario: Scenario,
    name: str,
    *,
    strip_age: str | float,
    temperature: float,
    follow_up: FollowUp,
    penalty: str = "",
    factor: str = "",
) -> Plan:
    """Return one way to strip and cure, with temperatures [degC] turned into factors on time.

    `strip_age` [h], `penalty` and `factor` (on a given penalty) may name an input; an empty
    `penalty` means that the curing law gives it.
    """
    return Plan(
        name=name,
        strip_age=strip_age,
        strip_factor=_maturity_factor(scenario, temperature),
        follow_up_h=follow_up.duration_h,
        follow_up_factor=_maturity_factor(scenario, follow_up.temperature),
        retention=follow_up.retention_input,
        penalty=penalty,
        factor=factor,
    )


def service_conditions_from(scenario: Scenario) -> ServiceConditions | None:
    """Return the options that touch the front, or None so that the closed form serves."""
    service = scenario.service
    if not service.changes_front:
        return None
    return ServiceConditions(
        history=service.history,
        duration=service.duration_input,
        first_month=service.first_month,
        chloride=service.chloride,
        carbonation=service.carbonation,
        model_factor=service.factor_input,
        layers=service.layers,
        coating=service.coating,
        horizon=scenario.sampling.horizon,
    )


def target_from(scenario: Scenario) -> DurabilityTarget:
    """Return what the curves of a scenario are compared with."""
    return DurabilityTarget(
        life=scenario.target.service_life,
        probability=scenario.target.probability,
        index=scenario.target.reliability_index,
        horizon=scenario.sampling.horizon,
        reference=scenario.reference_strategy,
        confidence=scenario.target.confidence,
    )


def compute_curves(
    wall: Wall,
    scenario: Scenario,
    *,
    workers: int,
    progress: Progress | None,
    band: bool = True,
) -> CurveSet:
    """Compute the curves of a wall, with the sampling and the ages of its scenario.

    The sample doubles while it leaves open which strategies meet the target. `band` False leaves
    out the band over the epistemic inputs, and the confidence with it.
    """
    sampling, target = scenario.sampling, scenario.target
    most = largest_sample(wall)
    if wall.draws is not None:  # more points cannot take away the error of the draws
        per_draw = POINTS_PER_DRAW * (wall.draws.count // sampling.repeats)
        most = min(most, max(sampling.points, per_draw))

    def is_enough(probability: Array) -> bool:
        error = np.std(probability, axis=0, ddof=1) / np.sqrt(sampling.repeats)
        decided = is_decided(
            np.mean(probability, axis=0),
            error,
            allowed=target.probability,
            repeats=sampling.repeats,
        )
        return bool(np.all(decided))

    curves = probability_curves(
        wall,
        horizon=sampling.horizon,
        kinks=(
            scenario.target.service_life,
            scenario.ageing_ends,
            *(scenario.service.history.breakpoints if scenario.service.history else ()),
            *_coating_end(wall),
        ),
        points=sampling.points,
        repeats=sampling.repeats,
        seed=sampling.seed,
        workers=workers,
        progress=progress,
        band=band,
        growth=Growth(target.service_life, is_enough, min(MOST_GROWTH * sampling.points, most)),
    )
    if not band:
        return curves
    epistemic = epistemic_probability(
        wall,
        age=target.service_life,
        mean_index=curves.mean.at(np.array([target.service_life]))[:, 0],
        points=sampling.points,
        seed=sampling.seed,
        workers=workers,
        demanded=target.confidence,
    )
    return curves.with_range_at(target.service_life, epistemic)


def largest_sample(wall: Wall) -> int:
    """Return how many points of a repeat a growing sample may reach."""
    return NUMERICAL_POINTS if wall.numerical else MOST_POINTS


def mean_penalties(scenario: Scenario) -> dict[str, float]:
    """Return the mean penalty factor k_c [-] by the name of the strategy."""
    sampling = dataclasses.replace(
        scenario.sampling, points=PENALTY_POINTS, repeats=PENALTY_REPEATS
    )
    small = dataclasses.replace(scenario, sampling=sampling)
    curves = compute_curves(build_wall(small), small, workers=1, progress=None, band=False)
    names = (strategy.name for strategy in scenario.strategies)
    return {name: float(mean) for name, mean in zip(names, curves.penalty_mean, strict=True)}


def _coating_end(wall: Wall) -> tuple[float, ...]:
    """Return the age at which a coating of fixed life ends, where the curve bends."""
    coating = None if wall.conditions is None else wall.conditions.coating
    law = None if coating is None else wall.input(coating.life).distribution
    return (law.mean,) if law is not None and law.is_fixed else ()


def _maturity_factor(scenario: Scenario, temperature: float) -> float:
    curing = scenario.curing
    return float(
        equivalent_age(
            1.0,
            temperature,
            function=curing.maturity,
            reference_c=curing.reference_temperature,
            activation_temperature=curing.activation_temperature,
            datum_c=curing.datum_temperature,
        )
    )
