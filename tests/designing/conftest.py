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


def quick(case):
    """Keep two strategies and one follow-up, and take all for scatter."""
    return replace(
        case,
        inputs=tuple(replace(item, kind="scatter") for item in case.inputs),
        strategies=tuple(s for s in case.strategies if s.name in kept(case)),
        choices=replace(case.choices, follow_up=case.choices.follow_up[:1]),
    )


def kept(case):
    return {case.reference_strategy, case.strategies[0].name}


@pytest.fixture(scope="session")
def quick_case(pier_case):
    return quick(pier_case)


@pytest.fixture(scope="session")
def inch():
    return stripwise.design(quick(small("quay-wall-inch.toml")))
