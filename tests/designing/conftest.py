from dataclasses import replace
from pathlib import Path

import pytest

import stripwise

SCENARIOS = Path(__file__).parents[2] / "scenarios"


def small(name, **changes):
    """Load a scenario of the project with a small sample and fewer covers."""
    case = stripwise.load(SCENARIOS / name)
    sampling = replace(case.sampling, points=256, repeats=8)
    return replace(case, sampling=sampling, **changes)


@pytest.fixture(scope="session")
def pier_case():
    return small("pier-wall-cost.toml")


@pytest.fixture(scope="session")
def pier(pier_case):
    return stripwise.design(pier_case)


@pytest.fixture(scope="session")
def inch():
    return stripwise.design(small("quay-wall-inch.toml"))
