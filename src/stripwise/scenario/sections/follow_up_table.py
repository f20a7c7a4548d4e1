"""Curing after stripping: its keys, what was read of them, and the concrete's temperature."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Annotated

from stripwise.curing.follow_up import (
    FACES,
    FOLLOW_UPS,
    NO_FOLLOW_UP,
    REFERENCE_FACE,
    method_names,
    retention_name,
)
from stripwise.scenario.engine import declared, read_keys
from stripwise.scenario.fields import CELSIUS, HOURS, Choice, Quantity
from stripwise.scenario.problems import KeyPath, Problems
from stripwise.scenario.shapes import Constant, String, Table

__all__ = [
    "CONCRETE_TEMPERATURE",
    "FREEZING",
    "FollowUp",
    "FollowUpTable",
    "read_follow_up",
    "same_cure",
    "same_degree",
    "same_work",
]

FREEZING = 1e-6
"""Temperature up to which a face freezes [degC]; 32 degF converts to a rounding above 0."""

CONCRETE_TEMPERATURE = Quantity(
    "Temperature of the concrete in the forms.",
    CELSIUS,
    "-10 degC to 80 degC",
    usual="-5 degC to 50 degC",
    example='"15 degC"',
)


class FollowUpTable(Table):
    """Curing after stripping."""

    method: Annotated[
        String | None,
        Choice(
            "What is done after stripping.",
            method_names,
            needed="use one of {options}",
            example='"sheet"',
        ),
    ] = None
    duration: Annotated[
        Constant | None,
        Quantity(
            "How long it stays; a membrane has a published duration.",
            HOURS,
            "1 h to 60 d",
            usual="12 h to 28 d",
            example='"3 d"',
        ),
    ] = None
    temperature: Annotated[
        Constant | None,
        replace(
            CONCRETE_TEMPERATURE,
            meaning="Temperature of the concrete meanwhile; that in the forms unless given.",
        ),
    ] = None
    face: Annotated[
        String | None, Choice("Orientation of the face.", FACES, default=REFERENCE_FACE)
    ] = None


@dataclass(frozen=True, slots=True)
class FollowUp:
    """Curing after stripping.

    Attributes
    ----------
    method
        One of `method_names`.
    duration_h
        Duration [h]; 0 for "none".
    temperature
        Concrete temperature meanwhile [degC].
    face
        "vertical" or "horizontal".
    retention_input
        Name of the input that holds its moisture retention; empty for "none".
    """

    method: str
    duration_h: float
    temperature: float
    face: str
    retention_input: str

    @property
    def label(self) -> str:
        """Short words for a table, such as "sheet 3 d"."""
        if self.method == NO_FOLLOW_UP:
            return NO_FOLLOW_UP
        days = self.duration_h / 24.0
        length = f"{days:g} d" if days >= 1 else f"{self.duration_h:g} h"
        return f"{self.method} {length}"


def same_degree(one: float, other: float) -> bool:
    """Whether two temperatures [degC] differ by no more than the rounding of their units."""
    return math.isclose(one, other, abs_tol=1e-6)


def same_work(one: FollowUp, other: FollowUp) -> bool:
    """Whether both are the same method for as long on the same face, at whatever temperature."""
    return (one.method, one.duration_h, one.face) == (other.method, other.duration_h, other.face)


def same_cure(one: FollowUp, other: FollowUp) -> bool:
    """Whether both are the same work and as warm, or both none."""
    if one.method == other.method == NO_FOLLOW_UP:
        return True
    return same_work(one, other) and same_degree(one.temperature, other.temperature)


def read_follow_up(
    table: FollowUpTable | None, path: KeyPath, *, temperature: float, problems: Problems
) -> FollowUp:
    """Read a follow-up, NaN where there was a problem; `temperature` [degC] stands in for its own."""
    method = None
    if table is not None:
        method = read_keys(table, path, problems, only=("method",))["method"]
    if table is None or method is None:
        return FollowUp(NO_FOLLOW_UP, 0.0, temperature, REFERENCE_FACE, "")
    found = read_keys(table, path, problems, first=("face",), skip=("method", "duration"))
    face, own = found["face"], found["temperature"]
    temperature = temperature if own is None else own
    if method == NO_FOLLOW_UP:
        if table.duration is not None and method == table.method:
            problems.add(
                (*path, "duration"),
                'is not used by method = "none"; leave it out',
                found=table.duration,
            )
        return FollowUp(NO_FOLLOW_UP, 0.0, temperature, face, "")
    if temperature <= FREEZING:
        problems.add(
            (*path, "temperature"),
            "must be above 0 degC: curing after stripping does nothing for a face that freezes. "
            "Give the temperature of the protected concrete, not that of the forms or the air",
            found=table.temperature,
        )
    hours = _duration(table, path, method=method, problems=problems)
    return FollowUp(method, hours, temperature, face, retention_name(method, face))


def _duration(table: FollowUpTable, path: KeyPath, *, method: str, problems: Problems) -> float:
    where = (*path, "duration")
    if table.duration is not None:
        return problems.number(declared(FollowUpTable, "duration").read, table.duration, where)
    published_days = FOLLOW_UPS[method].duration_d
    if published_days is not None:
        return 24.0 * published_days
    problems.missing(where, f'how long the {method} stays, such as "3 d"')
    return math.nan
