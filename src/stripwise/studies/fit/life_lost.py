"""How much life each strategy of a test costs on a wall, against the reference of the test."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from stripwise.curing.follow_up import NO_FOLLOW_UP, REFERENCE_FACE
from stripwise.distributions.distribution import distribution, fixed
from stripwise.distributions.independent_draws import independent_draws
from stripwise.distributions.joint_draws import JointDraws
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

STRATEGY = "strategy."
"""Begins the names of the inputs of a strategy."""

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
    Joint draws of the scenario keep all but its own penalties.
    """
    fit = fitted_factors(penalties, source=source)
    if fit is None:
        return None
    own = _penalty_inputs(penalties, fit)
    correlations = _correlations(scenario, fit, own)
    case = dataclasses.replace(
        scenario,
        inputs=(*_without_strategies(scenario), *own.values()),
        correlations=correlations,
        draws=_with_penalties(scenario.draws, list(own.values()), correlations),
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
    return [item for item in scenario.inputs if not item.name.startswith(STRATEGY)]


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


def _with_penalties(
    draws: JointDraws | None, penalties: list[Input], correlations: Sequence[Correlation]
) -> JointDraws | None:
    """Put penalties of a test into joint draws in place of those that they hold."""
    if draws is None:
        return None
    kept = [k for k, name in enumerate(draws.names) if not name.startswith(STRATEGY)]
    if not kept:
        return None
    rows = draws.values  # noqa: PD011
    columns = {draws.names[k]: rows[k] for k in kept}
    new = independent_draws(
        [item for item in penalties if not item.distribution.is_fixed],
        columns,
        correlations,
        seed=1,  # the scenario's own draws may have been completed with the usual one
    )
    return dataclasses.replace(
        draws,
        names=(*columns, *new),
        values=np.array([*columns.values(), *new.values()]),
        is_score=(*(draws.is_score[k] for k in kept), *(False for _ in new)),
    )


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
