"""How the options of `stripwise fit` become numbers in internal units."""

# ruff: noqa: PLC0415 - a command imports what it needs, so that --help does not wait for pandas

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from stripwise.curing.maturity import MaturityFunction
    from stripwise.evidence.face_maps.paste_mask import AggregateLevel
    from stripwise.evidence.profiles.error_model import ErrorChoice
    from stripwise.evidence.profiles.inner_maximum import MaximumChoice
    from stripwise.units.quantities import Kind

__all__ = [
    "FitOptions",
    "option_quantity",
    "read_activation_temperature",
    "read_affected_depth",
    "read_aggregate",
    "read_binder_share",
    "read_bounds",
    "read_cover",
    "read_datum_temperature",
    "read_error",
    "read_margin",
    "read_maturity",
    "read_maximum",
]

MAX_COVER = 500.0
"""Largest limit of the cover [mm], as of a reading."""


@dataclass(frozen=True, slots=True)
class FitOptions:
    """What the command line says about one kind of data or another; None where it says nothing."""

    reference: str | None = None
    margin: str | None = None
    age: str | None = None
    profiles: Path | None = None
    affected_depth: str | None = None
    layered: bool | None = None
    keep_first: bool | None = None
    fit_initial: bool | None = None
    maximum: str | None = None
    error: str | None = None
    robust: bool | None = None
    drop: list[str] | None = None
    accept: bool | None = None
    zone: str | None = None
    loggers: Path | None = None
    specified: str | None = None
    maturity: str | None = None
    reference_temperature: str | None = None
    activation_temperature: str | None = None
    datum_temperature: str | None = None
    limit: str | None = None
    family: str | None = None
    bounds: str | None = None
    nominal: str | None = None
    scenario: Path | None = None
    aggregate: str | None = None
    layer: str | None = None
    binder_share: float | None = None
    skip_bad: bool = False
    allow_outside: bool = False
    quiet: bool = False


def option_quantity(
    option: str, text: str | None, *, kind: Kind, to: str, most: float = math.inf
) -> float | None:
    """Read a quantity of the command line in the unit `to`; None where nothing is given.

    Raises InputError if it is no such quantity, not above 0 (a temperature may be), or above `most`.
    """
    from stripwise.errors import InputError
    from stripwise.units.names import printable
    from stripwise.units.quantities import TEMPERATURE, parse

    if text is None:
        return None
    try:
        number = parse(text, kind, to=to)
    except InputError as error:
        raise InputError(option, f"{printable(text)} {error.problem}") from error
    if number <= 0 and kind is not TEMPERATURE:
        raise InputError(option, f"{printable(text)} must be above 0")
    if number > most:
        raise InputError(option, f"{printable(text)} must be at most {most:g} {to}")
    return number


def read_affected_depth(text: str | None) -> float | None:
    """Read the depth that curing changed [mm]."""
    from stripwise.errors import InputError
    from stripwise.units.quantities import LENGTH, parse

    if text is None:
        return None
    try:
        depth = parse(text, LENGTH, to="mm")
    except InputError as error:
        raise InputError("--affected-depth", f"{text!r}: {error.problem}") from error
    if depth <= 0:
        raise InputError("--affected-depth", f"{text!r}: must be above 0 mm")
    return depth


def read_maximum(text: str | None) -> MaximumChoice:
    """Read whether maxima inside are judged, or the depth [mm] that profiles count from."""
    from stripwise.errors import InputError
    from stripwise.units.names import printable
    from stripwise.units.quantities import LENGTH

    if text is None or text == "auto":
        return "auto"
    if text == "off":
        return "off"
    try:
        depth = option_quantity("--maximum", text, kind=LENGTH, to="mm", most=MAX_COVER)
    except InputError as error:
        raise InputError(
            "--maximum", f'{printable(text)}: must be auto, off or a depth, as "6 mm"'
        ) from error
    assert depth is not None
    return depth


def read_error(name: str | None) -> ErrorChoice:
    """Check the name of an error of the readings; "auto" unless given."""
    from stripwise.errors import InputError
    from stripwise.evidence.profiles.error_model import ERROR_CHOICES
    from stripwise.units.names import nearest_spelling

    for choice in ERROR_CHOICES:
        if name in (None, choice):
            return choice
    rule = f"{name!r}: must be one of {', '.join(ERROR_CHOICES)}"
    raise InputError("--error", rule + nearest_spelling(str(name), ERROR_CHOICES))


