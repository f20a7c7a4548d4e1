"""How much life each strategy of a test costs on a wall, against the reference of the test."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Callable
from dataclasses import dataclass

import pandas as pd

from stripwise.curing.follow_up import NO_FOLLOW_UP, REFERENCE_FACE
from stripwise.distributions.distribution import distribution, fixed
from stripwise.distributions.random_input import Correlation, Input
from stripwise.errors import InputError
from stripwise.evidence.profiles.penalty_factors import PenaltyFactors
from stripwise.scenario.model import FollowUp, Scenario
from stripwise.scenario.penalty_files import FittedPenalties
from stripwise.studies.fit.fitted_inputs import fitted_factors
from stripwise.studies.from_scenario import build_plan, build_wall, compute_curves, target_from
from stripwise.studies.result_tables import strategy_table
from stripwise.units.result_columns import columns

__all__ = ["LifeLost", "life_lost", "lives_with"]

STRIP_AGE = 24.0
"""Strip age of the plans [h], without effect beside a penalty as measured."""


@dataclass(frozen=True, slots=True)
class LifeLost:
    """Lives of a wall with the penalties of a test.

    Attributes
    ----------
    scenario
        The wall; its own strategies play no part.
    reference
        Strategy of the test that the lives are compared with.
    table
        The columns of `life_lost`, a row a strategy.
    """

    scenario: Scenario
    reference: str
    table: pd.DataFrame


def life_lost(
    penalties: PenaltyFactors,
    scenario: Scenario,
    *,
    source: str,
    workers: int = 2,
    progress: Callable[[str, float], None] | None = None,
) -> LifeLost | None:
    """Compute the life of a wall with every penalty of a test; None where there is but the reference.

    The wall's diffusivity is taken as that of the reference strategy, and penalties from the
    laboratory to the wall by the scenario's model factor.

    Raises
    ------
    InputError
        If the scenario takes joint draws, which hold no penalty of the test.
    """
    fit = fitted_factors(penalties, source=source)
    if fit is None:
        return None
    if scenario.draws is not None:
        raise InputError(
            "--scenario",
            "takes joint draws (knowledge), which hold no penalty of these tests; leave them out",
        )
    own = _penalty_inputs(penalties, fit)
    case = dataclasses.replace(
        scenario,
        inputs=(*_without_strategies(scenario), *own.values()),
        correlations=_correlations(scenario, fit, own),
        reference_strategy=penalties.reference,
        strategies=(),
    )
    bare = FollowUp(NO_FOLLOW_UP, 0.0, scenario.curing.reference_temperature, REFERENCE_FACE, "")
    wall = build_wall(case).with_plans(
        tuple(
            build_plan(
                case,
                name,
                strip_age=STRIP_AGE,
                temperature=scenario.curing.reference_temperature,
                follow_up=bare,
                penalty=item.name,
                factor="" if name == penalties.reference else case.curing.model_factor_input,
            )
            for name, item in own.items()
        )
    )
    curves = compute_curves(wall, case, workers=workers, progress=progress)
    table = strategy_table(wall, curves, target_from(case))[columns("life_lost")]
    return LifeLost(scenario, penalties.reference, table)


def lives_with(
    penalties: PenaltyFactors | None,
    scenario: Scenario | None,
    *,
    source: str,
    progress: Callable[[str, float], None] | None = None,
) -> LifeLost | None:
    """Compute the lives if a scenario is given, which needs penalties; None without one."""
    if scenario is None:
        return None
    if penalties is None:
        raise InputError(
            "--scenario", "needs --reference, the strategy that lives are compared with"
        )
    found = life_lost(penalties, scenario, source=source, progress=progress)
    if found is None:
        raise InputError(
            "--scenario", "the reference is the only strategy: no life is lost against it"
        )
    return found


def _without_strategies(scenario: Scenario) -> list[Input]:
    return [item for item in scenario.inputs if not item.name.startswith("strategy.")]


def _penalty_inputs(penalties: PenaltyFactors, fit: FittedPenalties) -> dict[str, Input]:
    found = {}
    for name in penalties.strategies:
        numbers = fit.table(name)
        law = (
            fixed(numbers["value"])
            if numbers["family"] == "fixed"
            else distribution("lognormal", mean=numbers["mean"], sd=numbers["sd"])
        )
        found[name] = Input(
            f"strategy.{name}.penalty", f"penalty factor, {name}", law, "", "curing", "knowledge"
        )
    return found


def _correlations(
    scenario: Scenario, fit: FittedPenalties, own: dict[str, Input]
) -> tuple[Correlation, ...]:
    kept = {item.name for item in _without_strategies(scenario)}
    ranks = [
        Correlation(own[one].name, own[two].name, fit.rank(one, two))
        for one, two in itertools.combinations(fit.strategies, 2)
        if not (own[one].distribution.is_fixed or own[two].distribution.is_fixed)
    ]
    return (
        *(pair for pair in scenario.correlations if {pair.first, pair.second} <= kept),
        *(pair for pair in ranks if pair.rank != 0.0),
    )
