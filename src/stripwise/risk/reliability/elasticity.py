"""What drives the reliability index: importance of each input, and 1 % more in each moment."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.distribution import with_shifted_moments
from stripwise.errors import InputError
from stripwise.risk.reliability.form import DesignPoint
from stripwise.risk.reliability.limit_state import LimitState

__all__ = ["RELATIVE_STEP", "Elasticity", "elasticities", "importance_factors"]

Array = NDArray[np.float64]

RELATIVE_STEP = 0.01


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


def elasticities(state: LimitState, design_point: DesignPoint) -> list[Elasticity]:
    """Tabulate the change of beta for 1 % more in each mean and standard deviation.

    The other moment of the input, its bounds (except of a uniform or triangular, which its bounds
    describe) and all correlations stay.

    Parameters
    ----------
    design_point
        The design point of `state`.

    Returns
    -------
    Two rows per random input, in column order.

    Notes
    -----
    To first order d beta / d p = (d h / d p at u*) / |grad h|, with u* held (Ditlevsen and Madsen,
    Structural Reliability Methods, 1996, parametric sensitivity; recalled). Here d h is the
    difference between the changed and the unchanged distribution, so that bounds are respected.
    """
    point = design_point.point[:, None]
    values = state.sampler.values(point)
    scores = state.sampler.correlate(point)
    h_at_point = float(state.evaluate(values, size=1)[0])
    rows = []
    for column, item in enumerate(state.sampler.inputs):
        law = item.distribution
        for moment in ("mean", "sd"):
            value = law.parent_mean if moment == "mean" else law.parent_sd
            step = RELATIVE_STEP * (value if value != 0.0 else law.parent_sd)
            try:
                changed_law = with_shifted_moments(law, **{moment: step})
            except InputError as problem:
                rows.append(Elasticity(item.name, moment, value, step, np.nan, str(problem)))
                continue
            changed = {**values, item.name: changed_law.from_normal(scores[column])}
            h_changed = float(state.evaluate(changed, size=1)[0])
            rows.append(
                Elasticity(
                    item.name,
                    moment,
                    value,
                    step,
                    (h_changed - h_at_point) / design_point.slope,
                    "ok",
                )
            )
    return rows


def importance_factors(alpha: Array, factor: Array | None) -> tuple[Array, Array]:
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
