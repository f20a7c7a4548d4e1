"""Epistemic draws that many walls share: what is not known of all of them is drawn once.

What lies between walls (`between_walls`, the error of a mean cover) is each wall's own and belongs
to its scatter here, unless it is declared to be shared.

Axes: k draws, n aleatory points.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.random_input import Input
from stripwise.distributions.sampling import InputSampler, random_stream, sobol_blocks
from stripwise.risk.model.wall import MEAN_COVER_OFFSET, Wall
from stripwise.risk.probability.nested_sampling import NestedSample

__all__ = ["draw_scores", "is_own", "shared_names", "shared_sample", "with_own_as_scatter"]

Array = NDArray[np.float64]


def is_own(item: Input) -> bool:
    """Whether what is epistemic of an input is each wall's own."""
    if item.shared:
        return False
    return item.name == MEAN_COVER_OFFSET or 0.0 < item.epistemic_share < 1.0


def with_own_as_scatter(wall: Wall) -> Wall:
    """Return the wall with what is its own counted as scatter; no marginal changes."""
    inputs = tuple(
        replace(item, kind="scatter", between_walls=0.0) if is_own(item) else item
        for item in wall.inputs
    )
    return replace(wall, inputs=inputs)


def shared_names(wall: Wall) -> tuple[str, ...]:
    """Name the epistemic inputs that a wall shares with others, in its own order."""
    return tuple(
        item.name for item in wall.inputs if item.epistemic_share > 0.0 and not is_own(item)
    )


def draw_scores(keys: list[str], count: int, *, seed: int) -> Mapping[str, Array]:
    """Draw independent standard normal scores (k,) for every key, from one scrambling."""
    rng = random_stream(seed, stage="inventory")
    z = next(iter(sobol_blocks(len(keys), count, rng)))
    return dict(zip(keys, z, strict=True))


def shared_sample(
    wall: Wall,
    scores: Mapping[str, Array],
    *,
    key: Callable[[str], str],
    points: int,
    seed: int,
) -> NestedSample | None:
    """Nest the aleatory inputs of a wall in shared draws; None where it shares nothing that counts.

    Parameters
    ----------
    scores
        Draws by key.
    key
        Key of an input by its name: that of the block which gives it.
    points
        Aleatory points.
    """
    inner = with_own_as_scatter(wall)
    count = len(next(iter(scores.values()))) if scores else 1
    nested = NestedSample.from_wall(
        inner,
        points=points,
        seed=seed,
        stage="inventory",
        prefer_cover=True,
        outer_points=count,
        inner_points=points,
        replicate=1,
    )
    if nested is None:
        return None
    inputs = [item for item in inner.inputs if item.epistemic_share > 0.0]
    outer = InputSampler.from_inputs(inputs, inner.correlations)
    z = np.array([scores[key(name)][: nested.count] for name in outer.names])
    drawn = dict(zip(outer.names, outer.correlate(z), strict=True))
    values = outer.values(z)
    integrated = nested.integrated_scores
    own = next((i for i in inputs if i.name == nested.integral.name), None)
    if own is not None and own.epistemic_share < 1.0:
        integrated = np.sqrt(own.epistemic_share) * drawn[own.name]
    return replace(
        nested,
        epistemic_values={name: values[name] for name in nested.epistemic_values},
        split=tuple((item, drawn[item.name], within) for item, _, within in nested.split),
        integrated_scores=integrated,
    )