def read_maturity(name: str | None) -> MaturityFunction:
    """Check the name of a maturity function; the first one unless given."""
    from stripwise.curing.maturity import MATURITY_FUNCTIONS
    from stripwise.errors import InputError
    from stripwise.units.names import nearest_spelling

    for function in MATURITY_FUNCTIONS:
        if name in (None, function):
            return function
    rule = f"{name!r}: must be one of {', '.join(MATURITY_FUNCTIONS)}"
    raise InputError("--maturity", rule + nearest_spelling(str(name), MATURITY_FUNCTIONS))


def read_activation_temperature(text: str | None) -> float | None:
    """Read Q of the Arrhenius function [K], within the bounds of the scenario's key."""
    return _curing_constant("activation_temperature", text, to="K")


def read_datum_temperature(text: str | None) -> float | None:
    """Read T0 of the Nurse-Saul function [degC], within the bounds of the scenario's key."""
    return _curing_constant("datum_temperature", text, to="degC")


def _curing_constant(key: str, text: str | None, *, to: str) -> float | None:
    from stripwise.errors import InputError
    from stripwise.scenario.fields import Quantity
    from stripwise.scenario.sections.curing import CuringTable
    from stripwise.units.names import printable
    from stripwise.units.quantities import TEMPERATURE, parse

    option = f"--{key.replace('_', '-')}"
    number = option_quantity(option, text, kind=TEMPERATURE, to=to)
    declared = CuringTable.model_fields[key].metadata
    bounds = next(item.bounds for item in declared if isinstance(item, Quantity))
    low, high = (parse(end, TEMPERATURE, to=to) for end in bounds.split(" to "))
    if text is not None and number is not None and not low <= number <= high:
        raise InputError(option, f"{printable(text)} must lie within {bounds}")
    return number


def read_cover(option: str, text: str | None) -> float | None:
    """Read a length that is at most the largest cover [mm]."""
    from stripwise.units.quantities import LENGTH

    return option_quantity(option, text, kind=LENGTH, to="mm", most=MAX_COVER)


def read_bounds(text: str | None) -> tuple[float, float] | None:
    """Read two lengths [mm]."""
    from stripwise.errors import InputError
    from stripwise.units.names import printable
    from stripwise.units.quantities import LENGTH, parse

    if text is None:
        return None
    ends, shown = text.split(" to "), printable(text)
    if len(ends) != 2:
        raise InputError("--bounds", f'{shown}: must be two lengths, as "20 mm to 100 mm"')
    try:
        low, high = (parse(end.strip(), LENGTH, to="mm") for end in ends)
    except InputError as error:
        raise InputError("--bounds", f"{shown}: {error.problem}") from error
    if not 0.0 <= low < high:
        raise InputError("--bounds", f"{shown}: must be at least 0 mm, the lower one first")
    return low, high


def read_aggregate(text: str | None) -> AggregateLevel | None:
    """Check where aggregate stands in the second channel of a map."""
    from stripwise.errors import InputError
    from stripwise.evidence.face_maps.paste_mask import AGGREGATE_LEVELS
    from stripwise.units.names import nearest_spelling, printable

    if text is None:
        return None
    levels: dict[str, AggregateLevel] = {level: level for level in AGGREGATE_LEVELS}
    if text in levels:
        return levels[text]
    rule = f"{printable(text)}: must be {' or '.join(AGGREGATE_LEVELS)}"
    raise InputError("--aggregate", rule + nearest_spelling(text, AGGREGATE_LEVELS))


def read_margin(text: str | None) -> float | None:
    """Read the difference between strategies that matters, as a share."""
    from stripwise.errors import InputError
    from stripwise.units.names import printable

    if text is None:
        return None
    stripped = text.strip().removesuffix("%").strip()
    try:
        share = float(stripped) / (100.0 if "%" in text else 1.0)
    except ValueError:
        share = math.nan
    if not 0.01 <= share <= 1.0:
        raise InputError(
            "--margin", f'{printable(text)}: must be a share from "1 %" to "100 %", as "20 %"'
        )
    return share


def read_binder_share(share: float | None) -> float | None:
    """Check the mass of binder per mass of paste."""
    from stripwise.errors import InputError

    if share is not None and not 0.4 <= share <= 1.0:
        raise InputError(
            "--binder-share",
            f"{share:g}: must be from 0.4 to 1, the mass of binder in a unit mass of paste",
        )
    return share
