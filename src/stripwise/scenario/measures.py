"""Kinds of quantities in their internal units, and bounds in them."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stripwise.errors import InputError
from stripwise.units import quantities as kinds
from stripwise.units.names import printable
from stripwise.units.quantities import Kind, convert_column, parse

__all__ = [
    "ABOVE_0",
    "ANY",
    "CELSIUS",
    "DAYS",
    "FROM_0",
    "HOURS",
    "KELVIN",
    "KG_PER_M3",
    "METRES",
    "MM",
    "MM2_PER_YEAR",
    "PERCENT",
    "PLAIN",
    "SHARE",
    "YEARS",
    "Bounds",
    "Meant",
    "Measure",
    "UnusualValueError",
    "within",
]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

ROUNDING = 1e-12
"""Relative error of a converted unit."""


class UnusualValueError(InputError):
    """A value that can be, outside its usual range."""


@dataclass(frozen=True, slots=True)
class Meant:
    """A value with the word on whether it is meant although it is unusual."""

    value: int | float | str
    unusual: bool = False

    def __str__(self) -> str:
        """Write the value as a message quotes it."""
        return printable(self.value)


_KNOWN_ENDS: dict[tuple[str, str, bool], tuple[float, float]] = {}
"""Ranges in words, the unit they are wanted in and whether a difference is, once converted."""


@dataclass(frozen=True, slots=True)
class Measure:
    """A kind of quantity in its internal unit; `pint_unit` where pint spells the unit otherwise."""

    quantity: Kind
    unit: str
    pint_unit: str = ""

    def number(self, raw: object, *, difference: bool = False) -> float:
        """Convert a value, or a difference of two, to the internal unit; raise InputError."""
        to = self.pint_unit or self.unit
        return parse(raw, self.quantity, to=to, difference=difference)

    def ends(self, words: str, *, difference: bool = False) -> tuple[float, float]:
        """Return both ends of a range in words, "0 mm to 5 mm", in the internal unit."""
        key = words, self.unit, difference
        if key not in _KNOWN_ENDS:
            low, high = (self.number(end, difference=difference) for end in words.split(" to "))
            _KNOWN_ENDS[key] = low, high
        return _KNOWN_ENDS[key]

    def column(self, numbers: ArrayLike, unit: str, *, difference: bool = False) -> Array:
        """Convert a column whose head gives the unit; raise InputError where it does not fit."""
        if not unit and self.quantity.dimensionless:
            return np.asarray(numbers, dtype=float)
        if unit not in self.quantity.units:
            rule = f"is no unit of {self.quantity.words}; use {self.quantity.spellings}"
            raise InputError("", f"{unit!r} {rule}")
        to = self.pint_unit or self.unit
        return convert_column(numbers, self.quantity.units[unit], to=to, difference=difference)

    @property
    def example(self) -> str:
        """A value as a scenario writes it."""
        return (
            self.quantity.example if self.quantity.dimensionless else f'"{self.quantity.example}"'
        )


MM = Measure(kinds.LENGTH, "mm")
METRES = Measure(kinds.LENGTH, "m")
HOURS = Measure(kinds.TIME, "h", "hour")
DAYS = Measure(kinds.TIME, "d", "day")
YEARS = Measure(kinds.TIME, "yr", "year")
CELSIUS = Measure(kinds.TEMPERATURE, "degC")
KELVIN = Measure(kinds.COEFFICIENT, "K")
MM2_PER_YEAR = Measure(kinds.DIFFUSIVITY, "mm2/yr", "mm ** 2 / year")
KG_PER_M3 = Measure(kinds.CONTENT, "kg/m3", "kg / m ** 3")
PLAIN = Measure(kinds.NUMBER, "")
PERCENT = Measure(kinds.NUMBER, "%", "percent")


def within(values: ArrayLike, ends: tuple[float, float]) -> Mask:
    """Whether values lie between two ends, which a conversion of units may miss by a bit."""
    low, high = _loosened(ends)
    if isinstance(values, float):  # of a scenario, which a study may change thousands of times
        return np.bool_(low <= values <= high)
    values = np.asarray(values)
    return np.asarray((low <= values) & (values <= high))


@functools.lru_cache(maxsize=1024)
def _loosened(ends: tuple[float, float]) -> tuple[float, float]:
    slack = ROUNDING * max((abs(end) for end in ends if math.isfinite(end)), default=0.0)
    return ends[0] - slack, ends[1] + slack


@dataclass(frozen=True, slots=True)
class Bounds:
    """Physical bounds in the internal unit, and whether the lower one itself is impossible."""

    low: float = -math.inf
    high: float = math.inf
    open_low: bool = False

    def hold(self, values: ArrayLike) -> Mask:
        """Whether values lie within."""
        if isinstance(values, float):
            above_low = values > self.low if self.open_low else values >= self.low
            return np.bool_(above_low and values <= self.high)
        values = np.asarray(values)
        above = values > self.low if self.open_low else values >= self.low
        return np.asarray(above & (values <= self.high))


ANY = Bounds()
ABOVE_0 = Bounds(0.0, open_low=True)
FROM_0 = Bounds(0.0)
SHARE = Bounds(0.0, 1.0)
