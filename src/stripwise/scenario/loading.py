"""Read a scenario file, with every problem of the file in one error."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from stripwise.curing.laws import own_law
from stripwise.errors import InputError, ScenarioError
from stripwise.risk.model.own_front import check_front_model
from stripwise.scenario.engine import read_shape
from stripwise.scenario.model import Scenario
from stripwise.scenario.own_parts import OwnFunction, own_parts, with_own_parts, without_own_parts
from stripwise.scenario.problems import KeyPath, Problems, key_lines
from stripwise.scenario.references import expand
from stripwise.scenario.resolve import resolve
from stripwise.scenario.scenario_table import ScenarioTable
from stripwise.scenario.sections.strategies import STRATEGY_LIMIT
from stripwise.scenario.toml_text import parse_toml
from stripwise.units.names import is_encodable, printable

__all__ = ["FILE_LIMIT", "build", "load"]

TABLE_SUFFIXES = (".csv", ".tsv", ".txt")
"""Ends of the names of tables, which `stripwise fit` reads."""

FILE_LIMIT = 1_000_000
"""Largest scenario file in bytes."""

DEEPEST = 20
"""Most tables and lists one inside the other; a scenario has six."""


def load(path: str | Path, *, allow_outside: bool = False) -> Scenario:
    """Read a scenario file.

    Parameters
    ----------
    path
        The TOML file.
    allow_outside
        Whether the file may name data outside its own folder.

    Returns
    -------
    The `Scenario`, checked and in internal units.

    Raises
    ------
    ScenarioError
        If the file cannot be read or used; one line per problem.

    Examples
    --------
    >>> import stripwise
    >>> stripwise.load("scenarios/garage-wall.toml").target.service_life
    50.0
    """
    path = Path(path)
    name = printable(path.name, 200).strip('"') or str(path)
    if not is_encodable(path.name):
        raise ScenarioError([f"{name}: the name of the file is not UTF-8; rename it"])
    data = _read(path, name)
    text, raw = _parse(data, name)
    _check_depth(raw, name)
    return _build(
        raw,
        Problems(name, key_lines(text)),
        path=path,
        digest=hashlib.sha256(data).hexdigest(),
        allow_outside=allow_outside,
    )


def build(
    raw: Mapping[str, Any],
    *,
    path: str | Path = "scenario.toml",
    lines: Mapping[KeyPath, int] | None = None,
    allow_outside: bool = False,
) -> Scenario:
    """Make a scenario of a table that has the shape of a file, with the same errors.

    Parameters
    ----------
    raw
        The tables by name, as a TOML file gives them; not changed.
    path
        File that the messages and the report name; other files are looked for beside it.
    lines
        Line of each key path, for the messages; empty where there is no file.
    allow_outside
        Whether the tables may name data outside the folder of `path`.

    Returns
    -------
    The `Scenario`, checked and in internal units.

    Raises
    ------
    ScenarioError
        If the tables cannot be used; one line per problem.
    """
    path = Path(path)
    raw = with_own_parts(raw)
    _check_depth(raw, path.name)
    text = json.dumps(raw, sort_keys=True, default=str)
    return _build(
        dict(raw),
        Problems(path.name, lines or {}),
        path=path,
        digest=hashlib.sha256(text.encode()).hexdigest(),
        allow_outside=allow_outside,
    )


def _build(
    raw: dict[str, Any], problems: Problems, *, path: Path, digest: str, allow_outside: bool
) -> Scenario:
    """Put in what other files give, check the shape and resolve."""
    strategies = raw.get("strategy")
    if isinstance(strategies, list) and len(strategies) > STRATEGY_LIMIT:
        rule = f"stands {len(strategies)} times; at most {STRATEGY_LIMIT} are allowed"
        problems.add(("strategy",), rule)
        problems.raise_all()
    own = own_parts(raw)
    plain = without_own_parts(raw) if own else raw
    whole, references = expand(
        plain, folder=path.parent, allow_outside=allow_outside, problems=problems
    )
    scenario = resolve(
        read_shape(ScenarioTable, whole, problems),
        path=path,
        digest=digest,
        problems=problems,
        references=references,
        allow_outside=allow_outside,
        draws=own.get("draws"),
        law=own_law(own["law"]) if "law" in own else None,
    )
    if "front" in own:
        scenario = _with_own_front(scenario, own["front"])
    return replace(scenario, raw=raw, builder=build)


def _with_own_front(scenario: Scenario, model: Any) -> Scenario:
    """Let a front model of the caller's own take the place of the chloride front."""
    if scenario.service.changes_front or scenario.curing.layered:
        raise InputError(
            "model.front",
            "replaces the front of a uniform face; leave out carbonation, surface_history, "
            "first_exposure, front_factor, layers, coating and affected_depth, and put what they do "
            "into the model",
        )
    check_front_model(model, {item.name: item.distribution.mean for item in scenario.inputs})
    told = (
        f"The depth of the front comes from {OwnFunction(model)!r}, given with the case; nothing here "
        "supports it. Hand calculations and margin rules, those of the chloride front, are left out."
    )
    return replace(scenario, front_model=model, warnings=(told, *scenario.warnings))


