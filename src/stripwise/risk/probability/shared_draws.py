"""Epistemic draws that many walls share: what is not known of all of them is drawn once.

What lies between walls (`between_walls`, the error of a mean cover) is each wall's own and belongs
to its scatter here, unless it is declared to be shared.

Axes: k draws, n aleatory points.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
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


def with_own_as_scatter(wall: Wall, *, but: Collection[str] = ()) -> Wall:
    """Return the wall with what is its own counted as scatter, `but` some; no marginal changes."""
    inputs = tuple(
        replace(item, kind="scatter", between_walls=0.0)
        if is_own(item) and item.name not in but
        else item
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
    own: Mapping[str, Array] | None = None,
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
    own
        Scores (k,) of what is the wall's own, correlated, beside those of the draws: what is known
        of this wall alone, which is no scatter then.
    """
    known = dict(own or {})
    inner = with_own_as_scatter(wall, but=known)
    count = len(next(iter((*scores.values(), *known.values())))) if scores or known else 1
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
    shared = [item for item in inputs if item.name not in known]
    outer = InputSampler.from_inputs(shared, inner.correlations)
    z = np.array([scores[key(name)][: nested.count] for name in outer.names])
    drawn = dict(zip(outer.names, outer.correlate(z), strict=True))
    drawn |= {name: score[: nested.count] for name, score in known.items()}
    values = {item.name: item.distribution.from_normal(drawn[item.name]) for item in inputs}
    integrated = nested.integrated_scores
    split = next((i for i in inputs if i.name == nested.integral.name), None)
    if split is not None and split.epistemic_share < 1.0:
        integrated = np.sqrt(split.epistemic_share) * drawn[split.name]
    return replace(
        nested,
        epistemic_values={name: values[name] for name in nested.epistemic_values},
        split=tuple((item, drawn[item.name], within) for item, _, within in nested.split),
        integrated_scores=integrated,
    )
