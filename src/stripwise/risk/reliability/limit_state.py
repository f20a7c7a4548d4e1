"""The limit state of one strategy at one age, as a function of independent standard normals.

Axes: d random inputs, n points.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.distribution import fixed
from stripwise.distributions.sampling import Draw
from stripwise.errors import InputError, NumericalError
from stripwise.risk.model.service_fronts import ServiceFronts
from stripwise.risk.model.wall import COVER, Face, Plan, Values, Wall
from stripwise.risk.reliability.log_contents import layered_log_share, log_erfc, service_log_share

__all__ = ["LimitState", "relevant"]

Array = NDArray[np.float64]

LEAST_CONTENT = 1e-9
"""Floor of a difference of contents before its logarithm is taken [% by mass of binder]."""


def relevant(wall: Wall, plan: Plan) -> Wall:
    """Return the wall under one strategy, the inputs that do not reach it held at their means.

    Parameters
    ----------
    wall
        A wall with any strategies.
    plan
        One of them.

    Returns
    -------
    A wall with that strategy alone; its random inputs all have a say.
    """
    inputs = tuple(
        replace(item, distribution=fixed(item.distribution.mean))
        if item.group == "curing" and not plan.uses(item.name)
        else item
        for item in wall.inputs
    )
    return replace(wall, inputs=inputs, plans=(plan,))


@dataclass(frozen=True, slots=True)
class LimitState:
    """Depassivation of one strategy by one age, in the content of chloride at the bars.

    g = Ccrit - C(max(cover - dx, 0), t) is continuous everywhere, while the depth form cover - x_c
    jumps where the surface content falls below the critical one. Where the bars lie deep and the
    wall is young, g is flat; `__call__` therefore gives ln(Ccrit - C0) - ln(C - C0), which has the
    same sign and the same zero, and keeps a slope. Under service conditions C is that of a rising
    surface content or of integrated seasons; where the cover carbonates too, the smaller of this
    and of (cover - carbonated depth) / mean cover counts, as the first of the two depassivates.

    Attributes
    ----------
    wall
        The wall under one strategy.
    draw
        From standard normal columns to values.
    age
        Age since first exposure [yr].
    mechanism
        "chloride" or "carbonation" to look at that alone; empty for all that are at work.
    """

    wall: Wall
    draw: Draw
    age: float
    mechanism: str = ""

    @classmethod
    def of(cls, wall: Wall, plan: Plan, *, age: float) -> LimitState:
        """Build the limit state of a strategy at an age.

        Parameters
        ----------
        wall
            The wall.
        plan
            The strategy.
        age
            Age since first exposure [yr].

        Returns
        -------
        The `LimitState`.

        Raises
        ------
        InputError
            If the age is not above 0 or nothing is random.
        NumericalError
            If the surface content can fall: the content at the bars is then no measure of whether
            it was ever critical.
        """
        if not (np.isfinite(age) and age > 0.0):
            raise InputError("age", f"= {age:g} yr; must be above 0 yr")
        one = relevant(wall, plan)
        draw = Draw.of(one.inputs, one.correlations)
        if not draw.dimensions:
            raise InputError("inputs", "none is random, so there is no probability to look for")
        history = None if wall.conditions is None else wall.conditions.history
        if history is not None and history.falls:
            raise NumericalError(
                "the surface chloride falls in time, so that the content at the bars does not tell "
                "whether it was ever critical; take the sampled answer"
            )
        if wall.conditions is not None and wall.conditions.numerical:
            raise NumericalError(
                "the front behind layers or a coating is a numerical solution, which has no limit "
                "state here; take the sampled answer"
            )
        return cls(one, draw, age)

    @property
    def mechanisms(self) -> tuple[str, ...]:
        """What is at work on the wall."""
        conditions = self.wall.conditions
        if conditions is None:
            return ("chloride",)
        there = {"chloride": conditions.chloride, "carbonation": conditions.carbonation}
        return tuple(name for name, at_work in there.items() if at_work)

    @property
    def dimensions(self) -> int:
        """Number of random inputs d."""
        return self.draw.dimensions

    def __call__(self, u: Array) -> Array:
        """Return h for points u (d, n): below 0 is depassivated."""
        return np.asarray(self.with_edges(u)[0])

    def with_edges(self, u: Array) -> Array:
        """Return h and what changes its sign where h has a kink, (1 + m, n) for points u (d, n).

        The edges are the depths of the bars below the end of the convection zone and, of a
        penalised face, below the end of its skin [mm]; with two mechanisms the difference of
        theirs. The end of a rise of the surface content is none: it fades on the way to the bars.
        """
        return self._rows(self.draw.values(u), u.shape[1])

    def of_values(self, values: Values, *, size: int) -> Array:
        """Return h for values of the inputs, (n,) with n = `size`."""
        return np.asarray(self._rows(values, size)[0])

    def _rows(self, values: Values, size: int) -> Array:
        looked_at = (self.mechanism,) if self.mechanism else self.mechanisms
        wall = self.wall
        if "chloride" not in looked_at and wall.conditions is not None:
            # a rise of the surface chloride is not needed
            wall = replace(wall, conditions=replace(wall.conditions, chloride=False))
        gaps, edges = [], []
        with np.errstate(all="ignore"):  # far out a diffusivity may be 0
            face = wall.face(values)
            service = None if wall.conditions is None else ServiceFronts.of(wall, face)
            deep = np.asarray(values[COVER]) / (service.extras.factor if service else 1.0)
            if "chloride" in looked_at:
                gaps.append(self._chloride_gap(values, face, service))
                edges.append(deep - face.zone)
                if wall.layered:
                    edges.append(deep - face.skin)
            if service is not None and "carbonation" in looked_at:
                mean = self.wall.input(COVER).distribution.mean
                gaps.append((deep - service.carbonated(0, self.age)) / mean)
        if len(gaps) > 1:
            edges.append(gaps[0] - gaps[1])
        lowest = gaps[0] if len(gaps) == 1 else np.minimum(*gaps)
        return np.stack([np.broadcast_to(row, size) for row in (lowest, *edges)])

    def _chloride_gap(self, values: Values, face: Face, service: ServiceFronts | None) -> Array:
        resistance, action, log_share = self._parts(values, face, service)
        gap = _log(resistance, LEAST_CONTENT) - _log(action, LEAST_CONTENT) - log_share
        return np.where((resistance <= 0.0) & (action >= 0.0), np.minimum(gap, resistance), gap)

    def content(self, u: Array) -> Array:
        """Return g = Ccrit - C [% by mass of binder] for points u (d, n), chloride alone."""
        values = self.draw.values(u)
        with np.errstate(all="ignore"):
            face = self.wall.face(values)
            service = None if self.wall.conditions is None else ServiceFronts.of(self.wall, face)
            resistance, action, log_share = self._parts(values, face, service)
        return np.array(np.broadcast_to(resistance - action * np.exp(log_share), u.shape[1]))

    def _parts(
        self, values: Values, face: Face, service: ServiceFronts | None
    ) -> tuple[Array, Array, Array]:
        """Ccrit - C0, Cs - C0 (at least 0), and the logarithm of the share of the latter."""
        wall = self.wall
        initial = np.asarray(values["exposure.initial_chloride"])
        resistance = np.asarray(values["reinforcement.critical_chloride"]) - initial
        action = np.maximum(np.asarray(values["exposure.surface_chloride"]) - initial, 0.0)
        if service is not None:
            return resistance, action, service_log_share(service, values[COVER], self.age)
        log_tau = face.log_rate + wall.clock.log_shape(self.age, face.exponent)
        depth = np.maximum(np.asarray(values[COVER]) - face.zone, 0.0)
        log_k = face.log_penalty[0]
        if wall.layered:
            skin = np.maximum(face.skin - face.zone, 0.0)
            log_share = layered_log_share(depth, log_tau, penalty=np.exp(log_k), skin=skin)
        else:
            log_share = log_erfc(0.5 * depth * np.exp(-0.5 * (log_tau + log_k)))
        return resistance, action, np.asarray(log_share)


def _log(value: Array, least: float) -> Array:
    return np.asarray(np.log(np.maximum(value, least)))
