"""Elements against `run` on shipped scenarios: a face that says nothing but its strategy is its wall."""

import numpy as np
import pandas as pd
import pytest

import stripwise
from stripwise.errors import InputError
from stripwise.studies.inventory.inventory_study import inventory

NEAR = 4.0
"""rms errors of a table beyond which no face may lie."""


@pytest.mark.parametrize(
    "name",
    [
        "garage-wall",
        "ramp-wall",
        "pier-wall-cost",
        "quay-wall",
        "underpass-wall",
        "inspections/inspected-wall",
    ],
)
def test_elements_are_what_a_run_says(name):
    case = stripwise.load(f"scenarios/{name}.toml")
    names = [item.name for item in case.strategies][:3]
    changes = {"sampling.points": 256, "sampling.repeats": 8}
    if "extent" in case.raw:  # which neither side of the comparison reads
        changes["extent"] = None
    case = case.replace(changes)
    faces = pd.DataFrame({"element": [f"F{k}" for k in range(len(names))], "strategy": names})
    result = inventory(case, faces)
    found, run = (
        result.elements,
        stripwise.assess(case, only="curves", workers=1).strategies.iloc[: len(names)],
    )
    error = np.abs(found["probability_at_target"] - run["probability_at_target"].to_numpy())
    assert (error <= max(NEAR * result.table_error, 3e-3)).all()
    # both intervals hold the true confidence 19 times in 20
    overlap = np.minimum(found["confidence_high95"], run["confidence_high95"].to_numpy())
    overlap -= np.maximum(found["confidence_low95"], run["confidence_low95"].to_numpy())
    assert (overlap >= 0.0).all()
    sure = (found["meets_target"] != "too close to call") & (
        run["meets_target"].to_numpy() != "too close to call"
    )
    assert (found["meets_target"][sure] == run["meets_target"].to_numpy()[sure]).all()


def test_joint_draws_are_refused_with_a_reason():
    garage = stripwise.load("scenarios/garage-wall.toml")
    case = garage.replace({"knowledge": stripwise.epistemic_draws(garage, n=512)})
    faces = pd.DataFrame({"element": ["F1"], "strategy": [garage.strategies[0].name]})
    with pytest.raises(InputError, match="joint draws are not taken by an inventory"):
        inventory(case, faces)
