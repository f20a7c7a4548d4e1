"""`stripwise stripped`, in process: what is printed, in which order, and how it fails."""

import json
import re

import pytest
from typer.testing import CliRunner

from stripwise import cli
from stripwise.units.caution import CAUTION

WALL = """
title = "Small wall (invented)"
reference_strategy = "Forms 24 h"
[target]
service_life = "50 yr"
probability = 0.1
[exposure]
temperature = "10 degC"
chloride_basis = "binder"
surface_chloride = { family = "lognormal", mean = 1.5, cov = 0.3 }
[concrete]
diffusivity = { family = "normal", mean = "3e-12 m^2/s", cov = 0.2 }
specimens = "cured as the face"
ageing_exponent = 0.4
[reinforcement]
cover = { family = "normal", mean = "55 mm", sd = "8 mm" }
critical_chloride = { family = "beta", mean = 0.6, sd = 0.15, low = 0.2, high = 2.0 }
[curing]
reference = "7 d"
concrete_temperature = "20 degC"
affected_depth = "whole cover"
[[strategy]]
name = "Forms 24 h"
strip_age = "24 h"
[[strategy]]
name = "Forms 3 d"
strip_age = "3 d"
[sampling]
points = 64
repeats = 8
[report]
units = "UNITS"
"""


pytestmark = pytest.mark.usefixtures("few_samples")


@pytest.fixture
def wall(tmp_path):
    path = tmp_path / "wall.toml"
    path.write_text(WALL.replace("UNITS", "SI"))
    return path


def call(*arguments):
    return CliRunner().invoke(cli.app, ["stripped", *(str(argument) for argument in arguments)])


def test_cautions_come_before_any_number(wall):
    result = call(wall, "--after", "14 h", "--at", "6 degC")
    assert (result.exit_code, result.stderr) == (0, "")
    order = [
        "FIRST, before any number:",
        "Strength:",
        "Stability:",
        "Frost: 6 °C is cold.",
        "never a permission to strip",
        "Stripping after 14 h at 6 °C, where the plan was",
        "Plan: Forms 24 h",
        "5.95 h by Arrhenius, Q 5000 K, used below",
        "4.2 h by Nurse-Saul, datum 0 °C (84 °C h)",
        "What curing from now on still buys on the vertical face, at 6 °C:",
        "kept wet 7 d",
        "Before you use the numbers:",
    ]
    found = [result.stdout.index(text) for text in order]
    assert found == sorted(found)
    assert max(len(line) for line in result.stdout.splitlines()) <= 105


def test_a_scenario_in_us_units_is_answered_in_them(wall):
    wall.write_text(WALL.replace("UNITS", "US"))
    result = call(wall, "--after", "0.75 d", "--at", "43 degF", "--follow-up-at", "50 degF")
    assert result.exit_code == 0, result.stderr
    assert "Stripping after 18 h at 43 °F" in result.stdout
    assert "at 50 °F:" in result.stdout
    assert "(198 °F h)" in result.stdout  # 18 h * (43 - 32) degF


def test_another_plan_and_face(wall):
    arguments = ("--after", "14 h", "--at", "6 degC", "--plan", "Forms 3 d", "--face", "horizontal")
    result = call(wall, *arguments)
    assert result.exit_code == 0, result.stderr
    assert (
        "Plan: Forms 3 d (horizontal face; curing after stripping as planned: none)"
        in result.stdout
    )
    assert "it counts as none" not in result.stdout


def test_as_json(wall):
    result = call(wall, "--after", "14 h", "--at", "6 degC", "--json")
    assert (result.exit_code, result.stderr) == (0, "")
    record = json.loads(result.stdout)
    assert next(iter(record)) == "cautions"
    assert record["record"] == {
        "strip_age_h": 14.0,
        "temperature_degC": 6.0,
        "follow_up_temperature_degC": 6.0,
        "face": "vertical",
        "plan": "Forms 24 h",
    }
    assert record["outcomes"][0]["case"] == "plan"
    assert record["outcomes"][0]["life_change_pct"] is None
    assert [row["function"] for row in record["maturity"]] == ["arrhenius", "nurse-saul"]


def test_what_is_wrong_is_lines_on_stderr_and_code_1(wall):
    result = call(wall, "--after", "0 h", "--at", "-300 degC", "--plan", "Forms 25 h")
    assert result.exit_code == 1
    assert result.stdout == ""
    assert result.stderr.splitlines() == [
        'site record: after = "0 h": must be between 1 h and 60 d',
        'site record: at = "-300 degC": must be between -10 degC and 80 degC',
        'site record: plan = "Forms 25 h": must be one of "Forms 24 h", "Forms 3 d"; the nearest '
        'spelling is "Forms 24 h"',
    ]


def test_a_missing_option_is_code_2(wall):
    assert call(wall, "--after", "14 h").exit_code == 2
    assert call(wall, "--at", "6 degC").exit_code == 2


def test_it_writes_pages_to_sign_and_tables(wall, tmp_path):
    out = tmp_path / "out"
    result = call(wall, "--after", "14 h", "--at", "6 degC", "--out", out)
    assert (result.exit_code, result.stderr) == (0, "")
    assert result.stdout.rstrip().endswith(f"To sign and file: {out / 'report.html'}")
    names = {path.name for path in out.iterdir()}
    assert names == {"outcomes.csv", "curves.csv", "report.html", "run.json"}
    text = re.sub(r"<[^>]+>", " ", (out / "report.html").read_text("utf-8"))
    page = re.sub(r"\s+", " ", text.replace("\N{NO-BREAK SPACE}", " "))
    order = [
        "First, before any number",
        CAUTION,
        "In-place strength of the face",
        "Strength: the age says nothing about it.",
        "What happened",
        "Stripping after 14 h at 6 °C, where the plan was",
        "What still helps, from now",
        "kept wet 7 d",
        "Before you use the numbers",
        "Decision",
        "Name",
        "SHA-256",
    ]
    found = [page.index(words, page.index("First, before any number")) for words in order]
    assert found == sorted(found)
    assert page.count(CAUTION) == 1
    record = json.loads((out / "run.json").read_text())
    assert record["command"] == "stripped"
    assert record["record"]["strip_age_h"] == 14.0


def test_a_logger_stands_in_for_the_mean(wall, tmp_path):
    path = tmp_path / "logger.csv"
    rows = "".join(f"2026-03-04 {h:02d}:00,{10 - 0.5 * h}\n" for h in range(15))
    path.write_text("time,temperature_degC\n" + rows)
    words = ("--after", "14 h", "--logger", path, "--zone", "CET")
    result = call(wall, *words, "--json", "--out", tmp_path / "out")
    assert (result.exit_code, result.stderr) == (0, "")
    record = json.loads(result.stdout)
    assert record["record"]["temperature_degC"] == pytest.approx(6.5)
    assert (record["record"]["logger"], record["record"]["coldest_degC"]) == ("logger.csv", 3.0)
    assert str(tmp_path / "out" / "run.json") in record["files"]
    assert "coldest" in (tmp_path / "out" / "report.html").read_text("utf-8")


def test_mean_and_logger_together_or_a_lonely_zone_are_wrong_usage(wall):
    both = call(wall, "--after", "14 h", "--at", "6 degC", "--logger", "x.csv")
    assert (both.exit_code, both.stdout) == (2, "")
    assert "one of both, --at or --logger" in both.stderr
    assert call(wall, "--after", "14 h", "--at", "6 degC", "--zone", "CET").exit_code == 2
