"""The scenarios of the project: every file loads, and those that compare strategies decide some."""

import dataclasses
import re
from pathlib import Path

import pytest

import stripwise
from stripwise.studies.from_scenario import build_wall, compute_curves, target_from
from stripwise.studies.result_tables import strategy_table

SCENARIOS = Path(__file__).parents[1] / "scenarios"
FILES = sorted(SCENARIOS.glob("*.toml"))


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_every_scenario_loads_and_says_what_it_shows(path):
    case = stripwise.load(path)
    assert "invented" in case.title
    comment = re.match(r"(#.*\n)+", path.read_text("utf-8"))[0]
    assert "What it shows" in comment
    assert "are invented" in comment


@pytest.mark.parametrize("name", ["ramp-wall", "quay-wall", "underpass-wall"])
def test_each_wall_has_a_strategy_that_meets_its_target_and_one_that_misses_it(name):
    case = stripwise.load(SCENARIOS / f"{name}.toml")
    assert len(case.strategies) >= 7
    small = dataclasses.replace(case.sampling, points=256, repeats=8)
    case = dataclasses.replace(case, sampling=small)
    wall = build_wall(case)
    curves = compute_curves(wall, case, workers=2, progress=None)
    table = strategy_table(wall, curves, target_from(case)).set_index("strategy")
    assert table.loc["Forms 10 h", "meets_target"] == "no"
    assert table.loc["Forms 7 d", "meets_target"] == "yes"
    # mean cover of walls in XD3 and XS3: 40 to 75 mm. Common practice, no source.
    assert 40.0 <= case.input("reinforcement.cover").distribution.mean <= 75.0


@pytest.mark.parametrize("name", ["ramp-wall", "quay-wall", "underpass-wall"])
def test_each_uncertain_input_names_its_source(name):
    case = stripwise.load(SCENARIOS / f"{name}.toml")
    unnamed = [i.name for i in case.inputs if not i.distribution.is_fixed and not i.source]
    assert unnamed == []
