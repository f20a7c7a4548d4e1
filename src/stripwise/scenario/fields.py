"""What a key of the scenario may hold, declared once: unit, bounds, usual range, default, meaning.

A declaration is plain data in the annotation of one pydantic field. The reading of a scenario, of
a column of a table and of a value of a sweep, the JSON Schema and the table of keys all ask it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import KW_ONLY, dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stripwise.errors import InputError
from stripwise.scenario.measures import (
    ABOVE_0,
    ANY,
    CELSIUS,
    DAYS,
    FROM_0,
    HOURS,
    KELVIN,
    KG_PER_M3,
    METRES,
    MM,
    MM2_PER_YEAR,
    PERCENT,
    PLAIN,
    SHARE,
    YEARS,
    Bounds,
    Meant,
    Measure,
    UnusualValueError,
    within,
)
from stripwise.units.names import name_problem

__all__ = [
    "ABOVE_0",
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
    "Choice",
    "Default",
    "Flag",
    "Key",
    "Meant",
    "Measure",
    "Price",
    "Quantity",
    "Random",
    "Text",
    "UnusualValueError",
    "Whole",
]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

BEYOND = 1000.0
"""Factor on the usual range within which `unusual = true` is believed."""


@dataclass(frozen=True, slots=True)
class Key:
    """What every declaration says.

    Attributes
    ----------
    meaning
        One line for a reader.
    needed
        What to write where the key is missing, `{}` for the example and `{options}` for the words
        to choose from; empty where it need not be there whenever its table is.
    missing
        The same where a rule of the section decides whether it is needed.
    example
        A value as a scenario writes it, quotation marks included.
    """

    meaning: str
    _: KW_ONLY
    needed: str = ""
    missing: str = ""
    example: str = ""

    @property
    def need(self) -> str:
        """What to write where the key is missing."""
        measure: Measure | None = getattr(self, "measure", None)
        example = self.example or (measure.example if measure else "")
        options = ", ".join(getattr(self, "options", ()))
        return (self.needed or self.missing).replace("{}", example).replace("{options}", options)


@dataclass(frozen=True, slots=True)
class Quantity(Key):
    """A number with a unit, or a list of such numbers.

    Attributes
    ----------
    measure
        Kind of quantity and internal unit.
    bounds
        "LOW to HIGH" as a scenario writes them, empty for none; text, so that no unit is converted
        on import.
    usual
        "LOW to HIGH" of what is usual, written alike; a value outside is taken for a slip unless
        the file says `unusual = true`. Empty where all that the bounds allow is usual.
    default, published
        What stands in: a value as a scenario writes it, or the key of a cited constant in the
        internal unit.
    difference
        Whether a temperature is a difference.
    hint
        What a message about the bounds says after them.
    """

    measure: Measure
    bounds: str = ""
    _: KW_ONLY
    usual: str = ""
    default: str = ""
    published: str = ""
    difference: bool = False
    hint: str = ""

    @property
    def rule(self) -> str:
        """The physical bounds in words."""
        return f"must be between {self.bounds.replace(' to ', ' and ')}{self.hint}"

    def read(self, raw: object, *, unusual: bool = False) -> float:
        """Convert a value of a scenario or of a sweep; raise InputError with the broken rule."""
        if isinstance(raw, Meant):
            unusual, raw = unusual or raw.unusual, raw.value
        value = self.measure.number(raw, difference=self.difference)
        if not self.limits.hold(value):
            raise InputError("", self.rule)
        if not unusual and not within(value, self.usual_ends):
            raise UnusualValueError("", f"the usual value is {self.usual}")
        return value

    def column(self, numbers: ArrayLike, unit: str, *, unusual: bool = False) -> tuple[Array, Mask]:
        """Convert a column whose head gives the unit; say which rows are allowed."""
        values = self.measure.column(numbers, unit, difference=self.difference)
        likely = self.limits.hold(values)
        return values, likely if unusual else likely & within(values, self.usual_ends)

    @property
    def limits(self) -> Bounds:
        """The physical bounds in the internal unit."""
        return Bounds(*self._ends(self.bounds))

    @property
    def usual_ends(self) -> tuple[float, float]:
        """The usual range in the internal unit."""
        return self._ends(self.usual or self.bounds)

    def _ends(self, words: str) -> tuple[float, float]:
        if not words:
            return -math.inf, math.inf
        return self.measure.ends(words, difference=self.difference)


@dataclass(frozen=True, slots=True)
class Default:
    """The input that stands in for one that the file leaves out.

    Attributes
    ----------
    published
        Key of the cited entry that gives it, or its source.
    family, numbers
        Family and moments; empty where the cited entry gives them too.
    source
        Where the numbers come from; empty for the citation of the entry.
    """

    published: str = ""
    family: str = ""
    numbers: tuple[tuple[str, float], ...] = ()
    source: str = ""


@dataclass(frozen=True, slots=True)
class Random(Key):
    """An input, random or fixed.

    Attributes
    ----------
    label
        Words for a reader.
    measure
        Kind of quantity and internal unit.
    group
        Group of the sensitivity analysis.
    usual, usual_words
        (low, high) of the mean in the internal unit, and in the units of the trade; a mean outside
        is taken for a slip of units unless the file says `unusual = true`.
    usual_sd, usual_cov, usual_bounds
        (low, high) of what is usual of the sd and of the bounds, in the internal unit, and of sd
        over mean; None judges nothing, and one of the two spreads is enough.
    bounds
        Physical bounds.
    kind
        Whether the input is scatter or knowledge unless the file says so.
    only_scatter
        Why the input cannot be of kind knowledge; empty where it can.
    possible, possible_words
        (low, high) of the mean beyond which even `unusual = true` is refused, in the internal unit
        and in words; a factor of 1000 around `usual` unless given. Zero is judged by the bounds
        alone.
    largest_sd
        Largest sd even with `unusual = true`, in the internal unit.
    default
        What stands in; None for nothing.
    word
        A text that may stand in place of a value, such as "whole cover"; it makes no input.
    """

    label: str
    measure: Measure
    group: str
    _: KW_ONLY
    usual: tuple[float, float]
    usual_words: str = ""
    usual_sd: tuple[float, float] | None = None
    usual_cov: tuple[float, float] | None = None
    usual_bounds: tuple[float, float] | None = None
    bounds: Bounds = ANY
    kind: str = "scatter"
    only_scatter: str = ""
    possible: tuple[float, float] | None = None
    possible_words: str = ""
    largest_sd: float = math.inf
    default: Default | None = None
    word: str = ""

    @property
    def unit(self) -> str:
        """Internal unit."""
        return self.measure.unit

    @property
    def usual_range(self) -> str:
        """The usual range in words."""
        ends = (f"{end:g} {self.unit}".strip() for end in self.usual)
        return self.usual_words or " to ".join(ends)

    @property
    def ends(self) -> tuple[float, float]:
        """Lowest and highest mean that can be computed with."""
        low, high = self.usual
        return self.possible or (
            low * BEYOND if low < 0.0 else low / BEYOND,
            high / BEYOND if high < 0.0 else high * BEYOND,
        )

    @property
    def possible_range(self) -> str:
        """The same in words."""
        return self.possible_words or self._words(self.ends)

    @property
    def rule(self) -> str:
        """The physical bounds in words, in the internal unit."""
        low, unit = self.bounds.low, f" {self.unit}" if self.unit else ""
        if math.isfinite(self.bounds.high):
            return f"must be between {low:g} and {self.bounds.high:g}{unit}"
        return f"must be {'above' if self.bounds.open_low else 'at least'} {low:g}{unit}"

    def spread_problem(self, sd: float, mean: float) -> str:
        """Say in what an sd is unusual beside its mean, both in the internal unit, else ""."""
        if self.usual_sd is not None and not within(sd, self.usual_sd):
            return f"the usual sd is {self._words(self.usual_sd)}"
        share = sd / abs(mean) if mean else math.inf
        if self.usual_cov is not None and not within(share, self.usual_cov):
            low, high = self.usual_cov
            return f"is {share:.3g} times the mean; the usual share is {low:g} to {high:g}"
        return ""

    def bound_problem(self, bound: float) -> str:
        """Say that a bound in the internal unit is unusual, else ""."""
        if self.usual_bounds is None or math.isinf(bound) or within(bound, self.usual_bounds):
            return ""
        return f"the usual bound is {self._words(self.usual_bounds)}"

    def _words(self, ends: tuple[float, float]) -> str:
        return " to ".join(f"{end:.4g} {self.unit}".strip() for end in ends)

    def allowed(self, values: ArrayLike, *, unusual: bool = False) -> Mask:
        """Whether constants in the internal unit may stand in place of the input."""
        values = np.asarray(values)
        possible = within(values, self.ends) | ((values == 0.0) & (self.bounds.low == 0.0))
        likely = possible if unusual else possible & within(values, self.usual)
        return np.asarray(self.bounds.hold(values) & likely)

    def read(self, raw: object, *, unusual: bool = False) -> float:
        """Convert a constant of a sweep; raise InputError with the broken rule."""
        value = self.measure.number(raw)
        if not self.bounds.hold(value):
            raise InputError("", self.rule)
        if not self.allowed(value, unusual=unusual):
            if unusual:
                raise InputError("", f"must be {self.possible_range}")
            raise UnusualValueError("", f"the usual value is {self.usual_range}")
        return value

    def column(self, numbers: ArrayLike, unit: str, *, unusual: bool = False) -> tuple[Array, Mask]:
        """Convert a column whose head gives the unit; say which rows are allowed."""
        values = self.measure.column(numbers, unit)
        return values, self.allowed(values, unusual=unusual)


@dataclass(frozen=True, slots=True)
class Choice(Key):
    """One word out of a list, or several of them; `words` is the list, or what returns it."""

    words: tuple[str, ...] | Callable[[], tuple[str, ...]]
    _: KW_ONLY
    default: str | None = None

    @property
    def options(self) -> tuple[str, ...]:
        """The words to choose from."""
        return self.words() if callable(self.words) else self.words


@dataclass(frozen=True, slots=True)
class Flag(Key):
    """True or false."""

    default: bool = False


@dataclass(frozen=True, slots=True)
class Whole(Key):
    """A whole number between bounds; `rule` says them in words."""

    default: int
    low: int
    high: int
    rule: str
    _: KW_ONLY
    power_of_two: bool = False

    def broken_rule(self, raw: int) -> str:
        """Return what is wrong with a number, "" for nothing."""
        uneven = self.power_of_two and raw & (raw - 1)
        return self.rule if not self.low <= raw <= self.high or uneven else ""


@dataclass(frozen=True, slots=True)
class Text(Key):
    """A text; `shown` says that it is printed, so that its characters are checked."""

    _: KW_ONLY
    shown: bool = False
    blank: bool = True

    def broken_rule(self, raw: str) -> str:
        """Return what is wrong with a text, "" for nothing."""
        return "" if not self.shown or (self.blank and not raw) else name_problem(raw)


@dataclass(frozen=True, slots=True)
class Price(Key):
    """A price per area, and per a further unit where `per` gives its spellings and sizes.

    `usual` is the usual range of its number over that of a repair per area; for that of the repair
    itself it is the range in each of the `CURRENCIES`.
    """

    per: Mapping[str, float] | None
    _: KW_ONLY
    usual: tuple[float, float]
    optional: bool = False
