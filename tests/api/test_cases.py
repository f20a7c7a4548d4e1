"""Cases from a dict and with other values, held to what the same file would give."""

import pickle
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import stripwise

SCENARIOS = Path(__file__).parents[2] / "scenarios"


@pytest.fixture(scope="module")
def garage():
    return stripwise.load(SCENARIOS / "garage-wall.toml")


@pytest.mark.parametrize(
    "name",
    ["garage-wall.toml", "underpass-wall.toml", "pier-wall-cost.toml", "retaining-wall.toml"],
)
def test_a_case_comes_back_from_its_dict_and_from_its_text(name):
    case = stripwise.load(SCENARIOS / name)
    assert tomllib.loads(stripwise.as_toml(case)) == case.raw
    again = stripwise.case(tomllib.loads(stripwise.as_toml(case)), folder=SCENARIOS)
    assert again.inputs == case.inputs
    assert again.strategies == case.strategies
    assert (again.target, again.cost, again.choices) == (case.target, case.cost, case.choices)


def test_other_values_are_those_of_an_edited_file(garage, tmp_path):
    text = (SCENARIOS / "garage-wall.toml").read_text("utf-8")
    edited = text.replace("probability = 0.10", "probability = 0.05").replace(
        'mean = "60 mm", sd = "8 mm"', 'nominal = "50 mm", sd = "8 mm"'
    )
    path = tmp_path / "garage-wall.toml"
    path.write_text(edited, "utf-8")
    from_file = stripwise.load(path)
    changed = garage.replace({"reinforcement.cover.nominal": "50 mm", "target.probability": 0.05})
    assert changed.inputs == from_file.inputs
    assert changed.target == from_file.target
    assert garage.nominal_cover == 60.0  # the case itself stays
    assert changed.nominal_cover == 50.0


def test_a_strategy_goes_by_its_name_and_a_target_has_one_limit(garage):
    changed = garage.replace(
        {"strategy.Forms 24 h.concrete_temperature": "10 degC", "target.reliability_index": 1.5}
    )
    assert changed.strategy("Forms 24 h").temperature == 10.0
    assert changed.target.reliability_index == 1.5
    with pytest.raises(stripwise.ScenarioError, match=r"0\.3|probability"):
        garage.replace({"target.probability": 3})


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"strategy.Forms 2 d.strip_age": "2 d"}, "names no strategy"),
        ({"concrete.diffusivty.mean": "3e-12 m^2/s"}, "nearest spelling is 'diffusivity'"),
        ({"reinforcement.cover.nominal": "5 m"}, "unusual = true"),
    ],
)
def test_errors_are_those_of_a_file(garage, changes, words):
    with pytest.raises(stripwise.StripwiseError, match=words):
        garage.replace(changes)


def test_the_mean_of_a_cover_with_a_nominal_is_not_replaced(garage):
    nominal = garage.replace({"reinforcement.cover.nominal": "50 mm"})
    with pytest.raises(stripwise.InputError, match=r"set reinforcement\.cover\.nominal"):
        nominal.replace({"reinforcement.cover.mean": "55 mm"})


def test_a_case_can_be_pickled_and_shows_itself_shortly(garage):
    again = pickle.loads(pickle.dumps(garage))
    assert again.replace({"target.probability": 0.2}).target.probability == 0.2
    assert repr(garage) == (
        "<Scenario 'Garage wall (invented): when may the forms go?': 7 strategies>"
    )


def test_dir_and_help_tell_the_public_names():
    names = dir(stripwise)
    assert names == sorted(stripwise.__all__)
    for name in ("load", "case", "assess", "sweep", "samples", "rank", "design", "fit_profiles"):
        assert callable(getattr(stripwise, name))
    assert "stripwise.sweep(" in stripwise.__doc__


def test_a_fit_takes_a_table_as_its_file():
    path = SCENARIOS / "site-records" / "cover.csv"
    table = pd.read_csv(path, comment="#")
    from_file, from_table = stripwise.fit_cover(path), stripwise.fit_cover(table)
    assert from_table.survey.mean == from_file.survey.mean
    bad = table.assign(cover_mm=np.nan)
    with pytest.raises(stripwise.EvidenceError, match=r"table\.csv"):
        stripwise.fit_cover(bad)
