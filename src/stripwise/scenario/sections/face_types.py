"""The [[concrete_type]] and [[exposure_type]] blocks, which the faces of an inventory choose from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Any

from stripwise.scenario.engine import read_keys
from stripwise.scenario.fields import Text
from stripwise.scenario.problems import Problems
from stripwise.scenario.sections.concrete import ConcreteTable
from stripwise.scenario.sections.exposure import ExposureTable
from stripwise.scenario.shapes import String

__all__ = [
    "TYPE_SECTIONS",
    "ConcreteTypeTable",
    "ExposureTypeTable",
    "read_face_types",
    "type_changes",
]

TYPE_LIMIT = 200
"""Most blocks of one kind."""

TYPE_SECTIONS = {"concrete_type": "concrete", "exposure_type": "exposure"}
"""The section whose keys a block replaces."""

RIVALS = (
    ("temperature", "monthly_temperature", "temperature_series"),
    ("surface_chloride", "de_icing"),
)
"""Keys of which a section has one: a block that gives one takes the others away."""

NAME = Text(
    "Name of the block, as a row of an inventory gives it.",
    shown=True,
    blank=False,
    needed="such as {}",
    example='"slag, w/c 0.45"',
)


class ConcreteTypeTable(ConcreteTable):
    """[[concrete_type]]: keys of [concrete] for the faces of an inventory that name it."""

    name: Annotated[String | None, NAME] = None


class ExposureTypeTable(ExposureTable):
    """[[exposure_type]]: keys of [exposure] for the faces of an inventory that name it."""

    name: Annotated[String | None, NAME] = None


def read_face_types(
    tables: Sequence[ConcreteTypeTable | ExposureTypeTable], kind: str, problems: Problems
) -> tuple[str, ...]:
    """Return the names of the blocks of one kind; their keys are checked where a face uses them."""
    if len(tables) > TYPE_LIMIT:
        problems.add((kind,), f"stands {len(tables)} times; at most {TYPE_LIMIT} are allowed")
        return ()
    names: list[str] = []
    for index, table in enumerate(tables):
        path = (kind, index)
        name = read_keys(table, path, problems, only=("name",))["name"]
        if name in names:
            problems.add((*path, "name"), "is used twice", found=name)
        if name is not None:
            names.append(name)
    return tuple(names)


def type_changes(raw: Mapping[str, Any], kind: str, name: str) -> dict[str, Any]:
    """Return what a block changes in the tables of a scenario, by dotted key."""
    section = TYPE_SECTIONS[kind]
    block = next(item for item in raw[kind] if item.get("name") == name)
    own = {key: value for key, value in block.items() if key != "name"}
    changes = {f"{section}.{key}": value for key, value in own.items()}
    for rivals in RIVALS:
        if section == "exposure" and any(key in own for key in rivals):
            changes |= {f"exposure.{key}": None for key in rivals if key not in own}
    return changes
