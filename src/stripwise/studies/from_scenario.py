"""From a scenario to the wall that the physics computes on, its target and its curves."""

from __future__ import annotations

from collections.abc import Callable

from stripwise.curing.maturity import equivalent_age
from stripwise.ingress.clock import DAYS_PER_YEAR, ZERO_CELSIUS, Clock
from stripwise.risk.model.wall import Plan, Wall
from stripwise.risk.probability.curves import CurveSet, probability_curves
from stripwise.scenario.model import FollowUp, Scenario
from stripwise.studies.result_tables import Goal
from stripwise.studies.service_notes import conditions_of

__all__ = ["curves_of", "goal_of", "plan_of", "wall_of"]

Progress = Callable[[str, float], None]


def wall_of(scenario: Scenario) -> Wall:
    """Return the wall that the physics computes on.

    Parameters
    ----------
    scenario
        A scenario in internal units.

    Returns
    -------
    The `Wall`, temperatures turned into factors on time.
    """
    plans = tuple(
        plan_of(
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
    clock = Clock(
        reference_age=scenario.diffusivity_age_d / DAYS_PER_YEAR,
        convention=scenario.ageing_convention,
        exposure_age=scenario.exposure_age_d / DAYS_PER_YEAR,
        ageing_ends=scenario.ageing_ends,
    )
    return Wall(
        inputs=scenario.inputs,
        correlations=scenario.correlations,
        plans=plans,
        clock=clock,
        test_factor=scenario.test_factor,
        monthly=tuple(t + ZERO_CELSIUS for t in scenario.monthly_temperature),
        layered=scenario.curing.layered,
        reference_d=scenario.curing.reference_d,
        conditions=conditions_of(scenario),
    )


def plan_of(
    scenario: Scenario,
    name: str,
    *,
    strip_age: str | float,
    temperature: float,
    follow_up: FollowUp,
    penalty: str = "",
    factor: str = "",
) -> Plan:
    """Return one way to strip and cure, with temperatures turned into factors on time.

    Parameters
    ----------
    scenario
        The scenario, for its maturity function.
    name
        Name of the plan.
    strip_age
        Name of the input with the strip age, or the strip age itself [h].
    temperature
        Concrete temperature until stripping [degC].
    follow_up
        Curing after stripping.
    penalty
        Name of the input with a given penalty factor; empty where the law gives it.
    factor
        Name of the input that multiplies a given penalty factor; empty for none.

    Returns
    -------
    The `Plan`.
    """
    return Plan(
        name=name,
        strip_age=strip_age,
        strip_factor=_factor(scenario, temperature),
        follow_up_h=follow_up.duration_h,
        follow_up_factor=_factor(scenario, follow_up.temperature),
        retention=follow_up.retention_input,
        penalty=penalty,
        factor=factor,
    )


def goal_of(scenario: Scenario) -> Goal:
    """Return what the curves of a scenario are held against."""
    return Goal(
        life=scenario.target.service_life,
        probability=scenario.target.probability,
        index=scenario.target.reliability_index,
        horizon=scenario.sampling.horizon,
        reference=scenario.reference_strategy,
    )


def curves_of(
    wall: Wall,
    scenario: Scenario,
    *,
    workers: int,
    progress: Progress | None,
    band: bool = True,
) -> CurveSet:
    """Compute the curves of a wall with the sampling of its scenario.

    Parameters
    ----------
    wall
        The scenario's wall, or one derived from it.
    scenario
        The scenario.
    workers
        Threads; the results do not depend on it.
    progress
        Called with a stage and the share done.
    band
        Whether to compute the band over the knowledge inputs.

    Returns
    -------
    The `CurveSet`.

    Raises
    ------
    NumericalError
        If an input or a probability is not finite.
    """
    sampling = scenario.sampling
    return probability_curves(
        wall,
        horizon=sampling.horizon,
        kinks=(
            scenario.target.service_life,
            scenario.ageing_ends,
            *(scenario.service.history.kinks if scenario.service.history else ()),
            *_coating_end(wall),
        ),
        points=sampling.points,
        repeats=sampling.repeats,
        seed=sampling.seed,
        workers=workers,
        progress=progress,
        band=band,
    )


def _coating_end(wall: Wall) -> tuple[float, ...]:
    """Return the age at which a coating of fixed life ends, where the curve bends."""
    coating = None if wall.conditions is None else wall.conditions.coating
    law = None if coating is None else wall.input(coating.life).distribution
    return (law.mean,) if law is not None and law.is_fixed else ()


def _factor(scenario: Scenario, temperature: float) -> float:
    curing = scenario.curing
    return float(
        equivalent_age(
            1.0,
            temperature,
            function=curing.maturity,  # type: ignore[arg-type]
            reference_c=curing.reference_temperature,
            activation_temperature=curing.activation_temperature,
            datum_c=curing.datum_temperature,
        )
    )
