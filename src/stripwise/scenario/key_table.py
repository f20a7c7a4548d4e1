"""Every key of a scenario as a row: what the README and `stripwise list` show."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from pydantic import BaseModel

from stripwise.published import published_value as published
from stripwise.scenario.engine import KeyField, key_fields
from stripwise.scenario.fields import Choice, Flag, Key, Quantity, Random, Whole
from stripwise.scenario.scenario_table import ScenarioTable
from stripwise.scenario.shapes import InputTable

__all__ = ["KeyRow", "default_words", "key_rows"]


class KeyRow(NamedTuple):
    """One key: its path, internal unit, usual range, default and meaning, in words.

    A list of tables is written ``strategy[]``, a free key ``*``, and the keys of the table of an
    input ``INPUT``. `usual` gives the allowed range or words where no usual range is declared.
    """

    key: str
    unit: str
    usual: str
    default: str
    meaning: str

    @property
    def words(self) -> str:
        """Meaning, what is usual or allowed, and what stands in, in one line."""
        usual = f"Usual or allowed: {self.usual}." if self.usual else ""
        default = f"Default: {self.default}." if self.default else ""
        return " ".join(part for part in (self.meaning, usual, default) if part)

    @property
    def section(self) -> str:
        """Table of the file that the key stands in; empty at its head."""
        return self.key.split(".")[0] if "." in self.key else ""


def key_rows(model: type[BaseModel] = ScenarioTable) -> list[KeyRow]:
    """List every declared key of a table and of the tables in it, in their order."""
    own = [_row(f"INPUT.{field.key}", field.declared) for field in _declared(InputTable)]
    return [*_rows(model, ""), *(own if model is ScenarioTable else [])]


def _rows(model: type[BaseModel], prefix: str) -> Iterator[KeyRow]:
    for field in key_fields(model):
        path = f"{prefix}{field.key}{'[]' if field.holds_tables and field.is_list else ''}"
        path += ".*" * field.free_keys
        if field.declared is not None and not field.holds_tables:
            yield _row(path, field.declared)
        if field.model is not None and field.model is not InputTable:
            known = {item.key for item in key_fields(InputTable)}
            for row in _rows(field.model, f"{path}."):
                if field.holds_tables or row.key.removeprefix(f"{path}.") not in known:
                    yield row


def _declared(model: type[BaseModel]) -> list[KeyField]:
    return [field for field in key_fields(model) if field.declared is not None]


def _row(path: str, declared: Key | None) -> KeyRow:
    assert declared is not None
    unit, usual = "", ""
    match declared:
        case Quantity():
            unit, usual = declared.measure.unit, declared.usual or declared.bounds
            if declared.usual and declared.bounds:
                usual += f" (allowed: {declared.bounds})"
        case Random():
            unit, usual = declared.unit, declared.usual_range
        case Choice():
            usual = ", ".join(declared.options)
        case Whole():
            usual = f"{declared.low} to {declared.high}"
    return KeyRow(path, unit, usual, default_words(declared), declared.meaning)


def default_words(declared: Key) -> str:
    """Return what stands in for a key that the file leaves out, "" where nothing does."""
    match declared:
        case Quantity(published=key) if key:
            cited = published(key)
            return f"{cited.number:g} {cited.unit}: {cited.citation}".replace(" :", ":")
        case Random(default=default) if default is not None:
            entry = published(default.published) if default.published else None
            own = default.numbers or tuple(entry.numbers.items() if entry else ())
            family = default.family or (entry.family if entry else "")
            numbers = ", ".join(f"{name} {number:g}" for name, number in own)
            numbers = numbers.removeprefix("mean ") if family == "fixed" else f"{family}, {numbers}"
            source = default.source.removeprefix("default: ") or (entry.citation if entry else "")
            return f"{numbers}: {source}" if source != "none" else numbers
        case Quantity() | Choice() | Whole():
            return str(declared.default or "")
        case Flag():
            return str(declared.default).lower()
    return ""
