"""Check the shape of a file: report what does not fit, take it out and read on."""

from __future__ import annotations

import copy
import difflib
import typing
from typing import Any

from pydantic import BaseModel, ValidationError

from stripwise.scenario.problems import KeyPath, Problems
from stripwise.scenario.schema import ScenarioFile

__all__ = ["model_at", "read_shape"]


def read_shape(raw: dict[str, Any], problems: Problems) -> ScenarioFile:
    """Check the shape of a file and note every key that does not fit.

    Parameters
    ----------
    raw
        The file as tomllib returns it; not changed.
    problems
        Where to note.

    Returns
    -------
    The file without what did not fit.
    """
    rest = copy.deepcopy(raw)
    while True:
        try:
            return ScenarioFile.model_validate(rest)
        except ValidationError as error:
            for detail in reversed(error.errors(include_url=False)):
                path: KeyPath = tuple(detail["loc"])
                if detail["type"] == "extra_forbidden":
                    _note_unknown(problems, path, found=detail["input"])
                else:
                    problems.add(path, _rule(detail, path), found=detail["input"])
                _take_out(rest, path)


SHAPES = {
    "model_type": "must be a table",
    "dict_type": "must be a table",
    "list_type": "must be a list",
}


def _note_unknown(problems: Problems, path: KeyPath, *, found: Any) -> None:
    """Note an unknown key with its nearest spelling, which then does not count as missing."""
    allowed = _keys_at(path[:-1])
    near = difflib.get_close_matches(str(path[-1]).casefold(), allowed, n=1, cutoff=0.5)
    nearest = f"; the nearest spelling is {near[0]!r}" if near else ""
    problems.add(path, f"unknown key; allowed here: {', '.join(allowed)}{nearest}", found=found)
    if near:
        problems.excuse((*path[:-1], near[0]))


def _rule(detail: Any, path: KeyPath) -> str:
    """Return pydantic's finding as a rule in words."""
    code = str(detail["type"])
    if code == "value_error":
        return str(detail["ctx"]["error"])
    rule = SHAPES.get(code, str(detail["msg"]).lower())
    if len(path) == 1 and code == "list_type" and isinstance(detail["input"], dict):
        rule += f"; write [[{path[0]}]], with two brackets, above each"
    if len(path) == 1 and code == "model_type" and isinstance(detail["input"], list):
        rule += f"; write [{path[0]}] once, with one bracket"
    return rule


def _keys_at(path: KeyPath) -> list[str]:
    """List the keys allowed in the table at a path."""
    return list(_fields(model_at(path)))


def model_at(path: KeyPath) -> type[BaseModel]:
    """Return the model of the table at a path, or of the nearest table around it.

    Parameters
    ----------
    path
        Where it stands.

    Returns
    -------
    The pydantic model.
    """
    model: type[BaseModel] = ScenarioFile
    for part in path:
        fields = _fields(model)
        if part in fields:
            model = _model_in(fields[str(part)].annotation) or model
    return model


def _fields(model: type[BaseModel]) -> dict[str, Any]:
    return {field.alias or name: field for name, field in model.model_fields.items()}


def _model_in(annotation: Any) -> type[BaseModel] | None:
    """Find the pydantic model inside an annotation such as a list or an option of it."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for part in typing.get_args(annotation):
        if found := _model_in(part):
            return found
    return None


def _take_out(rest: Any, path: KeyPath) -> None:
    """Remove what stands at a path; a list of tables keeps its length, any other list goes."""
    holders = [rest]
    for part in path[:-1]:
        if isinstance(part, str) and part not in holders[-1]:
            return  # already gone with another problem
        holders.append(holders[-1][part])
    if isinstance(holders[-1], dict):
        holders[-1].pop(path[-1], None)
    elif path[0] in ("strategy", "correlation", "layer") and len(path) == 2:
        holders[-1][path[-1]] = {}
    else:
        holders[-2].pop(path[-2], None)
