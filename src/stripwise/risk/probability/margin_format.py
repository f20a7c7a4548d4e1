"""The semi-probabilistic format: the front at mean values, and a margin in mm beneath the bars.

It is a hand calculation with one safety element, the cover margin: the front at the end of the
design life, from the mean of every input and the characteristic penalty of the curing, may come as
near to the nominal cover as the margin. It gives no probability. The characteristic penalties serve
this format only; everywhere else the law uses their distributions. The face is uniform: the penalty
acts on the whole cover.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stripwise.curing.curing_law import CHARACTERISTIC, LawDraws, relative_log_penalty
from stripwise.errors import InputError
from stripwise.ingress.front import critical_tau, front_depth
from stripwise.risk.model.wall import DIFFUSIVITY, Face, Plan, Wall

__all__ = [
    "at_means",
    "characteristic_penalty",
    "design_life",
    "design_penalty",
    "largest_diffusivity",
    "needed_cover",
]

Array = NDArray[np.float64]

GIVEN = "hand.penalty"
"""Name of the penalty that stands in for a strategy's own."""


def characteristic_penalty(duration_d: ArrayLike, *, reference_d: float = 7.0) -> Array:
    """Return the characteristic penalty factor after an effective curing duration.

    Parameters
    ----------
    duration_d
        Effective curing duration, any shape, above 0 [d].
    reference_d
        Curing of the concrete that the diffusivity belongs to [d].

    Returns
    -------
    k_c of the shape of `duration_d`.

    Raises
    ------
    InputError
        If a duration is not above 0 or is NaN.

    Notes
    -----
    Log-log between 1, 3, 7 and 28 d and constant beyond, as the law is. Below 1 d nothing is
    published: the line through 1 and 3 d is continued, an extrapolation.

    References
    ----------
    DuraCrete R17, General Guidelines for Durability Design and Redesign, BE95-1347, 2000
    (recalled).

    Examples
    --------
    >>> [round(float(k), 3) for k in characteristic_penalty([0.5, 1.0, 3.0, 28.0])]
    [2.556, 2.08, 1.5, 0.79]
    """
    one, three, late = (np.asarray(math.log(CHARACTERISTIC[days])) for days in (1.0, 3.0, 28.0))
    draws = LawDraws(one, three, late, np.asarray((one - three) / math.log(3.0)))
    return np.asarray(np.exp(relative_log_penalty(duration_d, reference_d, draws=draws)))


def design_penalty(wall: Wall, plan: Plan) -> float:
    """Return the penalty factor of a strategy in this format.

    Parameters
    ----------
    wall
        The wall.
    plan
        The strategy.

    Returns
    -------
    The characteristic penalty at the effective curing duration of mean values; the mean of the
    penalty where the strategy brings its own.
    """
    means = _means(wall)
    if plan.penalty:
        return means[plan.penalty]
    duration = plan.effective_days(means)
    return float(characteristic_penalty(duration, reference_d=wall.reference_d))


def at_means(wall: Wall, plan: Plan, *, penalty: float) -> tuple[Wall, Face, Mapping[str, float]]:
    """Return a wall under one strategy with a given penalty, at the mean of every input.

    Parameters
    ----------
    wall
        The wall.
    plan
        The strategy.
    penalty
        Its penalty factor k_c.

    Returns
    -------
    The wall with that strategy alone, its face of scalars, and the values by name.
    """
    values = {**_means(wall), GIVEN: penalty}
    one = wall.with_plans((Plan(plan.name, 24.0, 1.0, penalty=GIVEN),))
    return one, one.face(values), values


def needed_cover(wall: Wall, plan: Plan, *, life: float, margin: float) -> float:
    """Return the nominal cover that a strategy needs.

    Parameters
    ----------
    wall
        The wall; its own cover does not matter.
    plan
        The strategy.
    life
        Design life since first exposure [yr].
    margin
        Cover margin [mm].

    Returns
    -------
    Depth of the front at the design life plus the margin [mm]; the margin alone where there is no
    front, inf where the steel is depassivated from the start.

    Raises
    ------
    InputError
        If the life is not above 0 or the margin is negative.

    Notes
    -----
    c_nom = x_c(t) + margin, x_c = dx + 2 z sqrt(k_c tau(t)), z = erfcinv((Ccrit-C0)/(Cs-C0)).

    References
    ----------
    Front: fib Bulletin 34, 2006, Annex B2 (recalled). Margin: van der Wegen, Polder and van
    Breugel, HERON 57(3), 2012, with 20 mm (read); DuraCrete R17, 2000, with 8 to 20 mm (recalled).
    """
    _check("life", life, above=True)
    _check("margin", margin)
    penalty, face, tau = _design(wall, plan, life)
    return float(face.edge + front_depth(face.ratio, penalty * tau)) + margin


def design_life(wall: Wall, plan: Plan, *, cover: float, margin: float) -> float:
    """Return the design life that a nominal cover gives, the inverse of `needed_cover`.

    Parameters
    ----------
    wall
        The wall; its own cover does not matter.
    plan
        The strategy.
    cover
        Nominal cover [mm].
    margin
        Cover margin [mm].

    Returns
    -------
    Time since first exposure at which the front comes as near to the bars as the margin [yr]; 0
    where it starts there, inf where there is no front.

    Raises
    ------
    InputError
        If the cover or the margin is negative.
    """
    _check("cover", cover)
    _check("margin", margin)
    penalty, face, _ = _design(wall, plan, 1.0)
    with np.errstate(divide="ignore"):
        log_shape = np.log(_allowed(face, cover - margin) / penalty) - face.log_rate
    return float(wall.clock.age(log_shape, face.exponent))


def largest_diffusivity(
    wall: Wall, plan: Plan, *, cover: float, life: float, margin: float
) -> float:
    """Return the largest mean diffusivity with which a nominal cover lasts the design life.

    Parameters
    ----------
    wall
        The wall; its own cover and diffusivity do not matter.
    plan
        The strategy.
    cover
        Nominal cover [mm].
    life
        Design life since first exposure [yr].
    margin
        Cover margin [mm].

    Returns
    -------
    Diffusivity at its reference age [mm2/yr]; 0 where none is small enough, inf where there is no
    front.

    Raises
    ------
    InputError
        If the life is not above 0, or the cover or the margin is negative.
    """
    _check("life", life, above=True)
    _check("cover", cover)
    _check("margin", margin)
    penalty, face, tau = _design(wall, plan, life)
    own = wall.input(DIFFUSIVITY).distribution.mean
    return float(own * _allowed(face, cover - margin) / (penalty * tau))


def _means(wall: Wall) -> dict[str, float]:
    return {item.name: item.distribution.mean for item in wall.inputs}


def _design(wall: Wall, plan: Plan, life: float) -> tuple[float, Face, float]:
    """Return the penalty, the face at mean values and its tau at an age [mm2]."""
    penalty = design_penalty(wall, plan)
    _, face, _ = at_means(wall.uniform(), plan, penalty=penalty)
    tau = np.exp(face.log_rate + wall.clock.log_shape(life, face.exponent))
    return penalty, face, float(tau)


def _allowed(face: Face, depth: float) -> Array:
    """Penalised tau at which the front reaches a depth from the surface [mm2]."""
    return critical_tau(depth - np.asarray(face.zone), face.ratio)


def _check(name: str, value: float, *, above: bool = False) -> None:
    if not math.isfinite(value) or value < 0.0 or (above and value == 0.0):
        rule = "must be above 0" if above else "must be at least 0"
        unit = "yr" if name == "life" else "mm"
        raise InputError(name, f"= {value:g} {unit}: {rule} {unit}")
