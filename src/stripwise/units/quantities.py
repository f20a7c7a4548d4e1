"""The number that a text with a unit stands for; the only module that knows pint.

The text is matched against a strict pattern and the unit against a list of spellings before
anything is converted, so that no text of a file is ever evaluated.
"""

from __future__ import annotations

import difflib
import functools
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stripwise.errors import InputError

if TYPE_CHECKING:
    import pint

__all__ = [
    "COEFFICIENT",
    "CONTENT",
    "DIFFUSIVITY",
    "LENGTH",
    "NUMBER",
    "TEMPERATURE",
    "TIME",
    "Kind",
    "convert",
    "convert_column",
    "parse",
    "split",
]

TEXT_LIMIT = 100
"""Longest text of a quantity in characters."""

PATTERN = re.compile(
    r"(?P<number>[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?)\s*"
    r"(?P<unit>[A-Za-z%\u00b0\u00b5\u03bc].*)?",
)

SPELLING_VARIANTS = (("**", "^"), ("\u00b2", "^2"), ("\u00b3", "^3"), ("\u00b0", "deg"))
"""Ways to write a power or a degree sign, with the one that is used."""


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of quantity.

    Attributes
    ----------
    words
        Its name in messages: "a length".
    units
        Allowed spellings and the name of each unit, a power as "m ** 2", a quotient as "m / day",
        by a quotient as "m / day / (kg / m ** 3)".
    example
        A value as a scenario writes it.
    dimensionless
        Whether a number without a unit is allowed.
    """

    words: str
    units: Mapping[str, str]
    example: str
    dimensionless: bool = False

    @property
    def spellings(self) -> str:
        """The allowed spellings in one line, one per unit."""
        by_unit: dict[str, str] = {}
        for spelling, unit in self.units.items():
            by_unit.setdefault(unit, spelling)
        return ", ".join(by_unit.values())


def _units(**spellings: str) -> Mapping[str, str]:
    """Invert unit -> spellings separated by blanks."""
    table = {}
    for unit, names in spellings.items():
        for name in names.split():
            table[name] = unit
    return MappingProxyType(table)


LENGTH = Kind(
    "a length",
    _units(mm="mm", cm="cm", m="m", inch="in inch inches", foot="ft foot feet"),
    "50 mm",
)
TIME = Kind(
    "a time",
    _units(
        hour="h hr hour hours",
        day="d day days",
        week="week weeks",
        year="yr year years",
        minute="min minute minutes",
    ),
    "12 h",
)
DIFFUSIVITY = Kind(
    "a diffusivity",
    MappingProxyType(
        {
            f"{length}{power}/{time}": f"{unit} ** 2 / {per}"
            for length, unit in (("m", "m"), ("mm", "mm"), ("cm", "cm"), ("in", "inch"))
            for time, per in (("s", "second"), ("yr", "year"), ("year", "year"))
            for power in ("^2", "2")
        }
    ),
    "8.9e-12 m^2/s",
)
TEMPERATURE = Kind(
    "a temperature",
    _units(degC="degC C celsius", degF="degF F fahrenheit", K="K kelvin"),
    "9 degC",
)
COEFFICIENT = Kind("a temperature coefficient", _units(K="K kelvin", degR="degR"), "4800 K")
CONTENT = Kind(
    "a content by volume",
    MappingProxyType(
        {
            "kg/m^3": "kg / m ** 3",
            "kg/m3": "kg / m ** 3",
            "lb/yd^3": "pound / yard ** 3",
            "lb/yd3": "pound / yard ** 3",
            "lb/ft^3": "pound / foot ** 3",
            "lb/ft3": "pound / foot ** 3",
        }
    ),
    "350 kg/m^3",
)
NUMBER = Kind("a plain number", MappingProxyType({"%": "percent"}), "0.3", dimensionless=True)

SIZES = MappingProxyType(
    {
        "mm": 1e-3,
        "cm": 1e-2,
        "m": 1.0,
        "inch": 0.0254,
        "foot": 0.3048,
        "yard": 0.9144,
        "second": 1.0,
        "minute": 60.0,
        "hour": 3600.0,
        "day": 86_400.0,
        "week": 604_800.0,
        "year": 31_557_600.0,
        "kg": 1.0,
        "pound": 0.453_592_37,
        "percent": 0.01,
        "K": 1.0,
        "delta_degC": 1.0,
        "degR": 5.0 / 9.0,
        "delta_degF": 5.0 / 9.0,
    }
)
"""Size of each unit by its name in SI: definitions of 1959 (inch, pound), years of 365.25 d."""

SCALES = MappingProxyType(
    {
        "K": (0.0, 1.0),
        "degC": (273.15, 1.0),
        "degF": (459.67, 5.0 / 9.0),
        "degR": (0.0, 5.0 / 9.0),
    }
)
"""Distance of 0 from absolute zero in degrees of the scale, and the size of a degree in K."""

DIFFERENCES = MappingProxyType({"degC": "delta_degC", "degF": "delta_degF", "K": "K"})


def split(raw: object) -> tuple[float, str]:
    """Split a number, or a text of a number and a unit, into the number and its unit as written.

    The unit is "" where there is none. InputError if the number is missing or not finite.

    Examples
    --------
    >>> split("8.9e-12 m²/s")
    (8.9e-12, 'm^2/s')
    """
    if isinstance(raw, bool) or not isinstance(raw, int | float | str):
        raise InputError("", "must be a number or a text of a number and a unit")
    unit = ""
    if isinstance(raw, str):
        raw, unit = _split_text(raw)
    try:
        number = float(raw)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise InputError("", "must be a finite number")
    return number, unit


@functools.lru_cache(maxsize=4096)
def _split_text(text: str) -> tuple[float, str]:
    text = text.strip()
    match = PATTERN.fullmatch(text) if len(text) <= TEXT_LIMIT else None
    if match is None:
        hint = "; write decimals with a point" if re.match(r"[+-]?[0-9]+,[0-9]", text) else ""
        raise InputError("", f"is not a number followed by a unit{hint}")
    return float(match["number"]), _normalised_unit(match["unit"] or "")


def parse(raw: object, kind: Kind, *, to: str, difference: bool = False) -> float:
    """Convert a number, or a text of a number and a unit, to the unit `to`, by name.

    With `difference`, a temperature is a difference (an sd) and no point of the scale. InputError
    if it is no number with an allowed unit; the message gives the nearest spelling.

    Examples
    --------
    >>> parse("2 in", LENGTH, to="mm")
    50.8
    >>> round(parse("48 degF", TEMPERATURE, to="degC"), 3)
    8.889
    >>> round(parse("9 degF", TEMPERATURE, to="K", difference=True), 3)
    5.0
    """
    number, unit = split(raw)
    if not unit:
        if kind.dimensionless:
            return number
        raise InputError("", f'needs the unit of {kind.words}, such as "{kind.example}"')
    if unit not in kind.units:
        raise InputError("", _unknown(unit, kind))
    return convert(number, kind.units[unit], to=to, difference=difference)


def convert(number: float, unit: str, *, to: str, difference: bool = False) -> float:
    """Convert a number between two units, by name; a temperature may be a difference.

    InputError if the result is too large for a number.

    Examples
    --------
    >>> convert(1.0, "m ** 2 / second", to="mm ** 2 / year") == 31.5576e12
    True
    """
    if difference:
        unit, to = DIFFERENCES.get(unit, unit), DIFFERENCES.get(to, to)
    if unit == to:
        result = number
    elif unit in SCALES and not difference:
        result = _temperature(number, unit, to)
    else:
        result = number * _factor(unit, to)
    if not math.isfinite(result):
        raise InputError("", "must be a finite number")
    return result


def convert_column(
    numbers: ArrayLike, unit: str, *, to: str, difference: bool = False
) -> NDArray[np.float64]:
    """Convert many numbers between two units, as `convert` does one.

    What is no finite number stays as it is.

    Examples
    --------
    >>> convert_column([1.0, 2.0], "inch", to="mm")
    array([25.4, 50.8])
    """
    numbers = np.asarray(numbers, dtype=float)
    if difference:
        unit, to = DIFFERENCES.get(unit, unit), DIFFERENCES.get(to, to)
    if unit == to:
        return numbers
    if unit in SCALES and not difference:
        return np.asarray(_temperature(numbers, unit, to))
    return np.asarray(numbers * _factor(unit, to))


@functools.cache
def _factor(unit: str, to: str) -> float:
    """Return the size of a unit without an offset in another one."""
    try:
        (above, below), (other_above, other_below) = (_size(name) for name in (unit, to))
    except KeyError:  # a rare unit, which is worth loading the registry
        return float(_registry().Quantity(1.0, unit).to(to).magnitude)
    return above * other_below / (below * other_above)


def _size(unit: str) -> tuple[float, float]:
    """Return the size of a unit in SI as numerator and denominator; KeyError where it is rare."""
    sizes = [1.0, 1.0]
    whole, _, divisor = unit.removesuffix(")").partition(" / (")
    for place, part in enumerate(whole.split(" / ") if whole else ()):
        base, _, power = part.partition(" ** ")
        sizes[place > 0] *= SIZES[base] ** int(power or 1)
    if divisor:
        above, below = _size(divisor)
        return sizes[0] * below, sizes[1] * above
    return sizes[0], sizes[1]


def _temperature(number: Any, unit: str, to: str) -> Any:
    """Convert points of a temperature scale."""
    (zero, degree), (other_zero, other_degree) = SCALES[unit], SCALES[to]
    return (number + zero) * degree / other_degree - other_zero


def _normalised_unit(unit: str) -> str:
    for other, sign in SPELLING_VARIANTS:
        unit = unit.replace(other, sign)
    return re.sub(r"\s*([/^])\s*", r"\1", unit.strip())


def _unknown(unit: str, kind: Kind) -> str:
    if kind.dimensionless:
        return f"must be {kind.words} without a unit, such as {kind.example}"
    folded = {spelling.casefold(): spelling for spelling in kind.units}
    near = difflib.get_close_matches(unit.casefold(), folded, n=1, cutoff=0.3)
    nearest = f"; the nearest spelling is {folded[near[0]]!r}" if near else ""
    shown = unit if len(unit) <= 20 and unit.isprintable() else "the text after the number"
    return f"{shown!r} is no unit of {kind.words}; use {kind.spellings}{nearest}"


@functools.cache
def _registry() -> pint.UnitRegistry[float]:
    """Build the registry once, and only for a unit that has no size here; both take time."""
    import pint  # noqa: PLC0415

    return pint.UnitRegistry()
