"""Classes of faces that share concrete, exposure and every other key but curing, cover and age."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stripwise.curing.maturity import equivalent_age
from stripwise.distributions.random_input import Input
from stripwise.errors import InputError, ScenarioError
from stripwise.risk.model.wall import COVER, Wall
from stripwise.scenario.changes import changed
from stripwise.scenario.model import Scenario
from stripwise.scenario.sections.face_types import TYPE_SECTIONS, type_changes
from stripwise.studies.from_scenario import build_wall
from stripwise.units.formatting import count

__all__ = ["ClassKey", "FaceClass", "FaceClasses"]

Array = NDArray[np.float64]

GLOBAL_INPUTS = ("curing.", "carbonation.", "model.", "concrete.temperature_coefficient")
"""Beginnings of the inputs that all faces share; the others are those of their block."""

MOST_CLASSES = 2000
"""Most sets of keys that one inventory may be split into."""


@dataclass(frozen=True, slots=True)
class ClassKey:
    """What tells one class from another.

    Attributes
    ----------
    types
        Names of the blocks, "" for none, in the order of `TYPE_SECTIONS`.
    overrides
        Dotted key, text as a scenario would write it, and whether it is meant although unusual.
    element
        Name of the one face of the class, where it was inspected; else "".
    """

    types: tuple[str, str] = ("", "")
    overrides: tuple[tuple[str, str, bool], ...] = ()
    element: str = ""


@dataclass(frozen=True, slots=True)
class FaceClass:
    """A class with its scenario and wall.

    Attributes
    ----------
    key
        What it is told by.
    case
        Its scenario.
    wall
        Its wall, with the retention of every method among the inputs.
    """

    key: ClassKey
    case: Scenario
    wall: Wall

    def maturity_factor(self, temperature: ArrayLike) -> Array:
        """Return equivalent hours per hour at concrete temperatures [degC]."""
        curing = self.case.curing
        return np.asarray(
            equivalent_age(
                1.0,
                temperature,
                function=curing.maturity,
                reference_c=curing.reference_temperature,
                activation_temperature=curing.activation_temperature,
                datum_c=curing.datum_temperature,
            )
        )

    def retention(self, name: str) -> Input:
        """Return the input with the moisture retention of a follow-up."""
        return self.wall.input(name)

    @property
    def cover_sd(self) -> float:
        """Sd of the cover as the scenario gives it [mm]; 0 for a fixed one."""
        return self.wall.input(COVER).distribution.parent_sd

    def draw_key(self, name: str) -> str:
        """Return the key of the shared draws of an input: that of the block which gives it."""
        if any(name.startswith(start) for start in GLOBAL_INPUTS):
            return name
        for (kind, section), block in zip(TYPE_SECTIONS.items(), self.key.types, strict=True):
            if block and name.startswith(f"{section}."):
                given = type_changes(self.case_raw, kind, block)
                if any(name == key or name.startswith(f"{key}.") for key in given):
                    return f"{kind}:{block}:{name}"
        return name

    @property
    def case_raw(self) -> Mapping[str, Any]:
        """The tables that the class was made of, with every block."""
        return self.case.raw


@dataclass(slots=True)
class FaceClasses:
    """The classes of an inventory as its rows name them.

    Attributes
    ----------
    case
        The scenario of the inventory.
    places
        Position of a class by its key, or what is wrong with it in words.
    classes
        In the order in which the rows name them.
    inspected
        Names of the faces that were inspected, each of which is a class of its own.
    """

    case: Scenario
    places: dict[ClassKey, int | str] = field(default_factory=dict)
    classes: list[FaceClass] = field(default_factory=list)
    inspected: frozenset[str] = frozenset()

    def find(self, key: ClassKey) -> int | str:
        """Return the position of a class, or why there is none."""
        if key not in self.places:
            self.places[key] = self._add(key)
        return self.places[key]

    def find_own(self, place: int, element: str) -> int:
        """Return the position of the class of one inspected face, otherwise as that at a place."""
        like = self.classes[place]
        key = replace(like.key, element=element)
        if key not in self.places:
            self.classes.append(replace(like, key=key))
            self.places[key] = len(self.classes) - 1
        return int(self.places[key])

    def _add(self, key: ClassKey) -> int | str:
        if sum(not one.key.element for one in self.classes) >= MOST_CLASSES:
            return (
                f"is one of more than {count(MOST_CLASSES)} sets of keys, each of which is solved anew; "
                "round the columns that replace keys, or name blocks"
            )
        try:
            self.classes.append(build_class(self.case, key))
        except ScenarioError as error:
            start = f"{self.case.path.name}: "
            return "; ".join(text.removeprefix(start) for text in error.problems[:3])
        except InputError as error:
            return str(error)
        return len(self.classes) - 1


def build_class(case: Scenario, key: ClassKey) -> FaceClass:
    """Build the scenario and wall of a class; ScenarioError if its keys do not fit."""
    changes: dict[str, Any] = {}
    for (kind, _), name in zip(TYPE_SECTIONS.items(), key.types, strict=True):
        if name:
            changes |= type_changes(case.raw, kind, name)
    for dotted, text, unusual in key.overrides:
        changes[dotted] = {"value": _value(text), "unusual": True} if unusual else _value(text)
    own = case
    if changes:
        if case.builder is None:
            raise InputError("scenario", "was not read from a file or a dict")
        raw = changed(case.raw, changes)
        own = case.builder(raw, path=case.path)
    wall = build_wall(own)
    known = {item.name for item in wall.inputs}
    more = tuple(item for item in own.retentions if item.name not in known)
    return FaceClass(key, own, replace(wall, inputs=(*wall.inputs, *more)))


def _value(text: str) -> str | float:
    try:
        return float(text)
    except ValueError:
        return text
