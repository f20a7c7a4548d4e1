"""What is ranked: depth margin, initiation time, failure and the gap between two strategies.

One object maps standard normal columns to all of them at every age, so that one sample serves the
whole life. Axes: d columns, n points, t ages, m outputs.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.distribution import fixed
from stripwise.distributions.sampling import Draw
from stripwise.risk.model.wall import COVER, Face, Plan, Values, Wall
from stripwise.risk.probability.integral import (
    Fronts,
    Integral,
    fronts_of,
    least_factors,
    log_initiation_ages,
)

__all__ = [
    "EARLIEST",
    "FAILURE",
    "GAP",
    "LATEST",
    "MARGIN",
    "QUANTITIES",
    "TIME",
    "Quantities",
    "correlated_clusters",
]

Array = NDArray[np.float64]

MARGIN, TIME, GAP, FAILURE = (
    "depth margin",
    "ln initiation time",
    "margin gain over the reference",
    "failure",
)
QUANTITIES = (MARGIN, TIME, GAP, FAILURE)

EARLIEST, LATEST = 0.01, 10_000.0
"""Initiation times outside count as these ends, so that the logarithm is finite [yr]."""


@dataclass(frozen=True, slots=True)
class Quantities:
    """The outputs of one strategy.

    Attributes
    ----------
    wall
        The wall under the strategy, then the reference if that is another one; inputs that reach
        neither are fixed.
    draw
        All random inputs, d columns.
    integral, others
        What the failure integrates exactly, and the rows of the columns that it does not.
    inner
        The draw of those columns.
    ages
        (t,) ages [yr].
    names
        (m) quantity and age of each output, NaN where it has none; plain outputs first.
    """

    wall: Wall
    draw: Draw
    integral: Integral
    others: tuple[int, ...]
    inner: Draw
    ages: Array
    names: tuple[tuple[str, float], ...]

    @classmethod
    def of(
        cls,
        wall: Wall,
        plan: Plan,
        *,
        reference: Plan,
        ages: Array,
        wanted: tuple[str, ...] = QUANTITIES,
    ) -> Quantities:
        """Prepare the outputs of a strategy.

        Parameters
        ----------
        wall
            The wall with any strategies.
        plan, reference
            The strategy, and the one that its margin is compared with.
        ages
            (t,) ages [yr].
        wanted
            Some of `QUANTITIES`. The gap is left out where the strategy is the reference, failure
            where neither cover nor diffusivity is random.

        Returns
        -------
        The `Quantities`.
        """
        plans = (plan, reference) if plan != reference and GAP in wanted else (plan,)
        inputs = tuple(
            replace(item, distribution=fixed(item.distribution.mean))
            if item.group == "curing" and not any(p.uses(item.name) for p in plans)
            else item
            for item in wall.inputs
        )
        own = replace(wall, inputs=inputs, plans=plans)
        draw = Draw.of(own.inputs, own.correlations)
        integral, inner = Integral.of(own)
        others = tuple(i for i, name in enumerate(draw.names) if name != integral.name)
        names: list[tuple[str, float]] = []
        for quantity in QUANTITIES:
            lacking = (quantity == GAP and len(plans) < 2) or (
                quantity == FAILURE and not integral.name
            )
            if quantity in wanted and not lacking:
                names += [(quantity, a) for a in ([np.nan] if quantity == TIME else ages.tolist())]
        return cls(own, draw, integral, others, inner, np.asarray(ages), tuple(names))

    @property
    def plain(self) -> int:
        """Number of outputs that are no probabilities."""
        return sum(name != FAILURE for name, _ in self.names)

    @property
    def integrated(self) -> int:
        """Column that the failure integrates, -1 if none."""
        name = self.integral.name
        return self.draw.names.index(name) if name else -1

    def __call__(self, z: Array) -> Array:
        """Return all outputs (m, n) at standard normal columns (d, n)."""
        values = self.draw.values(z)
        face = self.wall.face(values)
        out = np.empty((len(self.names), z.shape[1]))
        own, other = self._depths(face)
        margin, time, gap, failure = (self._rows(name) for name in QUANTITIES)
        if margin.stop:
            np.subtract(values[COVER], own, out=out[margin])
        if time.stop:
            one = self.wall.with_plans(self.wall.plans[:1])
            log_time = log_initiation_ages(one, face, values)[0]
            out[time] = np.clip(log_time, np.log(EARLIEST), np.log(LATEST))
        if gap.stop:
            with np.errstate(invalid="ignore"):
                np.subtract(other, own, out=out[gap])
        if failure.stop:
            self._failure(z, values, face, own, out[failure])
        return out

    def _rows(self, quantity: str) -> slice:
        """Rows of one quantity; an empty slice that ends at 0 if it was not wanted."""
        rows = [i for i, (name, _) in enumerate(self.names) if name == quantity]
        return slice(rows[0], rows[-1] + 1) if rows else slice(0, 0)

    def _depths(self, face: Face) -> tuple[Array, Array]:
        """Fronts (t, n) of the strategy and of the reference, the last plan."""
        fronts = fronts_of(self.wall, face)
        if isinstance(fronts, Fronts) and fronts.spread:
            growth = np.exp(0.5 * self.wall.clock.log_shape(self.ages[:, None], face.exponent))
            edge = np.asarray(face.edge)
            own = np.asarray(edge + fronts.spread[0] * growth)
            last = fronts.spread[-1]
            return own, own if len(fronts.spread) == 1 else np.asarray(edge + last * growth)
        stacks = [list(fronts.at(float(age))) for age in self.ages]
        own, last = (np.array(np.broadcast_arrays(*(s[i] for s in stacks))) for i in (0, -1))
        return own, last

    def _failure(self, z: Array, values: Values, face: Face, depths: Array, out: Array) -> None:
        """Fill in P(F | all inputs but the integrated one) at every age."""
        shift: Array | float = 0.0
        cover = self.integral.name == COVER
        if self.draw.factor is not None:
            # the copula conditions in its own order of columns
            inner_z = z[list(self.others)]
            values = {**self.inner.values(inner_z), **({COVER: 0.0} if cover else {})}
            face = self.wall.face(values)
            shift = self.integral.shift(self.inner.correlate(inner_z))
            depths = self._depths(face)[0] if cover else depths
        if cover:
            out[:] = self.integral.below(depths, shift)
            return
        if self.draw.factor is None:
            values = {**values, self.integral.name: 1.0}
            face = self.wall.face(values)
        one = self.wall.with_plans(self.wall.plans[:1])
        if one.conditions is not None:
            face = one.face(values)
        least = least_factors(
            one, replace(face, log_penalty=face.log_penalty[:1]), values[COVER], self.ages
        )[0]
        out[:] = self.integral.below(least, shift, above=True)

    def clipped_share(self, log_times: Array) -> float:
        """Share of logarithms of initiation times (n,) that stand at one of their two ends."""
        ends = np.log([EARLIEST, LATEST])
        return float(np.mean((log_times <= ends[0]) | (log_times >= ends[1])))


def correlated_clusters(draw: Draw) -> list[tuple[int, ...]]:
    """List, for each column, the columns correlated with it directly or through others.

    Parameters
    ----------
    draw
        Columns and their copula.

    Returns
    -------
    d tuples of columns, each with the column itself.
    """
    d = draw.dimensions
    linked = np.eye(d, dtype=bool)
    if draw.factor is not None:
        linked |= np.abs(draw.factor @ draw.factor.T) > 1e-12
        for _ in range(d):
            linked = (linked.astype(int) @ linked.astype(int)) > 0
    return [tuple(int(j) for j in np.flatnonzero(row)) for row in linked]
