"""FORM on the worked examples, against that of OpenTURNS in the plain content form."""

from pathlib import Path

import numpy as np
import openturns as ot
import pytest
from numpy.testing import assert_allclose

from stripwise.risk.reliability.form import first_order
from stripwise.risk.reliability.limit_state import LimitState
from stripwise.scenario.loading import load
from stripwise.studies.from_scenario import build_wall

SCENARIOS = Path(__file__).parents[3] / "scenarios"


@pytest.mark.parametrize("name", ["garage-wall", "quay-wall", "ramp-wall"])
def test_index_and_design_point(name):
    case = load(SCENARIOS / f"{name}.toml")
    wall = build_wall(case)
    plan = next(p for p in wall.plans if p.name == case.reference_strategy)
    state = LimitState.from_wall(wall, plan, age=case.target.service_life)
    found = first_order(state, state.dimensions)
    d = state.dimensions

    def g(x):
        return [float(state.content_margin(np.array(x)[:, None])[0])]

    event = ot.ThresholdEvent(
        ot.CompositeRandomVector(ot.PythonFunction(d, 1, g), ot.RandomVector(ot.Normal(d))),
        ot.LessOrEqual(),
        0.0,
    )
    solver = ot.Cobyla()
    solver.setStartingPoint(ot.Point([0.0] * d))
    solver.setMaximumCallsNumber(20_000)
    solver.setMaximumIterationNumber(20_000)
    for limit in (
        solver.setMaximumAbsoluteError,
        solver.setMaximumConstraintError,
        solver.setMaximumRelativeError,
        solver.setMaximumResidualError,
    ):
        limit(1e-10)
    algorithm = ot.FORM(solver, event)
    algorithm.run()
    result = algorithm.getResult()
    assert_allclose(found.index, result.getGeneralisedReliabilityIndex(), rtol=0, atol=1e-3)
    assert max(found.calls) <= 150
    assert found.disagreement == ""
