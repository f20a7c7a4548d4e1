"""What the README promises: every command is named and every file it points to is there."""

import re
from pathlib import Path

import pytest
import typer

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
    assert "reports/garage-wall/figures/curves.png" in links
    assert [link for link in links if "://" not in link and not (ROOT / link).is_file()] == []
