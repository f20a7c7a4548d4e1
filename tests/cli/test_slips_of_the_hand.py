"""Names spelt wrong, files given to the wrong command, and where to start."""

import pytest
from typer.testing import CliRunner

from stripwise import cli
from stripwise.cli.shell import ORDER
from stripwise.scenario.loading import load
from stripwise.scenario.starters import exposures, starter_text


def call(*arguments):
    return CliRunner().invoke(cli.app, [str(argument) for argument in arguments])


def test_the_help_lists_the_commands_in_the_order_of_the_work():
    lines = call("-h").stdout.split("Commands:")[1].splitlines()
    listed = [line.split()[0] for line in lines if line.startswith("  ") and line[2] != " "]
    assert listed == [name for name in ORDER if name in listed]
    assert listed[:3] == ["new", "check", "run"]
    assert {"design", "rank", "stripped", "fit", "plan-tests", "list"} < set(listed)


def test_completion_can_be_installed():
    assert "--install-completion" in call("--help").stdout


@pytest.mark.parametrize(
    ("arguments", "nearest"),
    [
        (["desing"], "design"),
        (["run", "wall.toml", "--workrs", "2"], "--workers"),
        (["list", "clumns"], '"columns"'),
        (["new", "wall.toml", "--like", "deiced"], '"de-iced"'),
    ],
)
def test_a_word_spelt_wrong_is_code_2_with_the_nearest_one(arguments, nearest):
    result = call(*arguments)
    assert result.exit_code == 2
    assert nearest in result.stderr


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["run", "--require-target", "--strategy"], 2),
        (["rank", "--strategy"], 1),
        (["plan-tests", "--strategy"], 1),
        (["stripped", "--after", "14 h", "--at", "6 degC", "--plan"], 1),
    ],
)
def test_a_strategy_spelt_wrong_comes_back_with_the_nearest_one(wall, arguments, code):
    result = call(*arguments, "froms 12h", wall.write())
    assert result.exit_code == code
    assert 'the nearest spelling is "Forms 12 h"' in result.stderr


def test_a_table_given_as_a_scenario_and_the_other_way(wall, tmp_path):
    table = tmp_path / "profiles.csv"
    table.write_text("specimen,strategy\nA,B\n")
    result = call("run", table)
    assert (result.exit_code, result.stderr) == (
        1,
        "profiles.csv: is a table and no scenario (TOML); did you mean `stripwise fit`?\n",
    )
    result = call("fit", wall.write())
    assert (result.exit_code, result.stderr) == (
        1,
        "wall.toml: is a scenario and no table of test data; did you mean `stripwise run`?\n",
    )


@pytest.mark.parametrize("exposure", exposures())
def test_another_exposure_is_the_same_text_with_other_values(tmp_path, exposure):
    path = tmp_path / "wall.toml"
    result = call("new", path, "--like", exposure)
    assert result.exit_code == 0, result.stderr
    assert not any("unusual" in warning for warning in load(path).warnings)
    lines, plain = path.read_text("utf-8").splitlines(), starter_text().splitlines()
    assert len(lines) == len(plain)
    changed = [one.split(" = ")[0] for one, other in zip(lines, plain, strict=True) if one != other]
    assert {"title", "surface_chloride", "cover"} <= set(changed)
    assert len(changed) < 8
