"""Which outputs are ranked: depth margin, initiation time, failure, gap between two strategies.

One object maps standard normal columns to all of them at every age, so that one sample serves the
whole life. Axes: d columns, n points, t ages, m outputs.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.distribution import fixed
from stripwise.distributions.sampling import InputSampler
from stripwise.risk.model.wall import COVER, Plan, SampleBlock, Values, Wall
from stripwise.risk.probability.integral import (
    Fronts,
    Integral,
    build_fronts,
    critical_diffusivity_factors,
    log_initiation_ages,
)

__all__ = [
    "EARLIEST_TIME",
    "FAILURE",
    "GAP",
    "LATEST_TIME",
    "MARGIN",
    "QUANTITIES",
    "TIME",
    "QuantitiesOfInterest",
]

Array = NDArray[np.float64]

MARGIN, TIME, GAP, FAILURE = (
    "depth margin",
    "ln initiation time",
    "margin gain over the reference",
    "failure",
)
QUANTITIES = (MARGIN, TIME, GAP, FAILURE)

EARLIEST_TIME, LATEST_TIME = 0.01, 10_000.0
"""Initiation times outside count as these ends, so that the logarithm is finite [yr]."""


@dataclass(frozen=True, slots=True)
class QuantitiesOfInterest:
    """The outputs of one strategy.

    Attributes
    ----------
    wall
        The wall under the strategy, then the reference if that is another one; inputs that reach
        neither are fixed.
    sampler
        All random inputs, d columns.
    integral, other_columns
        What the failure integrates exactly, and the rows of the columns that it does not.
    inner
        The draw of those columns.
    ages
        (t,) ages [yr].
    names
        (m) quantity and age of each output, NaN where it has none; continuous outputs first.
    """

    wall: Wall
    sampler: InputSampler
    integral: Integral
    other_columns: tuple[int, ...]
    inner: InputSampler
    ages: Array
    names: tuple[tuple[str, float], ...]

    @classmethod
    def from_wall(
        cls,
        wall: Wall,
        plan: Plan,
        *,
        reference: Plan,
        ages: Array,
        quantities: tuple[str, ...] = QUANTITIES,
    ) -> QuantitiesOfInterest:
        """Prepare the outputs of a strategy at ages (t,) [yr].

        The gap to the reference is left out where the strategy is the reference, failure where
        neither cover nor diffusivity is random.
        """
        plans = (plan, reference) if plan != reference and GAP in quantities else (plan,)
        inputs = tuple(
            replace(item, distribution=fixed(item.distribution.mean))
            if item.group == "curing" and not any(p.uses(item.name) for p in plans)
            else item
            for item in wall.inputs
        )
        own_wall = replace(wall, inputs=inputs, plans=plans)
        sampler = InputSampler.from_inputs(own_wall.inputs, own_wall.correlations, own_wall.draws)
        integral, inner = Integral.from_wall(own_wall)
        columns = (*sampler.column_names, *([] if sampler.draws is None else [""]))
        other_columns = tuple(
            i for i, name in enumerate(columns) if not name or name != integral.name
        )
        names: list[tuple[str, float]] = []
        for quantity in QUANTITIES:
            lacking = (quantity == GAP and len(plans) < 2) or (
                quantity == FAILURE and not integral.name
            )
            if quantity in quantities and not lacking:
                names += [(quantity, a) for a in ([np.nan] if quantity == TIME else ages.tolist())]
        return cls(
            own_wall, sampler, integral, other_columns, inner, np.asarray(ages), tuple(names)
        )

    @property
    def continuous(self) -> int:
        """Number of outputs that are no probabilities."""
        return sum(name != FAILURE for name, _ in self.names)

    @property
    def integrated(self) -> int:
        """Column that the failure integrates, -1 if none."""
        name = self.integral.name
        return self.sampler.column_names.index(name) if name else -1

    def __call__(self, z: Array) -> Array:
        """Return all outputs (m, n) at standard normal columns (d, n)."""
        values = self.sampler.values(z)
        block = self.wall.sample_block(values)
        out = np.empty((len(self.names), z.shape[1]))
        own_depths, reference_depths = self._depths(block)
        margin, time, gap, failure = (self._rows(name) for name in QUANTITIES)
        if margin.stop:
            np.subtract(values[COVER], own_depths, out=out[margin])
        if time.stop:
            one = self.wall.with_plans(self.wall.plans[:1])
            log_time = log_initiation_ages(one, block, values)[0]
            out[time] = np.clip(log_time, np.log(EARLIEST_TIME), np.log(LATEST_TIME))
        if gap.stop:
            with np.errstate(invalid="ignore"):
                np.subtract(reference_depths, own_depths, out=out[gap])
        if failure.stop:
            self._failure(z, values, block, own_depths, out[failure])
        return out

    def _rows(self, quantity: str) -> slice:
        """Return the rows of one quantity; a slice that ends at 0 if it has none."""
        rows = [i for i, (name, _) in enumerate(self.names) if name == quantity]
        return slice(rows[0], rows[-1] + 1) if rows else slice(0, 0)

    def _depths(self, block: SampleBlock) -> tuple[Array, Array]:
        """Return the fronts (t, n) of the strategy and of the reference, the last plan."""
        fronts = build_fronts(self.wall, block)
        if isinstance(fronts, Fronts) and fronts.spread:
            growth = np.exp(
                0.5 * self.wall.ageing_law.log_effective_time(self.ages[:, None], block.exponent)
            )
            start_depth = np.asarray(block.start_depth)
            own_depths = np.asarray(start_depth + fronts.spread[0] * growth)
            last = fronts.spread[-1]
            return own_depths, own_depths if len(fronts.spread) == 1 else np.asarray(
                start_depth + last * growth
            )
        stacks = [list(fronts.depths(float(age))) for age in self.ages]
        own_depths, last = (np.array(np.broadcast_arrays(*(s[i] for s in stacks))) for i in (0, -1))
        return own_depths, last

    def _failure(
        self, z: Array, values: Values, block: SampleBlock, depths: Array, out: Array
    ) -> None:
        """Fill in P(F | all inputs but the integrated one) at every age."""
        score_mean: Array | float = 0.0
        cover = self.integral.name == COVER
        conditions_anew = self.sampler.factor is not None or self.sampler.draws is not None
        if conditions_anew:
            # the copula conditions in its own column order
            inner_z = z[list(self.other_columns)]
            values = {**self.inner.values(inner_z), **({COVER: 0.0} if cover else {})}
            block = self.wall.sample_block(values)
            score_mean = self.integral.conditional_mean(self.inner.correlate(inner_z))
            depths = self._depths(block)[0] if cover else depths
        if cover:
            out[:] = self.integral.probability_below(depths, score_mean)
            return
        if not conditions_anew:
            values = {**values, self.integral.name: 1.0}
            block = self.wall.sample_block(values)
        one = self.wall.with_plans(self.wall.plans[:1])
        if one.conditions is not None:
            block = one.sample_block(values)
        critical_factor = critical_diffusivity_factors(
            one, replace(block, log_penalty=block.log_penalty[:1]), values[COVER], self.ages
        )[0]
        out[:] = self.integral.probability_below(critical_factor, score_mean, above=True)
