"""Work shared out over threads: order, equality with a plain loop, errors."""

import threading

import numpy as np
import pytest

from stripwise.risk.probability.parallel import run_parallel, run_prefetched
from stripwise.risk.probability.plain_monte_carlo import monte_carlo_curves

pytestmark = pytest.mark.threads


@pytest.mark.parametrize("run", [run_prefetched, run_parallel])
@pytest.mark.parametrize("workers", [1, 2, 3])
@pytest.mark.parametrize("count", [0, 1, 2, 7])
def test_results_come_in_order(run, workers, count):
    assert list(run(lambda i: i * i, count, workers=workers)) == [i * i for i in range(count)]


def test_work_runs_one_step_ahead_and_no_further():
    begun = []
    made = run_prefetched(begun.append, 5, workers=2)
    for used, _ in enumerate(made):
        assert len(begun) <= used + 2


def test_work_ahead_runs_in_another_thread():
    here = threading.get_ident()
    assert here not in set(run_prefetched(lambda _: threading.get_ident(), 3, workers=2))
    assert set(run_prefetched(lambda _: threading.get_ident(), 3, workers=1)) == {here}


@pytest.mark.parametrize("run", [run_prefetched, run_parallel])
def test_an_error_reaches_the_caller(run):
    def fail(index):
        if index == 2:
            raise ValueError("third")
        return index

    with pytest.raises(ValueError, match="third"):
        list(run(fail, 5, workers=2))


@pytest.mark.parametrize("layered", [False, True])
def test_plain_curves_do_not_depend_on_the_threads(walls, layered):
    wall, ages = walls.wall(layered=layered), np.array([0.0, 10.0, 50.0, 100.0])
    one, two = (monte_carlo_curves(wall, ages, samples=40_000, seed=0, workers=w) for w in (1, 2))
    assert np.array_equal(one, two)
    assert np.all(np.diff(one, axis=1) >= 0.0)
    assert np.any(one[:, -1] > one[:, 1])


def test_counts_in_single_precision_are_those_of_the_ages_themselves(walls):
    from stripwise.distributions.sampling import (
        BLOCK_SIZE,
        InputSampler,
        normal_block,
        random_stream,
    )
    from stripwise.risk.probability.integral import initiation_ages

    wall, ages = walls.wall(), np.linspace(0.0, 100.0, 101)
    sampler = InputSampler.from_inputs(wall.inputs, wall.correlations)
    z = normal_block(sampler.dimensions, BLOCK_SIZE, random_stream(5, stage="plain", index=(0,)))
    values = sampler.values(z)
    starts = initiation_ages(wall, wall.sample_block(values), values)
    share = np.mean(starts[:, None, :] <= ages[:, None], axis=-1)
    # At 101 ages of four strategies one wall may lie within 1e-7 of an age.
    counted = monte_carlo_curves(wall, ages, samples=BLOCK_SIZE, seed=5)
    assert np.max(np.abs(counted - share)) <= 1.01 / BLOCK_SIZE
