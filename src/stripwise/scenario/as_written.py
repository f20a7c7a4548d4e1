"""What a scenario file says, in its own numbers and units."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from stripwise.distributions.random_input import Input
from stripwise.scenario.shapes import InputTable

__all__ = ["written_conversion", "written_input", "written_lines", "written_mean"]

NUMBERS = ("value", "nominal", "bias", "mean", "sd", "cov", "low", "high", "from")
"""Keys of an input that say its numbers, in the order in which they are shown."""


def written_input(raw: Mapping[str, Any], name: str) -> str:
    """Return the numbers of an input as the file writes them, "" where it gives none.

    Examples
    --------
    >>> written_input({"reinforcement": {"cover": {"mean": "2 in", "cov": 0.1}}},
    ...               "reinforcement.cover")
    'mean 2 in, cov 0.1'
    """
    found = _at(raw, name)
    if isinstance(found, Mapping):
        parts = (f"{key} {_text(found[key])}" for key in NUMBERS if key in found)
        return ", ".join(part.removeprefix("value ") for part in parts)
    return "" if found is None else _text(found)


def written_conversion(raw: Mapping[str, Any]) -> str:
    """Return what chloride contents are converted by, as the file writes it; "" where it gives none.

    Examples
    --------
    >>> written_conversion({"exposure": {"binder_content": "650 lb/yd^3"}})
    'binder content 650 lb/yd^3'
    """
    words = {"binder_content": "binder content", "density": "density of the concrete"}
    found = {what: written_input(raw, f"exposure.{key}") for key, what in words.items()}
    return ", ".join(f"{what} {text}" for what, text in found.items() if text)


def written_lines(table: Mapping[str, Any], prefix: str = "") -> list[str]:
    """List the values of a table of the file, a key with its path in each line."""
    lines: list[str] = []
    for key, value in table.items():
        if isinstance(value, Mapping):
            lines += written_lines(value, f"{prefix}{key}.")
        elif isinstance(value, list) and any(isinstance(item, Mapping) for item in value):
            for place, item in enumerate(value, start=1):
                lines += written_lines(item, f"{prefix}{key}[{place}].")
        else:
            lines.append(f"{prefix}{key}: {_text(value)}")
    return lines


def _at(raw: Mapping[str, Any], name: str) -> Any:
    """Return what stands at the name of an input; a strategy is found by its own name."""
    if name.startswith("strategy."):
        for table in raw.get("strategy", ()):
            start = f"strategy.{table.get('name')}."
            if name.startswith(start):
                return table.get(name.removeprefix(start))
        return None
    here: Any = raw
    for key, place in re.findall(r"([^.\[\]]+)(?:\[(\d+)\])?", name.replace('"', "")):
        here = here.get(key) if isinstance(here, Mapping) else None
        here = here[int(place) - 1] if place and here else here
    return here


def _text(value: Any) -> str:
    if isinstance(value, list):
        return ", ".join(_text(item) for item in value)
    return str(value).lower() if isinstance(value, bool) else str(value)


def written_mean(table: InputTable | None, item: Input) -> str:
    """Return the mean of an input as the file writes it, or converted where it does not stand."""
    for key in ("value", "mean"):
        raw = getattr(table, key, None)
        if isinstance(raw, str):
            return raw
    return f"{item.distribution.mean:.3g} {item.unit}".strip()
