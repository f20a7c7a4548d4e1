"""Designs of the project's scenarios with a small sample, shared by the rooms that show them."""

from dataclasses import replace
from pathlib import Path

import stripwise

SCENARIOS = Path(__file__).parents[3] / "scenarios"


def small(name):
    """Load a scenario of the project with a small sample."""
    case = stripwise.load(SCENARIOS / name)
    return replace(case, sampling=replace(case.sampling, points=256, repeats=8))


def quick(case):
    """Keep two strategies and one follow-up, and take all inputs for scatter."""
    kept = {case.reference_strategy, case.strategies[0].name}
    return replace(
        case,
        inputs=tuple(replace(item, kind="scatter") for item in case.inputs),
        strategies=tuple(s for s in case.strategies if s.name in kept),
        choices=replace(case.choices, follow_up=case.choices.follow_up[:1]),
    )
