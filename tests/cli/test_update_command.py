"""`stripwise update` on the command line."""

import json

import pytest
from typer.testing import CliRunner

import stripwise
from stripwise import cli

pytestmark = pytest.mark.usefixtures("few_samples", "no_figures")

HOME = "scenarios/inspections"

CORE = """specimen,strategy,depth_from_mm,depth_to_mm,chloride_pct,error_share,exposure_yr
C1,Forms 72 h,0,8,0.40,0.06,10
C1,Forms 72 h,8,16,0.30,0.06,10
C1,Forms 72 h,16,26,0.15,0.06,10
"""


def call(*words):
    return CliRunner().invoke(cli.app, ["update", *(str(word) for word in words)])


@pytest.fixture
def wall(tmp_path):
    """The shipped wall with a small sample."""
    case = stripwise.load(f"{HOME}/inspected-wall.toml").replace(
        {"sampling.points": 256, "sampling.repeats": 8}
    )
    path = tmp_path / "wall.toml"
    path.write_text(stripwise.as_toml(case), "utf-8")
    return path


def test_it_prints_what_changed_and_writes_a_posterior_that_run_reads(wall, tmp_path):
    core, out = tmp_path / "core.csv", tmp_path / "out"
    core.write_text(CORE, "utf-8")
    result = call(wall, core, f"{HOME}/cover.csv", "--out", out)
    assert result.exit_code == 0, result.stderr
    assert "The inspections up to year 10 " in result.stdout
    assert "Caution:" in result.stdout
    assert "no proof of corrosion" in result.stdout
    (tmp_path / "posterior.csv").write_bytes((out / "posterior.csv").read_bytes())
    wall.write_text('knowledge = { from = "posterior.csv" }\n' + wall.read_text("utf-8"), "utf-8")
    run = CliRunner().invoke(cli.app, ["run", str(wall), "--out", str(tmp_path / "r"), "--json"])
    assert run.exit_code == 0, run.stderr
    after = json.loads((out / "run.json").read_text("utf-8"))["verdict"]
    assert after[0].startswith("The inspections")


def test_json_holds_the_answers(wall, tmp_path):
    result = call(wall, f"{HOME}/cover.csv", "--out", tmp_path / "out", "--json")
    assert result.exit_code == 0, result.stderr
    record = json.loads(result.stdout)
    assert {row["strategy"] for row in record["answers"]} == {"Forms 24 h", "Forms 72 h"}
    assert record["run"]["effective_draws"] > 400.0
    assert record["surprise"][0]["data"] == "cover readings"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("a,b\n1,2\n", "its columns tell no kind of data"),
        (CORE.replace("C1,Forms 72 h,0", "C1,Forms 73 h,0"), "a specimen has one strategy"),
        (CORE.replace("0.40", "lots"), "must be a number"),
        (CORE.replace("exposure_yr", "date").replace(",10\n", ",2031-02-30\n"), "--first-exposure"),
    ],
)
def test_bad_data_end_the_command_in_a_line(wall, tmp_path, text, words):
    data = tmp_path / "data.csv"
    data.write_text(text, "utf-8")
    result = call(wall, data, "--out", tmp_path / "out")
    assert result.exit_code == 1
    assert words in result.stderr
    assert "Traceback" not in result.stderr
    assert not (tmp_path / "out").exists()


def test_a_wrong_date_is_told(wall, tmp_path):
    result = call(
        wall, f"{HOME}/cover.csv", "--first-exposure", "May 2021", "--out", tmp_path / "out"
    )
    assert result.exit_code == 1
    assert "must be a date such as 2021-05-20" in result.stderr
