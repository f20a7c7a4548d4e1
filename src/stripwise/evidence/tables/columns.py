"""Which columns a file of test data may have, under which names and in which units."""

from __future__ import annotations

import difflib
import functools
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from stripwise.units.quantities import convert

__all__ = [
    "CHLORIDE",
    "DIFFUSIVITY",
    "DURATION",
    "LENGTH",
    "MAPPED_CHLORIDE",
    "PERCENT",
    "TEMPERATURE",
    "TEXT",
    "UNITLESS",
    "UNUSUAL",
    "VOLTAGE",
    "Column",
    "FileKind",
    "Measure",
    "Unit",
    "closest_match",
    "normalise_name",
]


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit as the end of a column's name.

    Attributes
    ----------
    internal
        The suffix of the unit into which values are converted.
    source, target
        The two units by pint's names; both empty where nothing is converted.
    """

    internal: str
    source: str = ""
    target: str = ""

    def scale(self) -> tuple[float, float]:
        """Return factor and offset from the unit of the file to the internal one."""
        return _scale(self.source, self.target)


@dataclass(frozen=True, slots=True)
class Measure:
    """What a column holds: text, or numbers in one of some units.

    Attributes
    ----------
    description
        What it is, for messages.
    units
        Allowed unit suffixes; empty for text and for numbers without a unit.
    number
        Whether it is a number.
    """

    description: str
    units: Mapping[str, Unit] = field(default_factory=lambda: MappingProxyType({}))
    number: bool = True

    @property
    def internal_units(self) -> tuple[str, ...]:
        """The internal units; several where they cannot be converted into each other."""
        return tuple(dict.fromkeys(unit.internal for unit in self.units.values()))


def _units(internal: str, target: str, **sources: str) -> dict[str, Unit]:
    return {
        suffix: Unit(internal, source, target if source else "")
        for suffix, source in sources.items()
    }


TEXT = Measure("text", number=False)
UNITLESS = Measure("a number")
LENGTH = Measure(
    "a length",
    MappingProxyType(_units("mm", "mm", mm="mm", cm="cm", m="m", **{"in": "inch"}, ft="foot")),
)
DURATION = Measure(
    "a duration",
    MappingProxyType(_units("d", "day", d="day", h="hour", min="minute", wk="week", yr="year")),
)
TEMPERATURE = Measure(
    "a temperature",
    MappingProxyType(_units("degC", "degC", degC="degC", degF="degF", K="K")),
)
PERCENT = Measure("a percentage", MappingProxyType(_units("pct", "", pct="")))
VOLTAGE = Measure("a voltage", MappingProxyType(_units("V", "", V="")))
DIFFUSIVITY = Measure(
    "a diffusivity",
    MappingProxyType(
        _units("m2_s", "m ** 2 / second", m2_s="m ** 2 / second", mm2_yr="mm ** 2 / year")
    ),
)
CHLORIDE = Measure(
    "a chloride content",
    MappingProxyType(
        {
            "pct": Unit("pct"),
            "pct_concrete": Unit("pct"),
            "pct_binder": Unit("pct_binder"),
            "kg_m3": Unit("kg_m3"),
            "lb_yd3": Unit("kg_m3", "pound / yard ** 3", "kg / m ** 3"),
        }
    ),
)
"""By mass of concrete (pct), by mass of binder, or by volume of concrete: a file keeps to one."""
MAPPED_CHLORIDE = Measure(
    "a chloride content of the paste",
    MappingProxyType(
        {
            "pct": Unit("pct_paste"),
            "pct_paste": Unit("pct_paste"),
            "pct_binder": Unit("pct_binder"),
        }
    ),
)
"""What a beam reads: by mass of what it hits, which on paste is paste, or by mass of binder."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column that a kind of file may have.

    Attributes
    ----------
    stem
        Name without its unit. In the table that is read the column is called by the stem and the
        internal unit ("depth_from_mm"), or by the stem alone where the measure has no unit or
        several internal ones ("chloride").
    measure
        What it holds.
    required
        Whether the file must have it, with a value in every row.
    low, high
        Allowed range in the internal unit; None where there is none.
    open_low
        Whether `low` itself is impossible.
    usual
        Usual range in the internal unit; a value outside needs the word "yes" in the column
        `UNUSUAL` of its row. None where all that is allowed is usual.
    is_name
        Whether a text is a name by which rows are grouped.
    is_label
        Whether a text keeps to the rules of a name, though rows are not grouped by it.
    censored
        Whether "<0.01" may stand for a value below a detection limit; it is read as the limit,
        and a further column, called by the stem and "_below", says where.
    unit
        The unit suffix used in examples.
    """

    stem: str
    measure: Measure = TEXT
    required: bool = True
    low: float | None = None
    high: float | None = None
    open_low: bool = False
    usual: tuple[float, float] | None = None
    is_name: bool = False
    is_label: bool = False
    censored: bool = False
    unit: str = ""

    @property
    def example(self) -> str:
        """The name as an example would have it: "depth_from_mm"."""
        unit = self.unit or next(iter(self.measure.units), "")
        return f"{self.stem}_{unit}" if unit else self.stem

    def canonical(self) -> str:
        """Return the name of the column in the table that is read."""
        internal_units = self.measure.internal_units
        return f"{self.stem}_{internal_units[0]}" if len(internal_units) == 1 else self.stem


UNUSUAL = Column("unusual", required=False)
"""Column that any file may have: yes where the values of a row are meant although unusual."""


@dataclass(frozen=True, slots=True)
class FileKind:
    """One kind of file.

    Attributes
    ----------
    name
        Short name: "drying".
    description
        What it is, for a reader: "a drying test".
    columns
        The columns it may have.
    key_column
        Stem of the column that distinguishes it from other kinds.
    one_of
        Sets of stems of which the file needs one whole set, and not parts of two; each may be
        left out of `required`.
    """

    name: str
    description: str
    columns: tuple[Column, ...]
    key_column: str
    one_of: tuple[tuple[str, ...], ...] = ()

    def column(self, stem: str) -> Column:
        """Return the column of that stem."""
        return next(column for column in self.columns if column.stem == stem)

    @property
    def requirements(self) -> str:
        """The columns the kind needs, in one line."""
        names = [column.example for column in self.columns if column.required]
        sets = [" and ".join(self.column(s).example for s in stems) for stems in self.one_of]
        optional = [
            column.example
            for column in self.columns
            if not column.required and not any(column.stem in stems for stems in self.one_of)
        ]
        text = ", ".join(names)
        if sets:
            text += f", and {' or '.join(sets)}"
        return text + (f" (optional: {', '.join(optional)})" if optional else "")


HEADER_SYMBOLS = (
    ("%", " pct "),
    ("\u00b0", " deg"),
    ("kg/m\u00b3", "kg_m3"),
    ("kg/m^3", "kg_m3"),
    ("kg/m3", "kg_m3"),
    ("lb/yd\u00b3", "lb_yd3"),
    ("lb/yd^3", "lb_yd3"),
    ("lb/yd3", "lb_yd3"),
    ("deg ", "deg"),
)
"""Symbols in headers, and the unit suffix that each stands for."""


def normalise_name(header: str) -> str:
    """Write a header as a column name: lower case, underscores, units without signs.

    Examples
    --------
    >>> normalise_name(" Depth from [mm]"), normalise_name("temperature (\u00b0C)")
    ('depth_from_mm', 'temperature_degc')
    """
    text = header.strip().casefold()
    for sign, word in HEADER_SYMBOLS:
        text = text.replace(sign.casefold(), word)
    return re.sub(r"[^0-9a-z]+", "_", text).strip("_")


def closest_match(name: str, allowed: list[str]) -> str:
    """Return the allowed spelling closest to a name, "" where none is close."""
    folded = {option.casefold(): option for option in allowed}
    matches = difflib.get_close_matches(name.casefold(), list(folded), n=1, cutoff=0.75)
    return folded[matches[0]] if matches else ""


@functools.cache
def _scale(source: str, target: str) -> tuple[float, float]:
    if source == target:
        return 1.0, 0.0
    zero = convert(0.0, source, to=target)
    # over a long interval, so that the offset of a temperature leaves no rounding in the factor
    return (convert(1000.0, source, to=target) - zero) / 1000.0, zero
