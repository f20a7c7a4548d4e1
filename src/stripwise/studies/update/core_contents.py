"""Which chloride contents the model expects in the layers of a core.

Axes: m layers, n draws, k points of what varies along the wall.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.random_input import Input
from stripwise.evidence.profiles.layer_averages import ierfc
from stripwise.evidence.profiles.two_layer_averages import mean_two_layer_content
from stripwise.ingress.front import uniform_relative_content
from stripwise.risk.model.wall import DIFFUSIVITY, Number, Values, Wall

__all__ = ["CoreModel", "core_inputs"]

Array = NDArray[np.float64]

SURFACE, INITIAL, ZONE = (
    "exposure.surface_chloride",
    "exposure.initial_chloride",
    "exposure.convection_zone",
)
SKIN = "curing.affected_depth"
CONTENT_INPUTS = (
    SURFACE,
    INITIAL,
    ZONE,
    DIFFUSIVITY,
    "concrete.ageing_exponent",
    "concrete.temperature_coefficient",
    "exposure.temperature",
)
"""Inputs that a content depends on besides the penalty."""

LEAST_LOG_TAU = -40.0
"""ln of a transformed time [ln(mm2)] that stands for none at all."""

IERFC_0 = 1.0 / np.sqrt(np.pi)


def core_inputs(wall: Wall) -> tuple[Input, ...]:
    """Return the inputs that the content of a core of a wall with one strategy depends on."""
    plan = wall.plans[0]
    names = {*CONTENT_INPUTS, *(() if plan.penalty else wall.law.inputs)}
    names |= {plan.penalty, plan.factor, plan.retention}
    if isinstance(plan.strip_age, str) and not plan.penalty:
        names.add(plan.strip_age)
    if wall.layered:
        names.add(SKIN)
    if wall.conditions is not None:
        names.add(wall.conditions.model_factor)
    return tuple(item for item in wall.inputs if item.name in names)


@dataclass(frozen=True, slots=True, eq=False)
class CoreModel:
    """Contents of the layers of one core.

    Attributes
    ----------
    wall
        The wall, with the strategy of the core's face alone.
    age
        Exposure [yr].
    upper, lower
        (m,) faces of the layers [mm], equal for readings at a depth.
    """

    wall: Wall
    age: float
    upper: Array
    lower: Array

    def contents(self, values: Values) -> Array:
        """Return the mean content of each layer [% by mass of binder], (m, n, k).

        `values` are (n, k), (n, 1) or numbers by name.
        """
        surface, initial = (np.asarray(values[name]) for name in (SURFACE, INITIAL))
        share = self.shares(values)
        return np.asarray(initial + (surface - initial) * share)

    def shares(self, values: Values) -> Array:
        """Return the share of the rise at the surface in each layer, (m, n, k)."""
        wall, zone = self.wall, values[ZONE]
        conditions = wall.conditions
        stretch: Number = 1.0
        if conditions is not None and conditions.model_factor:
            stretch = values[conditions.model_factor]
        with np.errstate(divide="ignore"):
            log_tau = wall.log_rate(values) + wall.ageing_law.log_effective_time(
                self.age, values["concrete.ageing_exponent"]
            )
        log_tau = np.maximum(log_tau, LEAST_LOG_TAU)
        (log_penalty,) = wall.log_penalties(values)
        if wall.layered:
            skin = np.maximum(np.asarray(values[SKIN]) - zone, 0.0)
            return self._layered_shares(np.exp(log_tau), log_penalty, skin, zone, stretch)
        length = 2.0 * np.exp(0.5 * (log_tau + log_penalty))
        return self._uniform_shares(np.asarray(length * stretch), zone)

    def _uniform_shares(self, length: Array, zone: Number) -> Array:
        """Average erfc((x - zone) / length) over the layers, 1 above the zone."""
        points = self.upper == self.lower
        edges, place = np.unique(
            np.concatenate([self.upper[~points], self.lower[~points]]), return_inverse=True
        )
        # the integral of the share from the surface down to each face of a layer
        below = [
            np.minimum(edge, zone)
            + length * (IERFC_0 - ierfc(np.maximum(edge - zone, 0.0) / length))
            for edge in edges
        ]
        first, last = np.split(place, 2)
        means = iter(
            (below[j] - below[i]) / (edges[j] - edges[i]) for i, j in zip(first, last, strict=True)
        )
        tau = 0.25 * length * length
        found = [
            uniform_relative_content(x - zone, tau) if point else next(means)
            for x, point in zip(self.upper, points, strict=True)
        ]
        return np.array(np.broadcast_arrays(*found))

    def _layered_shares(
        self, tau: Array, log_penalty: Number, skin: Array, zone: Number, stretch: Number
    ) -> Array:
        """Average as `_uniform_shares` over a skin on better or worse concrete."""
        found = []
        for x1, x2 in zip(self.upper, self.lower, strict=True):
            a, b = np.maximum(x1 - zone, 0.0), np.maximum(x2 - zone, 0.0)
            mean = mean_two_layer_content(
                a / stretch, b / stretch, core=tau, ratio=np.exp(log_penalty), skin=skin
            )
            inside = (b - a) / (x2 - x1) if x2 > x1 else 1.0
            found.append(1.0 - inside + inside * mean)
        return np.array(np.broadcast_arrays(*found))
