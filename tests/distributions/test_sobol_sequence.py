"""Scrambled Sobol' points against those of scipy, bit by bit."""

import subprocess
import sys

import numpy as np
import pytest
from numpy.testing import assert_array_equal
from scipy.stats import qmc

from stripwise.distributions.sobol_sequence import BITS, SobolSequence


def generator() -> np.random.Generator:
    return np.random.Generator(np.random.SFC64(np.random.SeedSequence(3, spawn_key=(1, 2))))


@pytest.mark.parametrize("dimensions", [1, 2, 5, 13, 83])
@pytest.mark.parametrize("start", [0, 1, 96, 16384])
@pytest.mark.filterwarnings("ignore:The balance properties")
def test_points_are_those_of_scipy(dimensions: int, start: int) -> None:
    theirs = qmc.Sobol(dimensions, scramble=True, bits=BITS, rng=generator())
    ours = SobolSequence.scrambled(dimensions, generator())
    if start:
        theirs.fast_forward(start)
        ours.skip(start)
    for points in (1, 256, 512):
        assert_array_equal(ours.draw(points), theirs.random(points).T)


def test_two_sequences_of_one_generator_differ() -> None:
    rng = generator()
    first, second = (SobolSequence.scrambled(3, rng).draw(64) for _ in range(2))
    assert not np.any(first == second)


def test_a_run_waits_for_neither_scipy_stats_nor_pint() -> None:
    # scipy.stats takes as long to import as a third of the whole run computes
    code = (
        "import sys, stripwise.scenario.loading, stripwise.studies.run, stripwise.report.write\n"
        "stripwise.scenario.loading.load('scenarios/retaining-wall.toml')\n"
        "print(*({'scipy.stats', 'pint'} & set(sys.modules)))"
    )
    found = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert found.stdout.split() == []