def _read(path: Path, name: str) -> bytes:
    """Return the bytes of a file that is small enough to be a scenario."""
    shown = printable(str(path), 1000).strip('"')
    try:
        if not path.exists():
            raise ScenarioError([f"{name}: there is no such file; check the path {shown}"])
        if path.is_dir():
            raise ScenarioError([f"{name}: is a folder; give the scenario file inside it"])
        if not path.is_file():
            raise ScenarioError([f"{name}: is no regular file"])
        with path.open("rb") as stream:
            data = stream.read(FILE_LIMIT + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise ScenarioError([f"{name}: cannot be read: {reason}"]) from error
    if len(data) > FILE_LIMIT:
        raise ScenarioError([f"{name}: is larger than 1 MB, the limit of a scenario file"])
    if not data.strip():
        raise ScenarioError([f"{name}: is empty; `stripwise new` writes a starter file"])
    return data


def _parse(data: bytes, name: str) -> tuple[str, dict[str, Any]]:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise ScenarioError([f"{name}: is not UTF-8 text (line {line})"]) from error
    try:
        return text, parse_toml(text)
    except RecursionError as error:
        raise ScenarioError([f"{name}: is nested too deeply to be a scenario"]) from error
    except ValueError as error:
        if Path(name).suffix.lower() in TABLE_SUFFIXES:
            rule = "is a table and no scenario (TOML); did you mean `stripwise fit`?"
            raise ScenarioError([f"{name}: {rule}"]) from error
        raise ScenarioError([f"{name}: is not valid TOML: {_reason(error)}"]) from error


def _reason(error: ValueError) -> str:
    """Say what the reader of TOML found, where its own words are for programmers."""
    text = printable(str(error), 200).strip('"')
    if "integer string conversion" in text:
        return "a whole number has thousands of digits"
    if twice := re.match(r"Cannot declare \((.*?),?\) twice(.*)", text):
        table = ".".join(part.strip(" '") for part in twice[1].split(","))
        return f"the table [{table}] stands twice{twice[2]}"
    return text.replace("Cannot overwrite a value", "a key stands twice")


def _check_depth(raw: Mapping[str, Any], name: str) -> None:
    """Refuse what later steps, which recurse, would fail on; dotted keys nest without brackets."""
    level: list[Any] = [raw]
    for _ in range(DEEPEST):
        tables = [part for part in level if isinstance(part, dict | list)]
        if any(
            not isinstance(key, str) for part in tables if isinstance(part, dict) for key in part
        ):
            raise ScenarioError([f"{name}: a key must be a text"])
        level = [x for part in tables for x in (part.values() if isinstance(part, dict) else part)]
    if any(isinstance(part, dict | list) for part in level):
        raise ScenarioError([f"{name}: is nested too deeply to be a scenario"])
