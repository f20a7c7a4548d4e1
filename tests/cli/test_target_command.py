"""`stripwise target`, in process."""

import json

import pandas as pd
import pytest
from typer.testing import CliRunner

from stripwise import cli
from stripwise.units.caution import CAUTION

pytestmark = pytest.mark.usefixtures("few_samples", "no_figures")


def call(*arguments):
    return CliRunner().invoke(cli.app, [str(argument) for argument in arguments])


def test_it_writes_a_page_and_tables(wall, tmp_path):
    result = call("target", wall.write(), "--out", tmp_path / "out")
    assert (result.exit_code, result.stderr) == (0, "")
    assert result.stdout.startswith("The stated target, 10 % within 50 yr, ")
    assert CAUTION in result.stdout
    names = {path.name for path in (tmp_path / "out").iterdir()}
    assert names == {
        "targets.csv", "annual.csv", "report.html", "run.json", "times.json", "figures",
    }  # fmt: skip
    table = pd.read_csv(tmp_path / "out" / "targets.csv")
    assert table.loc[0, ["service_life_yr", "allowed_probability"]].tolist() == [50.0, 0.1]


def test_as_json(wall, tmp_path):
    result = call("target", wall.write(), "--out", tmp_path / "out", "--json")
    record = json.loads(result.stdout)
    assert record["caution"] == CAUTION
    assert record["targets"][0]["source"] == "the scenario"
    assert record["costs"] is None


def test_a_folder_of_another_command_is_refused_before_anything_is_computed(wall, tmp_path):
    assert call("target", wall.write(), "--out", tmp_path / "out").exit_code == 0
    result = call("run", wall.path, "--out", tmp_path / "out")
    assert result.exit_code == 1
    assert "target" in result.stderr
