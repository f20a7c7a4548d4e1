"""A case from a table, with other values, and back to a file."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from stripwise.scenario.changes import as_toml as write_tables
from stripwise.scenario.loading import build
from stripwise.scenario.model import Scenario

__all__ = ["as_toml", "case", "replace"]


def case(tables: Mapping[str, Any], *, folder: str | Path = ".") -> Scenario:
    """Make a case of a dict that has the shape of a scenario file.

    Parameters
    ----------
    tables
        Sections by name; numbers with their units as text, as in a file; not changed.
    folder
        Where files that it names by `from` lie.

    Raises
    ------
    ScenarioError
        If it cannot be used; one line per problem.

    Examples
    --------
    >>> import stripwise, tomllib
    >>> with open("scenarios/garage-wall.toml", "rb") as file:
    ...     tables = tomllib.load(file)
    >>> stripwise.case(tables).target.service_life
    50.0
    """
    return build(tables, path=Path(folder) / "case.toml")


def replace(scenario: Scenario, changes: Mapping[str, Any]) -> Scenario:
    """Return a case with other values by dotted key, checked again, as `Scenario.replace`.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/garage-wall.toml")
    >>> stripwise.replace(case, {"reinforcement.cover.nominal": "50 mm"}).nominal_cover
    50.0
    """
    return scenario.replace(changes)


def as_toml(scenario: Scenario) -> str:
    """Write a case as the text of a scenario file, in its own words and units.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/garage-wall.toml")
    >>> stripwise.as_toml(case).splitlines()[0]
    'title = "Garage wall (invented): when may the forms go?"'
    """
    return write_tables(scenario.raw)
