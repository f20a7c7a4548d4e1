"""A case with other sampling or other parts, as the calls from Python take them."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

from stripwise.errors import InputError
from stripwise.scenario.engine import declared
from stripwise.scenario.model import Scenario
from stripwise.scenario.sections.target import SamplingTable

__all__ = ["with_options"]


def with_options(
    case: Scenario,
    *,
    points: int | None = None,
    seed: int | None = None,
    knowledge: Any = None,
    curing_law: Any = None,
    front_model: Any = None,
) -> Scenario:
    """Return the case with what a call gives, and without a change where it gives nothing.

    Parameters
    ----------
    points
        Sobol' points of a scrambling, a power of two.
    seed
        Seed; 0 is one like any other.
    knowledge
        Joint draws of the epistemic inputs: a DataFrame with the columns of `epistemic_draws`, or
        `{"from": FILE}`.
    curing_law
        Function of effective curing hours and a standard normal score, arrays of one shape, that
        returns ln of the penalty factor; it is divided by its value at the reference.
    front_model
        See `stripwise.FrontModel`.

    Raises
    ------
    InputError
        If a number is not allowed, or the law rises with curing.
    ScenarioError
        If the draws do not fit the case.
    """
    changes: dict[str, Any] = {}
    if knowledge is not None:
        changes["knowledge"] = dict(knowledge) if isinstance(knowledge, Mapping) else knowledge
    if curing_law is not None:
        changes["curing.law"] = curing_law
    if front_model is not None:
        changes["model.front"] = front_model
    changed = case.replace(changes) if changes else case
    sampling = case.sampling
    for key, value in (("points", points), ("seed", seed)):
        if value is not None:
            if broken := declared(SamplingTable, key).broken_rule(value):
                raise InputError(key, f"= {value} {broken}")
            sampling = dataclasses.replace(sampling, **{key: value})
    if changed is case and sampling is case.sampling:
        return case
    return dataclasses.replace(changed, sampling=sampling)
