"""Which uncertainty drives the depth margin of every strategy at one age.

Axes: r repeats, n base points, d inputs, k sets of inputs, s strategies.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.sampling import InputSampler
from stripwise.risk.model.wall import COVER, SampleBlock, Values, Wall
from stripwise.risk.probability.integral import front_depths
from stripwise.risk.sensitivity.input_sets import (
    RankedItem,
    additive_cover,
    column_sets,
    ranked_items,
)
from stripwise.risk.sensitivity.sobol import (
    SobolDesign,
    SobolEstimates,
    accumulate_sums,
    indices_from_sums,
    output_shift,
)

__all__ = ["MarginIndices", "margin_indices"]

Array = NDArray[np.float64]

BASE_POINTS = 1024
NUMERICAL_POINTS = 256
"""The same where every front is a numerical solution; intervals are wider for it."""


@dataclass(frozen=True, slots=True)
class MarginIndices:
    """Indices of the depth margin.

    Attributes
    ----------
    items
        Inputs, then groups.
    sets
        (k) sets of columns of those that have an index.
    estimates
        Estimates (r, k, s).
    sampled
        The same with the share of the cover sampled too, as a check of the exact one.
    """

    items: tuple[RankedItem, ...]
    sets: tuple[tuple[int, ...], ...]
    estimates: SobolEstimates
    sampled: SobolEstimates

    def of(self, item: RankedItem) -> tuple[Array, Array]:
        """Return the first and total index (r, s) of an item that has one."""
        k = self.sets.index(item.columns)
        return self.estimates.first[:, k], self.estimates.total[:, k]


def margin_indices(
    wall: Wall, age: float, *, repeats: int, seed: int, workers: int = 2
) -> MarginIndices:
    """Return Sobol' indices of the depth margin at an age [yr]: by input, and by group.

    Correlated inputs move together as one group; alone they are undefined. The share of an
    independent cover is exact: sd^2 over sd^2 plus the variance of the front's depth.
    """
    wall = wall.with_coarse_grid()
    sampler = InputSampler.from_inputs(wall.inputs, wall.correlations, wall.draws)

    def margins(values: Values, block: SampleBlock, size: int) -> Array:
        depths = front_depths(wall, block, age)
        margin = np.empty((len(depths), size))
        for row, depth in zip(margin, depths, strict=True):
            row[...] = values[COVER] - depth
        return margin

    def model(z: Array) -> Array:
        values = sampler.values(z)
        return margins(values, wall.sample_block(values), z.shape[1])

    def mixer(a: Array, b: Array) -> Callable[[tuple[int, ...]], Array]:
        own, others = sampler.values(a), sampler.values(b)
        block = wall.sample_block(own)

        def outputs(columns: tuple[int, ...]) -> Array:
            names = [sampler.names[k] for k in columns]
            values = {**own, **{name: others[name] for name in names}}
            return margins(values, wall.changed_block(block, values, names), a.shape[1])

        return outputs

    items, outputs = ranked_items(sampler), len(wall.plans)
    layout = SobolDesign(
        sampler.dimensions,
        column_sets(items),
        outputs,
        additive=additive_cover(sampler, outputs=outputs),
    )
    shift = output_shift(model, layout)
    sums = accumulate_sums(
        model,
        layout,
        start=0,
        points=NUMERICAL_POINTS if wall.numerical else BASE_POINTS,
        repeats=repeats,
        seed=seed,
        shift=shift,
        stage="sensitivity",
        workers=wall.useful_workers(workers),
        # correlated inputs and joint draws have no column each
        mixer=mixer if sampler.factor is None and sampler.draws is None else None,
    )
    estimates, sampled = (
        indices_from_sums(sums, one, shift=shift)
        for one in (layout, replace(layout, additive=None))
    )
    return MarginIndices(items, layout.sets, estimates, sampled)
