"""The JSON Schema of a scenario file, from the declarations of its keys."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel

from stripwise.scenario.engine import KeyField, key_fields
from stripwise.scenario.fields import Choice, Flag, Key, Price, Quantity, Random, Whole
from stripwise.scenario.key_table import default_words
from stripwise.scenario.scenario_table import ScenarioTable
from stripwise.scenario.shapes import TEXT_LIMIT, Table

__all__ = ["json_schema"]

Schema = dict[str, Any]

NUMBER_OR_TEXT: Schema = {"type": ["number", "string"]}


def json_schema(model: type[BaseModel] = ScenarioTable) -> Schema:
    """Return the JSON Schema of a scenario file, draft 2020-12.

    It knows types, words to choose from, and what is needed wherever its table stands. Units,
    bounds and rules between keys are in words alone: only reading the file checks them.
    """
    inputs: dict[str, Schema] = {}
    body = _table(model, inputs)
    start = {"$schema": "https://json-schema.org/draft/2020-12/schema"}
    return {**start, **body, "$defs": inputs}


def _table(model: type[BaseModel], inputs: dict[str, Schema]) -> Schema:
    fields = [f for f in key_fields(model) if f.declared is not None or f.model is not None]
    return {
        "type": "object",
        "description": (model.__doc__ or "").strip(),
        "properties": {field.key: _field(field, inputs) for field in fields},
        "required": [field.key for field in fields if _needed(model, field)],
        "additionalProperties": False,
    }


def _needed(model: type[BaseModel], field: KeyField) -> bool:
    """Whether a key must stand wherever its table does."""
    if field.declared is not None:
        return bool(field.declared.needed)
    inner = model.model_fields[field.attribute].get_default(call_default_factory=True)
    return isinstance(inner, Table) and any(
        item.declared is not None and item.declared.needed for item in key_fields(type(inner))
    )


def _field(field: KeyField, inputs: dict[str, Schema]) -> Schema:
    declared = field.declared
    if field.model is None or declared is None or field.holds_tables:
        one = _table(field.model, inputs) if field.model else _value(declared, field)
    else:
        one = _input(declared, field.model, inputs)
    if field.is_list and field.holds_tables:
        one = {"type": "array", "items": one}
    for _ in range(field.free_keys):
        one = {"type": "object", "additionalProperties": one}
    return one if declared is None else {**one, "description": _description(declared)}


def _input(declared: Key, model: type[BaseModel], inputs: dict[str, Schema]) -> Schema:
    """Return a value or the table of an input, which stands once among the definitions."""
    if model.__name__ not in inputs:
        inputs[model.__name__] = _table(model, inputs)
    value = NUMBER_OR_TEXT
    if isinstance(declared, Random) and not declared.measure.quantity.dimensionless:
        value = {"type": "string"}
    return {"anyOf": [value, {"$ref": f"#/$defs/{model.__name__}"}]}


def _value(declared: Key | None, field: KeyField) -> Schema:
    match declared:
        case Quantity():
            one = _constant(dimensionless=declared.measure.quantity.dimensionless)
        case Choice():
            one = {"enum": list(declared.options)}
        case Flag():
            one = {"type": "boolean"}
        case Whole():
            one = {"type": "integer", "minimum": declared.low, "maximum": declared.high}
        case Price() if not field.free_keys and field.annotation is Any:
            parts = {"type": "object", "additionalProperties": NUMBER_OR_TEXT}
            one = {"anyOf": [NUMBER_OR_TEXT, parts]}
        case _ if "float" in str(field.annotation):
            one = NUMBER_OR_TEXT
        case _:
            one = {"type": "string", "maxLength": TEXT_LIMIT}
    if declared is not None and getattr(declared, "default", None) not in (None, ""):
        one = {**one, "default": getattr(declared, "default")}  # noqa: B009
    for _ in range(str(field.annotation).count("list[")):
        one = {"type": "array", "items": one}
    return one


def _constant(*, dimensionless: bool) -> Schema:
    """Return a value, or a table with the value and the word that it is meant."""
    types = ["number", "string"] if dimensionless else ["string"]
    return {
        "type": [*types, "object"],
        "properties": {"value": {"type": types}, "unusual": {"type": "boolean"}},
        "required": ["value"],
        "additionalProperties": False,
    }


def _description(declared: Key) -> str:
    """Return the meaning with what else is declared, in words."""
    parts = [declared.meaning]
    if isinstance(declared, Quantity | Random) and declared.measure.unit:
        parts.append(f"A {declared.measure.quantity.words.removeprefix('a ')}.")
    if isinstance(declared, Quantity) and declared.bounds:
        parts.append(f"Allowed: {declared.bounds}.")
    if isinstance(declared, Quantity) and declared.usual:
        parts.append(f"Usual: {declared.usual}.")
    if isinstance(declared, Random):
        parts.append(f"Usual: {declared.usual_range}.")
    if default := default_words(declared):
        parts.append(f"Default: {default}.")
    return " ".join(parts)
