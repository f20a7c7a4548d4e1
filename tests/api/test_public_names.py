"""What a newcomer sees: the names, one screen of help, a runnable example each, the README."""

import inspect
import re
from pathlib import Path

import pytest

import stripwise

README = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
FUNCTIONS = [n for n in stripwise.__all__ if inspect.isfunction(getattr(stripwise, n))]
AS_METHODS = {"replace", "write_design"}


def test_names_are_found_by_tab_and_star():
    assert dir(stripwise) == sorted(stripwise.__all__)
    assert set(dir(stripwise.plot)) >= set(stripwise.plot.__all__)
    assert stripwise.plot.__all__ == sorted(stripwise.plot.__all__)
    with pytest.raises(AttributeError, match="no attribute 'asess'"):
        stripwise.asess  # noqa: B018


def test_help_is_one_screen_and_names_every_function():
    lines = inspect.getdoc(stripwise).splitlines()
    assert len(lines) <= 32
    assert max(map(len, lines)) <= 108
    told = " ".join(lines)
    missing = [n for n in FUNCTIONS if not re.search(rf"\b{n}\b", told)]
    assert set(missing) <= {"as_toml", "replace", "write", "write_design", "empirical"}


@pytest.mark.parametrize("name", FUNCTIONS)
def test_every_function_has_an_example_that_runs(name):
    text = inspect.getdoc(getattr(stripwise, name))
    assert ">>>" in text
    assert "+SKIP" not in text


@pytest.mark.parametrize("name", FUNCTIONS)
def test_the_readme_names_every_function(name):
    python = README.split("## In a notebook")[1].split("\n## ")[0]
    if name not in AS_METHODS:  # case.replace, result.write
        assert re.search(rf"\b{name}\b", python)


@pytest.mark.parametrize("name", stripwise.plot.__all__)
def test_every_figure_says_what_it_plots_and_takes_axes(name):
    function = getattr(stripwise.plot, name)
    assert ">>>" in inspect.getdoc(function)
    if name not in {"style", "cover_comparison", "profiles", "face_maps", "core_contents"}:
        assert "ax" in inspect.signature(function).parameters
