"""Which cover a hand calculation gives: the front at mean values, and a margin in mm to the bars.

It is the semi-probabilistic format with one safety element, the cover margin: the front at the end
of the design life, from the mean of every input and the characteristic penalty of the curing, may
come as near to the nominal cover as the margin. It gives no probability. The characteristic
penalties serve this format only; everywhere else the law uses their distributions. The face is
uniform: the penalty acts on the whole cover.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from stripwise.errors import InputError, NumericalError
from stripwise.ingress.front import critical_tau, front_depth
from stripwise.risk.model.own_front import BY_HAND_REFUSED
from stripwise.risk.model.wall import DIFFUSIVITY, Plan, SampleBlock, Wall

__all__ = [
    "design_life",
    "design_penalty",
    "largest_diffusivity",
    "required_nominal_cover",
    "wall_at_means",
]

Array = NDArray[np.float64]

GIVEN_PENALTY = "hand.penalty"
"""Name of the input that replaces a strategy's own penalty."""


def design_penalty(wall: Wall, plan: Plan) -> float:
    """Return the penalty factor of a strategy in this format.

    The characteristic penalty at the effective curing duration of mean values; the mean of the
    penalty where the strategy brings its own.
    """
    means = _means(wall)
    if plan.penalty:
        return means[plan.penalty]
    duration = plan.effective_days(means)
    return float(wall.law.characteristic(duration, wall.reference_d))


def wall_at_means(
    wall: Wall, plan: Plan, *, penalty: float
) -> tuple[Wall, SampleBlock, Mapping[str, float]]:
    """Return a wall under one strategy with a given penalty k_c, at the mean of every input.

    The wall with that strategy alone, its block of scalars, and the values by name.
    """
    values = {**_means(wall), GIVEN_PENALTY: penalty}
    one = wall.with_plans((Plan(plan.name, 24.0, 1.0, penalty=GIVEN_PENALTY),))
    return one, one.sample_block(values), values


def required_nominal_cover(wall: Wall, plan: Plan, *, life: float, margin: float) -> float:
    """Return the nominal cover that a strategy needs.

    Parameters
    ----------
    wall
        The wall; its own cover does not matter.
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
    penalty, block, tau = _front_at_means(wall, plan, life)
    return float(block.start_depth + front_depth(block.ratio, penalty * tau)) + margin


def design_life(wall: Wall, plan: Plan, *, cover: float, margin: float) -> float:
    """Return the design life that a nominal cover gives, the inverse of `required_nominal_cover`.

    Parameters
    ----------
    wall
        The wall; its own cover does not matter.
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
    penalty, block, _ = _front_at_means(wall, plan, 1.0)
    with np.errstate(divide="ignore"):
        log_effective_time = np.log(_critical_tau(block, cover - margin) / penalty) - block.log_rate
    return float(wall.ageing_law.age(log_effective_time, block.exponent))


def largest_diffusivity(
    wall: Wall, plan: Plan, *, cover: float, life: float, margin: float
) -> float:
    """Return the largest mean diffusivity with which a nominal cover lasts the design life.

    Parameters
    ----------
    wall
        The wall; its own cover and diffusivity do not matter.
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
    penalty, block, tau = _front_at_means(wall, plan, life)
    own = wall.input(DIFFUSIVITY).distribution.mean
    return float(own * _critical_tau(block, cover - margin) / (penalty * tau))


def _means(wall: Wall) -> dict[str, float]:
    return {item.name: item.distribution.mean for item in wall.inputs}


def _front_at_means(wall: Wall, plan: Plan, life: float) -> tuple[float, SampleBlock, float]:
    """Return the penalty, the block at mean values and its tau at an age [mm2]."""
    if wall.front_model is not None:
        raise NumericalError(BY_HAND_REFUSED)
    penalty = design_penalty(wall, plan)
    _, block, _ = wall_at_means(wall.with_uniform_penalty(), plan, penalty=penalty)
    tau = np.exp(block.log_rate + wall.ageing_law.log_effective_time(life, block.exponent))
    return penalty, block, float(tau)


def _critical_tau(block: SampleBlock, depth: float) -> Array:
    """Return the penalised tau at which the front reaches a depth from the surface [mm2]."""
    return critical_tau(depth - np.asarray(block.zone), block.ratio)


def _check(name: str, value: float, *, above: bool = False) -> None:
    if not math.isfinite(value) or value < 0.0 or (above and value == 0.0):
        rule = "must be above 0" if above else "must be at least 0"
        unit = "yr" if name == "life" else "mm"
        raise InputError(name, f"= {value:g} {unit}: {rule} {unit}")
