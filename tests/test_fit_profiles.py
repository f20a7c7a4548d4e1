"""`stripwise fit` on chloride profiles, in process: exit code, stdout and stderr apart."""

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from stripwise import cli

DATA = Path(__file__).parents[1] / "scenarios" / "lab-wall" / "profiles.csv"
REFERENCE = ("--reference", "Forms 7 d")


def run(*words):
    return CliRunner().invoke(cli.app, ["fit", *map(str, words)])


@pytest.fixture
def changed(tmp_path):
    def inner(old, new):
        text = DATA.read_text("utf-8")
        assert old in text
        path = tmp_path / "changed.csv"
        path.write_text(text.replace(old, new), encoding="utf-8")
        return path

    return inner


@pytest.fixture(scope="module")
def twice(tmp_path_factory):
    folders = [tmp_path_factory.mktemp("fit") / name for name in ("text", "json")]
    plain = run(DATA, *REFERENCE, "--out", folders[0])
    machine = run(DATA, *REFERENCE, "--out", folders[1], "--json")
    return folders, plain, machine


def test_a_fit_writes_its_folder_and_says_what_came_out(twice):
    (folder, _), result, _ = twice
    assert result.exit_code == 0, result.stderr
    assert result.stdout.startswith("Penalty factors against Forms 7 d, with 95 % intervals: ")
    assert "strength, stability and frost" in result.stdout
    written = json.loads((folder / "run.json").read_text("utf-8"))["files"]
    assert {
        "report.html", "specimens.csv", "penalties.csv", "penalty_covariance.csv",
        "penalties.toml", "diffusivity.toml", "surface_chloride.toml", "figures/profiles.png",
    } <= set(written)  # fmt: skip
    assert all((folder / name).is_file() for name in written)


def test_the_same_file_gives_the_same_bytes(twice):
    folders, _, _ = twice
    for name in ("penalties.toml", "bootstrap.csv", "report.html", "figures/profiles.svg"):
        assert (folders[0] / name).read_bytes() == (folders[1] / name).read_bytes()


def test_json(twice):
    record = json.loads(twice[2].stdout)
    assert record["reference"] == "Forms 7 d"
    assert [row["strategy"] for row in record["penalties"]][-1] == "Forms 7 d"
    assert 0 < record["between_specimens_sd_ln"] < 0.5


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (",3,5,", ",5,3,", "changed.csv: line 5, specimen L01, depth_to_mm = 3.0: must be above"),
        (",3,5,", ",2,5,", "overlaps another layer of its specimen"),
        ("chloride_pct", "chloride", "needs the unit of a chloride content"),
        ("Forms 7 d", "Forms 28 d", 'no specimen has the reference strategy "Forms 7 d"'),
        ("specimen,", "sample,", "specimen"),
    ],
)
def test_bad_input_leaves_no_trace(tmp_path, changed, old, new, words):
    result = run(changed(old, new), *REFERENCE, "--out", tmp_path / "out")
    assert result.exit_code == 1
    assert words in result.stderr
    assert "Traceback" not in result.stderr
    assert result.stdout == ""
    assert not (tmp_path / "out").exists()


def test_an_option_of_another_kind_of_data_is_wrong_usage(tmp_path):
    result = run(DATA, "--age", "3 d", "--out", tmp_path / "out")
    assert result.exit_code == 2
    assert "--age" in result.stderr


def test_the_options_reach_the_fit(tmp_path):
    result = run(
        DATA, *REFERENCE, "--out", tmp_path / "out", "--affected-depth", "2 in", "--keep-first",
        "--fit-initial",
    )  # fmt: skip
    assert result.exit_code == 0, result.stderr
    assert "of 50.8 mm that curing changed ended 16 of 16 profiles" in result.stdout
    assert "Where no initial content was given it is fitted" in result.stdout
    table = (tmp_path / "out" / "specimens.csv").read_text("utf-8")
    # the washed-out first layer takes part, and so makes a maximum inside
    assert "maximum inside: layers before 1 mm left out" in table
