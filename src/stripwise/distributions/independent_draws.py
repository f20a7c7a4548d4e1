"""Draws of inputs beside joint draws that do not hold them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.distributions.random_input import Correlation, Input
from stripwise.distributions.sampling import InputSampler, random_stream
from stripwise.errors import InputError
from stripwise.units.names import printable

__all__ = ["independent_draws"]

Array = NDArray[np.float64]


def independent_draws(
    missing: Sequence[Input],
    columns: Mapping[str, Array],
    correlations: Sequence[Correlation],
    *,
    seed: int = 0,
) -> dict[str, Array]:
    """Draw inputs from their own distributions, a value for each different one of the draws.

    A Latin hypercube (McKay, Beckman and Conover 1979, recalled): no sequence that the draws may
    come from themselves. Columns that were completed before need another seed.
    """
    names = {item.name for item in missing}
    for pair in correlations:
        if {pair.first, pair.second} & names and {pair.first, pair.second} & columns.keys():
            lacking, held = sorted((pair.first, pair.second), key=lambda name: name in columns)
            raise InputError(
                "",
                f"lacks {printable(lacking)}, which the scenario correlates with {printable(held)}; "
                "it cannot be independent",
            )
    _, inverse = np.unique(np.array(list(columns.values())), axis=1, return_inverse=True)
    count = int(inverse.max()) + 1
    rng = random_stream(seed, stage="samples")
    ranks = np.array([rng.permutation(count) for _ in missing])
    z = special.ndtri((ranks + rng.random(ranks.shape)) / count)
    sampler = InputSampler.from_inputs(missing, correlations)
    scores = sampler.correlate(z)[:, inverse.ravel()]
    return {
        item.name: score if item.epistemic_share < 1.0 else item.distribution.from_normal(score)
        for item, score in zip(missing, scores, strict=True)
    }
