"""Walk the declared keys of a table: check its shape, convert every value, note every problem."""

from __future__ import annotations

import copy
import difflib
import functools
import math
import typing
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from stripwise.distributions.random_input import Input
from stripwise.published import published_value as published
from stripwise.scenario.fields import Choice, Key, Quantity, Random, Text, Whole
from stripwise.scenario.problems import KeyPath, Problems, words
from stripwise.scenario.random_tables import Converter, default_input, read_input
from stripwise.scenario.shapes import InputTable, Table

__all__ = ["KeyField", "declared", "inputs_of", "key_fields", "model_at", "read_keys", "read_shape"]

Model = TypeVar("Model", bound=Table)

Values = dict[str, Any]
"""By key: number, text, flag, `Input`, or a tuple of them; NaN, or None, after a problem."""

Reader = Callable[[object], float]

TABLE_LISTS = ("strategy", "correlation", "layer", "concrete_type", "exposure_type")
"""Lists of tables, of which one that is no table counts as empty."""

SHAPES = {
    "model_type": "must be a table",
    "dict_type": "must be a table",
    "list_type": "must be a list",
}


@dataclass(frozen=True, slots=True)
class KeyField:
    """One key of a table.

    Attributes
    ----------
    key, attribute
        Name in the file and in the model.
    declared
        Its declaration; None for a table or a list that has keys of its own.
    annotation
        Type of the shape.
    model
        Model of the table or tables that stand here; None for a value.
    """

    key: str
    attribute: str
    declared: Key | None
    annotation: Any
    model: type[BaseModel] | None

    @property
    def holds_tables(self) -> bool:
        """Whether tables with keys of their own stand here, and no inputs."""
        return self.model is not None and not isinstance(self.declared, Random)

    @property
    def is_list(self) -> bool:
        """Whether a list stands here."""
        return "list[" in str(self.annotation)

    @property
    def free_keys(self) -> int:
        """How many keys of the user's choice stand between this one and its value."""
        return str(self.annotation).count("dict[")


@functools.cache
def _fields_by_key(model: type[BaseModel]) -> dict[str, KeyField]:
    return {field.key: field for field in key_fields(model)}


@functools.cache
def key_fields(model: type[BaseModel]) -> tuple[KeyField, ...]:
    """List the keys of a table in the order of its model."""
    return tuple(
        KeyField(
            field.alias or name,
            name,
            next((item for item in field.metadata if isinstance(item, Key)), None),
            field.annotation,
            _model_in(field.annotation),
        )
        for name, field in model.model_fields.items()
    )


def declared(model: type[BaseModel], key: str) -> Any:
    """Return the declaration of a key."""
    return next(field.declared for field in key_fields(model) if field.key == key)


def read_shape(model: type[Model], raw: Mapping[str, Any], problems: Problems) -> Model:
    """Return a file without what does not fit its shape; note every key that does not."""
    rest: Any = raw
    while True:
        try:
            return model.model_validate(rest)
        except ValidationError as error:
            rest = copy.deepcopy(raw) if rest is raw else rest
            for detail in reversed(error.errors(include_url=False)):
                path: KeyPath = tuple(detail["loc"])
                if detail["type"] == "extra_forbidden":
                    _note_unknown(model, path, found=detail["input"], problems=problems)
                else:
                    problems.add(path, _rule(detail, path), found=detail["input"])
                _take_out(rest, path)


def _note_unknown(model: type[BaseModel], path: KeyPath, *, found: Any, problems: Problems) -> None:
    """Note an unknown key with its nearest spelling, which then does not count as missing."""
    allowed = [field.key for field in key_fields(model_at(model, path[:-1]))]
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


def model_at(root: type[BaseModel], path: KeyPath) -> type[BaseModel]:
    """Return the model of the table at a path, or of the nearest table around it."""
    model = root
    for part in path:
        for field in key_fields(model):
            if field.key == part:
                model = field.model or model
                break
    return model


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
    elif path[0] in TABLE_LISTS and len(path) == 2:
        holders[-1][path[-1]] = {}
    else:
        holders[-2].pop(path[-2], None)


def read_keys(
    table: Table,
    path: KeyPath,
    problems: Problems,
    *,
    first: Iterable[str] = (),
    only: Iterable[str] | None = None,
    skip: Iterable[str] = (),
    prefix: str = "",
    readers: Mapping[str, Reader] | None = None,
    converters: Mapping[str, Converter | None] | None = None,
) -> Values:
    """Convert every declared value of a table and note what is wrong or missing.

    Parameters
    ----------
    table, path, problems
        The table in its shape, where it stands, and where to note.
    first
        Keys that are read before the others, in this order.
    only, skip
        Keys to read alone; keys to leave out.
    prefix
        What the names of inputs begin with, in place of the path.
    readers
        Conversions that take the place of the declared ones, by key.
    converters
        The same of inputs; None for one that cannot be converted, which was told.
    """
    skip, first = set(skip), list(first)
    fields = _fields_by_key(type(table))
    order = [*first, *(key for key in fields if key not in first)] if only is None else list(only)
    found: Values = {}
    for key in order:
        field = fields[key]
        if key in skip or field.declared is None or field.holds_tables:
            continue
        raw, where = getattr(table, field.attribute), (*path, key)
        if isinstance(raw, dict):  # a table of free keys, which its section reads
            continue
        if raw is None and field.declared.needed:
            problems.missing(where, field.declared.need)
        if isinstance(field.declared, Random):
            options = converters or {}
            if raw is not None and options.get(key, True) is None:
                found[key] = None
                continue
            name = f"{prefix}.{key}" if prefix else words(where)
            found[key] = _input(
                field.declared, raw, where, name=name, converter=options.get(key), problems=problems
            )
        elif raw is not None and readers and key in readers:
            found[key] = problems.number(readers[key], raw, where)
        else:
            found[key] = _value(field.declared, raw, where, problems)
    return found


def inputs_of(values: Values) -> list[Input]:
    """List the inputs among the values of a table."""
    return [item for item in values.values() if isinstance(item, Input)]


def _input(
    declared: Random,
    table: InputTable | None,
    path: KeyPath,
    *,
    name: str,
    converter: Converter | None,
    problems: Problems,
) -> Input | None:
    if table is None:
        return default_input(declared, name) if declared.default else None
    if declared.word and table.bare and str(table.value).strip() == declared.word:
        return None
    return read_input(declared, table, path, name=name, problems=problems, converter=converter)


def _value(declared: Key, raw: Any, path: KeyPath, problems: Problems) -> Any:
    """Return a value that is no input, or what stands in for it."""
    if isinstance(declared, Quantity):
        return _quantity(declared, raw, path, problems)
    if raw is None:
        return getattr(declared, "default", None)
    if isinstance(declared, Choice):
        if isinstance(raw, list):
            return [problems.choice(word, path, allowed=declared.options) for word in raw]
        return problems.choice(raw, path, allowed=declared.options)
    if isinstance(declared, Text | Whole) and (broken := declared.broken_rule(raw)):
        problems.add(path, broken, found=raw)
    return raw


def _quantity(declared: Quantity, raw: Any, path: KeyPath, problems: Problems) -> Any:
    if isinstance(raw, list):
        places = enumerate(raw)
        return tuple(problems.number(declared.read, item, (*path, i)) for i, item in places)
    if raw is not None:
        return problems.number(declared.read, raw, path)
    if declared.published:
        return published(declared.published).number
    if declared.default:
        return declared.read(declared.default)
    return math.nan if declared.needed else None
