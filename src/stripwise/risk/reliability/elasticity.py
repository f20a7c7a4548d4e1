"""What drives the reliability index: importance of each input, and 1 % in each moment."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.distribution import Distribution, distribution
from stripwise.errors import InputError
from stripwise.risk.reliability.form import DesignPoint
from stripwise.risk.reliability.limit_state import LimitState

__all__ = ["CHANGE", "Elasticity", "elasticities", "importance", "nudged"]

Array = NDArray[np.float64]

CHANGE = 0.01


@dataclass(frozen=True, slots=True)
class Elasticity:
    """Change of the index for a small change of one moment of one input.

    Attributes
    ----------
    name
        Name of the input.
    moment
        "mean" or "sd", of the distribution before any truncation.
    value
        The moment, in the unit of the input.
    step
        Its change, in the unit of the input: 1 % of itself; for a mean of 0, 1 % of the sd.
    change
        Change of beta; NaN where `status` says why.
    status
        "ok" or why the changed input is impossible.
    """

    name: str
    moment: str
    value: float
    step: float
    change: float
    status: str


def elasticities(state: LimitState, found: DesignPoint) -> list[Elasticity]:
    """Tabulate the change of beta for 1 % more in each mean and standard deviation.

    The other moment of the input, its bounds (except of a uniform or triangular, which its bounds
    describe) and all correlations stay.

    Parameters
    ----------
    state
        The limit state.
    found
        Its design point.

    Returns
    -------
    Two rows per random input, in column order.

    Notes
    -----
    To first order d beta / d p = (d h / d p at u*) / |grad h|, with u* held (Ditlevsen and Madsen,
    Structural Reliability Methods, 1996, parametric sensitivity; recalled). Here d h is the
    difference between the changed and the unchanged distribution, so that bounds are respected.
    """
    point = found.point[:, None]
    values = state.draw.values(point)
    scores = state.draw.correlate(point)
    here = float(state.of_values(values, size=1)[0])
    rows = []
    for column, item in enumerate(state.draw.inputs):
        law = item.distribution
        for moment in ("mean", "sd"):
            value = law.parent_mean if moment == "mean" else law.parent_sd
            step = CHANGE * (value if value != 0.0 else law.parent_sd)
            try:
                moved = nudged(law, **{moment: step})
            except InputError as problem:
                rows.append(Elasticity(item.name, moment, value, step, np.nan, str(problem)))
                continue
            changed = {**values, item.name: moved.draw(scores[column])}
            there = float(state.of_values(changed, size=1)[0])
            rows.append(
                Elasticity(item.name, moment, value, step, (there - here) / found.slope, "ok")
            )
    return rows


def nudged(law: Distribution, *, mean: float = 0.0, sd: float = 0.0) -> Distribution:
    """Return a distribution whose moments before truncation are a little larger.

    Parameters
    ----------
    law
        A random distribution.
    mean, sd
        What is added to its mean and to its standard deviation, in the variable's unit.

    Returns
    -------
    A distribution of the same family; uniform and triangular move with their bounds, other bounds
    stay.

    Raises
    ------
    InputError
        If no such distribution exists, as for a beta that its bounds do not let widen.
    """
    centre, spread = law.parent_mean + mean, law.parent_sd + sd
    low, high = law.low, law.high
    if law.family in ("uniform", "triangular"):
        low, high = (centre + (end - law.mean) * spread / law.sd for end in (low, high))
        return distribution(law.family, mean=centre, low=low, high=high)
    return distribution(law.family, mean=centre, sd=spread, low=low, high=high)


def with_input(state: LimitState, name: str, law: Distribution) -> LimitState:
    """Return the limit state with another distribution of one input."""
    wall = state.wall
    inputs = tuple(
        replace(item, distribution=law) if item.name == name else item for item in wall.inputs
    )
    changed = replace(wall, inputs=inputs)
    return LimitState.of(changed, changed.plans[0], age=state.age)


def importance(alpha: Array, factor: Array | None) -> tuple[Array, Array]:
    """Share of each input in the failure: alpha squared, and gamma squared for correlated ones.

    Parameters
    ----------
    alpha
        (d,) from a `DesignPoint`.
    factor
        (d, d) lower Cholesky factor that correlates the columns, or None.

    Returns
    -------
    alpha^2 and gamma^2, (d,) each, both of sum 1. alpha^2 of a correlated input depends on the
    order of the columns, its sum over a correlated group does not; gamma^2 is free of the order.

    References
    ----------
    Der Kiureghian, First- and second-order reliability methods, in Engineering Design Reliability
    Handbook, 2005 (recalled).
    """
    squared = alpha**2
    if factor is None:
        return squared, squared.copy()
    gamma = np.linalg.lstsq(factor.T, alpha, rcond=None)[0]
    return squared, gamma**2 / np.sum(gamma**2)
