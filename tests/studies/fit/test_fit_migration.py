"""`stripwise fit` on migration tests: from the file to what a scenario takes."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from typer.testing import CliRunner

from stripwise import cli
from stripwise.evidence.profiles.migration_test import migration_coefficient
from stripwise.scenario.loading import load

SCENARIO = Path(__file__).parents[3] / "scenarios" / "lab-wall" / "lab-wall.toml"
HEAD = "specimen,strategy,penetration_mm,voltage_V,thickness_mm,temperature_degC,duration_h,age_d"
DEPTHS = {"Forms 7 d": (18.2, 17.2, 19.4), "Forms 12 h": (30.2, 31.2, 33.4)}
ROWS = [
    f"M{place}{number},{name},{depth},30,50,22,24,28"
    for place, (name, depths) in enumerate(DEPTHS.items())
    for number, depth in enumerate(depths)
]
CASE = {"voltage": 30.0, "thickness": 50.0, "temperature": 22.0, "hours": 24.0}


def run(*words):
    return CliRunner().invoke(cli.app, ["fit", *map(str, words)])


@pytest.fixture
def write(tmp_path):
    def inner(rows, head=HEAD):
        path = tmp_path / "migration.csv"
        path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
        return path

    return inner


def test_coefficients_and_penalties(tmp_path, write):
    out = tmp_path / "out"
    result = run(write(ROWS), "--reference", "Forms 7 d", "--out", out)
    assert result.exit_code == 0, result.stderr
    table = pd.read_csv(out / "specimens.csv")
    by_hand = [float(migration_coefficient(d, **CASE)) for d in np.concatenate([*DEPTHS.values()])]
    np.testing.assert_allclose(table["diffusivity_m2_s"], np.array(by_hand) * 1e-12, rtol=1e-12)
    # with equal errors the pooled interval is that of the pooled two-sample t test (scipy)
    logs = np.log(np.array(by_hand).reshape(2, 3))
    t = stats.ttest_ind(logs[1], logs[0]).confidence_interval(0.95)
    row = pd.read_csv(out / "penalties.csv").set_index("strategy").loc["Forms 12 h"]
    np.testing.assert_allclose(np.log([row["low95"], row["high95"]]), [t.low, t.high], rtol=1e-9)


def test_a_scenario_takes_the_coefficient_and_the_penalties(tmp_path, write):
    result = run(write(ROWS), "--reference", "Forms 7 d", "--out", tmp_path)
    assert result.exit_code == 0, result.stderr
    head, _, _ = SCENARIO.read_text("utf-8").partition("[[strategy]]")
    head = head.replace('diffusivity_age = "90 d"', 'diffusivity_age = "28 d"')
    strategies = "".join(
        f'[[strategy]]\nname = "{name}"\nstrip_age = "{age}"\n'
        'penalty = { from = "penalties.toml" }\n'
        for name, age in (("Forms 12 h", "12 h"), ("Forms 7 d", "7 d"))
    )
    path = tmp_path / "wall.toml"
    path.write_text(head + strategies, encoding="utf-8")
    case = load(path)
    law = next(i for i in case.inputs if i.name == "concrete.diffusivity").distribution
    written = json.loads((tmp_path / "run.json").read_text("utf-8"))["strategies"][0]
    # internal unit mm2/yr: 1e-12 m2/s is 31.5576
    median = law.mean / np.sqrt(1.0 + (law.sd / law.mean) ** 2)  # of a lognormal
    assert median == pytest.approx(written["diffusivity_m2_s"] * 31.5576e12, rel=1e-5)


def test_readings_of_one_specimen_are_averaged_and_inches_and_hours_converted(tmp_path, write):
    rows = [f"A,one,{x / 25.4:.8f},30,{50 / 25.4:.8f},71.6,1" for x in (18.0, 20.0, 22.0)]
    head = "specimen,strategy,penetration_in,voltage_V,thickness_in,temperature_degF,duration_d"
    result = run(write(rows, head), "--out", tmp_path / "out")
    assert result.exit_code == 0, result.stderr
    table = pd.read_csv(tmp_path / "out" / "specimens.csv")
    assert table["readings"].tolist() == [3]
    d = float(migration_coefficient(20.0, **CASE))
    assert table["diffusivity_m2_s"][0] == pytest.approx(d * 1e-12, rel=1e-6, abs=0)
    # the error of the mean depth, passed on by the slope of the coefficient
    slope = np.log(float(migration_coefficient(20.2, **CASE) / migration_coefficient(19.8, **CASE)))
    expected = d * 1e-12 * slope / 0.4 * 2.0 / np.sqrt(3.0)
    assert table["diffusivity_se"][0] == pytest.approx(expected, rel=1e-3, abs=0)
    # one strategy is its own reference
    assert (tmp_path / "out" / "diffusivity.toml").is_file()
    assert "does not give the age at the test" in result.stdout


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("18.2,30", "55,30", "line 2, specimen M00, penetration_mm = 55.0: reaches through"),
        ("18.2,30", "0.1,30", "line 2, specimen M00, penetration_mm = 0.1: is too small for"),
        ("18.2,30", "18.2,2", "line 2, voltage_V = 2.0: must be above 2 V and at most 100 V"),
        ("Forms 7 d", "Forms 3 d", 'no specimen has the reference strategy "Forms 7 d"'),
        ("voltage_V", "voltage", "needs the unit of a voltage at the end of its name: voltage_V"),
        (",28\n", ",60\n", "one test"),
    ],
)
def test_bad_input_leaves_no_trace(tmp_path, write, old, new, words):
    again = ["M00,Forms 7 d,18,30,50,22,24,28"] * old.endswith("\n")
    text = "\n".join([*ROWS, *again])
    head = HEAD.replace(old, new)
    rows = text.replace(old, new, 1 if old.endswith("\n") else -1).split("\n")
    result = run(write(rows, head), "--reference", "Forms 7 d", "--out", tmp_path / "out")
    assert result.exit_code == 1
    assert words in result.stderr
    assert not (tmp_path / "out").exists()
