"""Whether plain Monte Carlo agrees: pseudo-random walls, cover sampled, initiation ages counted.

It shares the physics and the distributions with the main path, but neither its points nor its
exact integral nor its front depth, and so checks all three.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.sampling import BLOCK_SIZE, InputSampler, normal_block, random_stream
from stripwise.risk.model.service_fronts import ServiceFronts
from stripwise.risk.model.wall import COVER, Wall
from stripwise.risk.probability.integral import log_initiation_ages
from stripwise.risk.probability.parallel import run_parallel, run_prefetched

__all__ = ["monte_carlo_curves"]

Array = NDArray[np.float64]


def monte_carlo_curves(
    wall: Wall, ages: Array, *, samples: int, seed: int, workers: int = 2
) -> Array:
    """Return the share of n pseudo-random walls depassivated at rising ages (t,) [yr], (s, t).

    All strategies share the walls.
    """
    sampler = InputSampler.from_inputs(wall.inputs, wall.correlations, wall.draws)
    blocks = -(-samples // BLOCK_SIZE)
    with np.errstate(divide="ignore"):
        # seven digits misplace less than one wall in a million, and sort in half the time
        log_ages = np.log(ages).astype(np.float32)

    def scores(number: int) -> Array:
        size = min(BLOCK_SIZE, samples - number * BLOCK_SIZE)
        return normal_block(
            sampler.dimensions, size, random_stream(seed, stage="plain", index=(number,))
        )

    def count(z: Array) -> NDArray[np.int64]:
        size = z.shape[-1]
        values = sampler.values(z)
        if wall.conditions is not None:
            fronts = ServiceFronts.from_block(wall, wall.sample_block(values))
            return np.array(
                [
                    [int(np.sum(np.broadcast_to(one, size))) for one in flags]
                    for flags in zip(
                        *(fronts.is_depassivated(float(age), values[COVER]) for age in ages),
                        strict=True,
                    )
                ]
            )
        logs = log_initiation_ages(wall, wall.sample_block(values), values)
        starts = np.empty((len(logs), size), dtype=np.float32)
        starts[...] = logs
        starts.sort(axis=-1)
        return np.array([np.searchsorted(one, log_ages, side="right") for one in starts])

    counts: Iterator[NDArray[np.int64]]
    if wall.layered or wall.conditions is not None:  # long solutions, worth a thread each
        counts = run_parallel(lambda number: count(scores(number)), blocks, workers=workers)
    else:
        counts = map(count, run_prefetched(scores, blocks, workers=workers))
    total = np.zeros((len(wall.plans), len(ages)), dtype=np.int64)
    for one in counts:
        total += one
    return np.asarray(total / samples)
