"""A survey of a wall whose nominal cover is known writes it, so that drawings stay comparable."""

from pathlib import Path

import pytest

import stripwise
from stripwise.report.pages.cover_survey_page import survey_report

SCENARIOS = Path(__file__).parents[3] / "scenarios"


def test_the_file_holds_nominal_and_bias(tmp_path):
    study = stripwise.fit_cover(SCENARIOS / "site-records" / "cover.csv", nominal=50.0)
    text = survey_report(study).texts["cover.toml"]
    (tmp_path / "cover.toml").write_text(text, "utf-8")
    garage = (SCENARIOS / "garage-wall.toml").read_text("utf-8")
    line = next(x for x in garage.splitlines() if x.startswith("cover = { family"))
    wall = tmp_path / "wall.toml"
    wall.write_text(garage.replace(line, 'cover = { from = "cover.toml" }'), "utf-8")
    case = stripwise.load(wall)
    assert case.nominal_cover == pytest.approx(50.0)
    assert case.cover_bias == pytest.approx(study.survey.mean.value - 50.0, abs=1e-3)
    assert "mean =" not in text


def test_without_a_nominal_the_mean_stands_alone():
    study = stripwise.fit_cover(SCENARIOS / "site-records" / "cover.csv")
    text = survey_report(study).texts["cover.toml"]
    assert "nominal" not in text
    assert "mean =" in text
