"""What the README promises: every command is named and every file it points to is there."""

import re
import runpy
import shlex
from pathlib import Path

import numpy as np
import pytest
import typer
from typer.testing import CliRunner

import stripwise
from stripwise import cli

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text("utf-8")
COMMANDS = sorted(typer.main.get_command(cli.app).commands)


def test_the_app_has_commands():
    assert {"check", "new", "run", "stripped"} <= set(COMMANDS)


@pytest.mark.parametrize("command", COMMANDS)
def test_the_readme_names_every_command(command):
    assert re.search(rf"stripwise {command}\b", README)


def test_the_tour_takes_the_commands_in_order():
    tour = README.split("## A five-minute tour")[1].split("\n## ")[0]
    places = [tour.index(f"stripwise {c}") for c in ("new", "check", "run", "stripped")]
    assert places == sorted(places)


@pytest.mark.parametrize("path", sorted((ROOT / "scenarios").glob("*.toml")), ids=lambda p: p.name)
def test_the_readme_lists_every_scenario(path):
    assert f"`{path.name}`" in README


def test_links_and_pictures_point_to_files():
    links = re.findall(r"\]\(([^)#]+)\)", README)
    assert "reports/example/figures/curves.png" in links
    assert [link for link in links if "://" not in link and not (ROOT / link).is_file()] == []


def shown(start):
    """Return the block of output in the README that starts with a text."""
    blocks = re.findall(r"```text\n(.*?)```", README, flags=re.DOTALL)
    return next(block for block in blocks if block.lstrip().startswith(start))


def test_the_tour_prints_what_it_shows(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert CliRunner().invoke(cli.app, ["new", "my-wall.toml"]).exit_code == 0
    line = re.search(r"stripwise (stripped my-wall.*)", README)[1]
    result = CliRunner().invoke(cli.app, shlex.split(line))
    assert shown("Stripping after 14 h") in result.stdout


@pytest.mark.usefixtures("few_samples")  # what is shown depends on the sample of the file alone
def test_the_notebook_shows_what_comes_out(monkeypatch):
    monkeypatch.chdir(ROOT)
    code = re.search(r"## In a notebook\n\n```python\n(.*?)```", README, flags=re.DOTALL)[1]
    *lines, last = code.strip().splitlines()
    names = {}
    exec("\n".join(lines), names)
    table = eval(last, names)
    head, *rows = shown("strategy").splitlines()
    assert head.split() == list(table.columns)
    for row, found in zip(rows, table.itertuples(index=False), strict=True):
        name, p, life = re.fullmatch(r"\d +(.*?) +(\S+) +(\S+)", row.rstrip()).groups()
        assert name == found.strategy
        np.testing.assert_allclose([float(p), float(life)], found[1:], atol=0.002, rtol=0)


def test_every_strategy_that_a_command_names_is_in_its_scenario():
    calls = re.findall(
        r"stripwise \w[\w-]* (scenarios/\S+\.toml).* --strategy \"([^\"]+)\"", README
    )
    assert calls
    for path, name in calls:
        assert name in [s.name for s in stripwise.load(ROOT / path).strategies]


def test_the_tables_of_keys_and_columns_are_those_of_the_declarations():
    """Run tests/readme_tables.py where this fails."""
    regenerated = runpy.run_path(str(ROOT / "tests" / "readme_tables.py"))["regenerated"]
    assert regenerated(README) == README
