"""Change keys in the tables of a scenario, and write them as a file.

Keys are dotted as in the file, `reinforcement.cover.nominal`; a strategy goes by its name,
`strategy.Forms 24 h.strip_age`. Values are those of the file, with their units.
"""

from __future__ import annotations

import copy
import json
import math
from collections.abc import Mapping
from typing import Any

from stripwise.errors import InputError
from stripwise.scenario.own_parts import refuse_own_parts, with_own_parts

__all__ = ["as_toml", "changed"]

ALTERNATIVES = {
    "probability": "reliability_index",
    "reliability_index": "probability",
    "sd": "cov",
    "cov": "sd",
}
"""Keys of which a table has one: setting the first takes the second away."""

PLAIN = (str, float, int, bool)


def changed(raw: Mapping[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    """Return a copy of the tables of a file with other values by dotted key; None takes a key away.

    An InputError if a key leads nowhere.

    Examples
    --------
    >>> changed({"concrete": {"diffusivity": {"mean": "3e-12 m^2/s"}}}, {"concrete.test_factor": 0.9})
    {'concrete': {'diffusivity': {'mean': '3e-12 m^2/s'}, 'test_factor': 0.9}}
    """
    tables: dict[str, Any] = _copied(dict(raw))
    for key, value in changes.items():
        table, name = _place(tables, key)
        if key.startswith("reinforcement.cover."):
            table = _cover(tables, table, name, key)
        if value is None:
            table.pop(name, None)
            continue
        if name in ALTERNATIVES:
            table.pop(ALTERNATIVES[name], None)
        table[name] = _copied(value)
    return with_own_parts(tables)


def _copied(value: Any) -> Any:
    """Copy tables and lists through and through, much faster than `copy.deepcopy`."""
    if type(value) is dict:
        return {key: _copied(item) for key, item in value.items()}
    if type(value) is list:
        return [_copied(item) for item in value]
    return value if type(value) in PLAIN else copy.deepcopy(value)


def _place(tables: dict[str, Any], key: str) -> tuple[dict[str, Any], str]:
    """Return the table that holds a key, and the key's own name."""
    if key.startswith("strategy."):
        strategies = [item for item in tables.get("strategy", ()) if isinstance(item, dict)]
        names = [str(item.get("name")) for item in strategies]
        for table, name in zip(strategies, names, strict=True):
            start = f"strategy.{name}."
            if key.startswith(start):
                return _inner(table, key.removeprefix(start).split("."), key)
        shown = ", ".join(names)
        raise InputError(key, f"names no strategy; the scenario has {shown}")
    return _inner(tables, key.split("."), key)


def _inner(table: dict[str, Any], parts: list[str], key: str) -> tuple[dict[str, Any], str]:
    for part in parts[:-1]:
        found = table.get(part)
        if found is not None and not isinstance(found, dict):
            # a bare value becomes a table of that value, so that its numbers can be set
            table[part] = found = {"value": found}
        if found is None:
            table[part] = found = {}
        table = found
    if not parts[-1]:
        raise InputError(key, "ends in a dot; name the key")
    return table, parts[-1]


def _cover(tables: dict[str, Any], table: dict[str, Any], name: str, key: str) -> dict[str, Any]:
    """Keep mean, nominal and bias of the cover consistent."""
    if name == "mean" and "nominal" in table:
        raise InputError(key, "the cover is given by its nominal; set reinforcement.cover.nominal")
    if name == "nominal":
        table.pop("mean", None)
        value = table.pop("value", None)
        if value is not None:
            table.setdefault("family", "fixed")
            tables["reinforcement"]["cover"] = table
    return table


def as_toml(raw: Mapping[str, Any]) -> str:
    """Write the tables of a scenario as a TOML file, in their own words.

    Examples
    --------
    >>> print(as_toml({"title": "Wall", "target": {"service_life": "50 yr"}}))
    title = "Wall"
    <BLANKLINE>
    [target]
    service_life = "50 yr"
    <BLANKLINE>
    """
    refuse_own_parts(raw)
    plain = [f"{_name(k)} = {_value(v)}" for k, v in raw.items() if not _is_section(v)]
    blocks = ["\n".join(plain)] if plain else []
    for key, value in raw.items():
        if isinstance(value, Mapping):
            blocks.append(_block(f"[{_name(key)}]", value))
        elif _is_section(value):
            blocks += [_block(f"[[{_name(key)}]]", item) for item in value]
    return "\n\n".join(blocks) + "\n"


def _is_section(value: Any) -> bool:
    if isinstance(value, Mapping):
        return True
    return (
        isinstance(value, (list, tuple))
        and len(value) > 0
        and all(isinstance(item, Mapping) for item in value)
    )


def _block(head: str, table: Mapping[str, Any]) -> str:
    return "\n".join([head, *(f"{_name(k)} = {_value(v)}" for k, v in table.items())])


def _name(key: str) -> str:
    bare = key.replace("_", "").replace("-", "")
    return key if bare.isascii() and bare.isalnum() else json.dumps(key, ensure_ascii=False)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_name(k)} = {_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    if isinstance(value, float):
        return (
            str(value)
            if math.isfinite(value)
            else ("nan" if math.isnan(value) else "inf" if value > 0 else "-inf")
        )
    if isinstance(value, int):
        return str(value)
    return json.dumps(str(value), ensure_ascii=False)
