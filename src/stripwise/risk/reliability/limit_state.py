"""When a strategy fails by an age, as a function of independent standard normals.

Axes: d random inputs, n points.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.distribution import fixed
from stripwise.distributions.sampling import InputSampler
from stripwise.errors import InputError, NumericalError
from stripwise.risk.model.service_fronts import ServiceFronts
from stripwise.risk.model.service_options import refusal
from stripwise.risk.model.wall import COVER, Plan, SampleBlock, Values, Wall
from stripwise.risk.reliability.log_contents import (
    layered_log_relative_content,
    log_erfc,
    service_log_relative_content,
)

__all__ = ["LimitState", "single_strategy_wall"]

Array = NDArray[np.float64]

OWN_FRONT_REFUSED = (
    "the front is a model given with the case, which has no limit state here; take the sampled "
    "answer"
)
JOINT_DRAWS_REFUSED = (
    "the epistemic inputs come as joint draws, which have no normal scores to seek a design point "
    "among; take the sampled answer"
)
MIN_CONTENT = 1e-9
"""Floor of a difference of contents before its logarithm is taken [% by mass of binder]."""


def single_strategy_wall(wall: Wall, plan: Plan) -> Wall:
    """Return the wall under one strategy, the inputs that do not reach it held at their means."""
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
    sampler
        From standard normal columns to values.
    age
        Age since first exposure [yr].
    mechanism
        "chloride" or "carbonation" to look at that alone; empty for all that are at work.
    """

    wall: Wall
    sampler: InputSampler
    age: float
    mechanism: str = ""

    @classmethod
    def from_wall(cls, wall: Wall, plan: Plan, *, age: float) -> LimitState:
        """Build the limit state of a strategy at an age [yr].

        Raises
        ------
        InputError
            If the age is not above 0 or nothing is random.
        NumericalError
            If the surface content can fall: the content at the bars is then no measure of whether
            it was ever critical. If the front is a numerical solution.
        """
        if not (np.isfinite(age) and age > 0.0):
            raise InputError("age", f"= {age:g} yr; must be above 0 yr")
        own_wall = single_strategy_wall(wall, plan)
        sampler = InputSampler.from_inputs(own_wall.inputs, own_wall.correlations)
        if not sampler.dimensions:
            raise InputError("inputs", "none is random, so there is no probability to look for")
        if wall.front_model is not None:
            raise NumericalError(OWN_FRONT_REFUSED)
        if wall.draws is not None:
            raise NumericalError(JOINT_DRAWS_REFUSED)
        if reason := refusal("design point", wall.conditions):
            raise NumericalError(reason)
        return cls(own_wall, sampler, age)

    @property
    def mechanisms(self) -> tuple[str, ...]:
        """Mechanisms at work on the wall."""
        conditions = self.wall.conditions
        if conditions is None:
            return ("chloride",)
        active = {"chloride": conditions.chloride, "carbonation": conditions.carbonation}
        return tuple(name for name, at_work in active.items() if at_work)

    @property
    def dimensions(self) -> int:
        """Number of random inputs d."""
        return self.sampler.dimensions

    def __call__(self, u: Array) -> Array:
        """Return h for points u (d, n): below 0 is depassivated."""
        return np.asarray(self.with_kinks(u)[0])

    def with_kinks(self, u: Array) -> Array:
        """Return h and what changes its sign where h has a kink, (1 + m, n) for points u (d, n).

        The kink functions are the depths of the bars below the end of the convection zone and, of
        a penalised face, below the end of its skin [mm]; with two mechanisms the difference of
        theirs. The end of a rise of the surface content is none: it fades on the way to the bars.
        """
        return self._evaluate_rows(self.sampler.values(u), u.shape[1])

    def evaluate(self, values: Values, *, size: int) -> Array:
        """Return h for values of the inputs, (n,) with n = `size`."""
        return np.asarray(self._evaluate_rows(values, size)[0])

    def _evaluate_rows(self, values: Values, size: int) -> Array:
        considered = (self.mechanism,) if self.mechanism else self.mechanisms
        wall = self.wall
        if "chloride" not in considered and wall.conditions is not None:
            # a rise of the surface chloride is not needed
            wall = replace(wall, conditions=replace(wall.conditions, chloride=False))
        gaps, kinks = [], []
        with np.errstate(all="ignore"):  # far out a diffusivity may be 0
            block = wall.sample_block(values)
            service_fronts = (
                None if wall.conditions is None else ServiceFronts.from_block(wall, block)
            )
            scaled_cover = np.asarray(values[COVER]) / (
                service_fronts.service.factor if service_fronts else 1.0
            )
            if "chloride" in considered:
                gaps.append(self._chloride_gap(values, block, service_fronts))
                kinks.append(scaled_cover - block.zone)
                if wall.layered:
                    kinks.append(scaled_cover - block.skin)
            if service_fronts is not None and "carbonation" in considered:
                mean = self.wall.input(COVER).distribution.mean
                gaps.append((scaled_cover - service_fronts.carbonated_depth(0, self.age)) / mean)
        if len(gaps) > 1:
            kinks.append(gaps[0] - gaps[1])
        lowest = gaps[0] if len(gaps) == 1 else np.minimum(*gaps)
        return np.stack([np.broadcast_to(row, size) for row in (lowest, *kinks)])

    def _chloride_gap(
        self, values: Values, block: SampleBlock, service_fronts: ServiceFronts | None
    ) -> Array:
        resistance, action, log_relative_content = self._content_terms(
            values, block, service_fronts
        )
        gap = (
            _log_floor(resistance, MIN_CONTENT)
            - _log_floor(action, MIN_CONTENT)
            - log_relative_content
        )
        return np.where((resistance <= 0.0) & (action >= 0.0), np.minimum(gap, resistance), gap)

    def content_margin(self, u: Array) -> Array:
        """Return g = Ccrit - C [% by mass of binder] for points u (d, n), chloride alone."""
        values = self.sampler.values(u)
        with np.errstate(all="ignore"):
            block = self.wall.sample_block(values)
            service_fronts = (
                None if self.wall.conditions is None else ServiceFronts.from_block(self.wall, block)
            )
            resistance, action, log_relative_content = self._content_terms(
                values, block, service_fronts
            )
        return np.array(
            np.broadcast_to(resistance - action * np.exp(log_relative_content), u.shape[1])
        )

    def _content_terms(
        self, values: Values, block: SampleBlock, service_fronts: ServiceFronts | None
    ) -> tuple[Array, Array, Array]:
        """Return Ccrit - C0, Cs - C0 (at least 0), and ln of the share of the latter."""
        wall = self.wall
        initial = np.asarray(values["exposure.initial_chloride"])
        resistance = np.asarray(values["reinforcement.critical_chloride"]) - initial
        action = np.maximum(np.asarray(values["exposure.surface_chloride"]) - initial, 0.0)
        if service_fronts is not None:
            return (
                resistance,
                action,
                service_log_relative_content(service_fronts, values[COVER], self.age),
            )
        log_tau = block.log_rate + wall.ageing_law.log_effective_time(self.age, block.exponent)
        depth = np.maximum(np.asarray(values[COVER]) - block.zone, 0.0)
        log_k = block.log_penalty[0]
        if wall.layered:
            skin = np.maximum(block.skin - block.zone, 0.0)
            log_relative_content = layered_log_relative_content(
                depth, log_tau, penalty=np.exp(log_k), skin=skin
            )
        else:
            log_relative_content = log_erfc(0.5 * depth * np.exp(-0.5 * (log_tau + log_k)))
        return resistance, action, np.asarray(log_relative_content)


def _log_floor(value: Array, floor: float) -> Array:
    return np.asarray(np.log(np.maximum(value, floor)))
