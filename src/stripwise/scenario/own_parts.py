"""What a case takes from Python instead of a file: joint draws, a curing law, a front model."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Self

from stripwise.errors import InputError
from stripwise.scenario.draw_table import DrawTable

__all__ = ["OwnFunction", "own_parts", "refuse_own_parts", "with_own_parts", "without_own_parts"]

LAW, DRAWS, FRONT = ("curing", "law"), ("knowledge",), ("model", "front")
FUNCTIONS = (LAW, FRONT)


@dataclass(frozen=True, slots=True)
class OwnFunction:
    """A function or an object of the caller's, which changes of a case hand on as it is."""

    function: Any

    def __deepcopy__(self, _memo: object) -> Self:
        """Return the function itself."""
        return self

    def __repr__(self) -> str:
        """Name the function; the name stands for it in the digest of a case."""
        made = self.function if isinstance(self.function, Callable) else type(self.function)  # type: ignore[arg-type]
        module, name = getattr(made, "__module__", ""), getattr(made, "__qualname__", repr(made))
        return f"<{module}.{name}>"


def with_own_parts(raw: Mapping[str, Any]) -> dict[str, Any]:
    """Return the tables of a case with DataFrames and functions in what they are kept in."""
    tables = dict(raw)
    given = tables.get("knowledge")
    if hasattr(given, "columns") and hasattr(given, "to_numpy"):
        tables["knowledge"] = DrawTable.from_frame(given)
    for section, key in FUNCTIONS:
        table = tables.get(section)
        if isinstance(table, Mapping) and _is_own(table.get(key)):
            tables[section] = {**table, key: OwnFunction(table[key])}
    return tables


def own_parts(raw: Mapping[str, Any]) -> dict[str, Any]:
    """Return what a case brings of its own: draws, law and front, where it does."""
    found: dict[str, Any] = {}
    if isinstance(raw.get("knowledge"), DrawTable):
        found["draws"] = raw["knowledge"]
    for name, (section, key) in (("law", LAW), ("front", FRONT)):
        table = raw.get(section)
        if isinstance(table, Mapping) and isinstance(table.get(key), OwnFunction):
            found[name] = table[key].function
    return found


def without_own_parts(raw: Mapping[str, Any]) -> dict[str, Any]:
    """Return the tables without them, as a file could write them."""
    tables = dict(raw)
    if isinstance(tables.get("knowledge"), DrawTable):
        del tables["knowledge"]
    for section, key in FUNCTIONS:
        table = tables.get(section)
        if isinstance(table, Mapping) and isinstance(table.get(key), OwnFunction):
            tables[section] = {k: v for k, v in table.items() if k != key}
    return tables


def refuse_own_parts(raw: Mapping[str, Any]) -> None:
    """Raise InputError where a file could not hold what a case brings."""
    found = own_parts(raw)
    if "draws" in found:
        rule = 'are joint draws in memory; write them to a CSV file and name it: { from = "..." }'
        raise InputError("knowledge", rule)
    for name, path in (("law", LAW), ("front", FRONT)):
        if name in found:
            raise InputError(".".join(path), "is a function, which a file cannot hold")


def _is_own(value: object) -> bool:
    return value is not None and not isinstance(
        value, OwnFunction | str | bytes | int | float | Mapping | list | tuple
    )
