"""Plain Monte Carlo: pseudo-random walls, the cover sampled, initiation ages counted.

It shares the physics and the distributions with the main path, but neither its points nor its
exact integral nor its front depth, and so checks all three.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.sampling import CELL, Draw, plain_cell, stream
from stripwise.risk.model.service_fronts import ServiceFronts
from stripwise.risk.model.wall import COVER, Wall
from stripwise.risk.probability.integral import log_initiation_ages
from stripwise.risk.probability.parallel import run_ahead, run_parallel

__all__ = ["plain_curves"]

Array = NDArray[np.float64]


def plain_curves(wall: Wall, ages: Array, *, samples: int, seed: int, workers: int = 2) -> Array:
    """Probability of depassivation by plain Monte Carlo.

    Parameters
    ----------
    wall
        The wall.
    ages
        (t,) rising ages [yr].
    samples
        Number of pseudo-random walls n, shared by all strategies.
    seed
        Seed of the run.
    workers
        Threads; the results do not depend on it.

    Returns
    -------
    (s, t) share of the walls depassivated at each age.
    """
    draw = Draw.of(wall.inputs, wall.correlations)
    cells = -(-samples // CELL)
    with np.errstate(divide="ignore"):
        # seven digits misplace less than one wall in a million, and sort in half the time
        log_ages = np.log(ages).astype(np.float32)

    def scores(cell: int) -> Array:
        size = min(CELL, samples - cell * CELL)
        return plain_cell(draw.dimensions, size, stream(seed, stage="plain", index=(cell,)))

    def count(z: Array) -> NDArray[np.int64]:
        size = z.shape[-1]
        values = draw.values(z)
        if wall.conditions is not None:
            fronts = ServiceFronts.of(wall, wall.face(values))
            return np.array(
                [
                    [int(np.sum(np.broadcast_to(one, size))) for one in there]
                    for there in zip(
                        *(fronts.reached(float(age), values[COVER]) for age in ages), strict=True
                    )
                ]
            )
        logs = log_initiation_ages(wall, wall.face(values), values)
        starts = np.empty((len(logs), size), dtype=np.float32)
        starts[...] = logs
        starts.sort(axis=-1)
        return np.array([np.searchsorted(one, log_ages, side="right") for one in starts])

    counts: Iterator[NDArray[np.int64]]
    if wall.layered or wall.conditions is not None:  # long solutions, worth a thread each
        counts = run_parallel(lambda cell: count(scores(cell)), cells, workers=workers)
    else:
        counts = map(count, run_ahead(scores, cells, workers=workers))
    total = np.zeros((len(wall.plans), len(ages)), dtype=np.int64)
    for one in counts:
        total += one
    return np.asarray(total / samples)
