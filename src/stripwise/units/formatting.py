"""The only place where a number becomes text: on terminal, page, table and figure.

Percent, millimetres and prices have two digits below 10 and three from there on, inches two
decimals, other numbers three digits. A formula that a reader is to work out by hand, an input file
and a value that an error quotes keep digits of their own.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from types import MappingProxyType

from stripwise.units.drawing_steps import MM_PER_INCH, inch_fraction

__all__ = [
    "AREAS",
    "DASH",
    "MINUS",
    "MM2_YR_PER_E12_M2_S",
    "MM_PER_INCH",
    "amount",
    "amount_without_unit",
    "confidence",
    "count",
    "decimals",
    "diffusivity",
    "display_unit",
    "distinct_percents",
    "duration",
    "first_few",
    "in_range",
    "index",
    "interval",
    "join_with_and",
    "length",
    "no_break_spaces",
    "number",
    "per_unit",
    "percent",
    "points",
    "price",
    "share_with_interval",
    "signed",
    "signed_percent",
    "signed_points",
    "temperature",
    "to_display_unit",
    "value_with_interval",
    "years",
]

DASH = "\N{EN DASH}"
"""Stands where there is no number."""

MINUS = "\N{MINUS SIGN}"
MM2_YR_PER_E12_M2_S = 31.5576
"""mm2/yr in 1e-12 m2/s, for years of 365.25 d."""

SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
UNIT_AFTER_NUMBER = re.compile(r"(?<=\d) (?=(?:yr|mm|in|%|h|d)(?:\W|$))|(?<=No\.) (?=\d)")
AREAS = MappingProxyType({"m2": 1.0, "ft2": 0.09290304, "yd2": 0.83612736})
"""m2 in each unit of area that prices are given for."""

DIFFUSIVITY_UNIT = "10⁻¹² m²/s"
MOST_DIGITS = 7
"""Digits beyond which two numbers count as the same."""


def number(x: float, digits: int = 3) -> str:
    """Write a number with a few significant digits and no computer notation.

    NaN is an en dash, infinity "unlimited".

    Examples
    --------
    >>> number(1234.6), number(0.0000123)
    ('1235', '1.23·10⁻⁵')
    """
    if math.isnan(x):
        return DASH
    if math.isinf(x):
        return "unlimited" if x > 0 else f"{MINUS}unlimited"
    if x == 0:
        return "0"
    exponent = int(f"{x:.{digits - 1}e}".split("e")[1])
    if exponent < -4 or exponent > 6:
        mantissa = f"{x / 10.0**exponent:.{digits - 1}f}"
        text = f"{_strip_zeros(mantissa)}·10{str(exponent).translate(SUPERSCRIPT)}"
    else:
        text = _strip_zeros(f"{x:.{max(digits - 1 - exponent, 0)}f}")
    return text.replace("-", MINUS)


def count(n: float) -> str:
    """Write a whole number, its thousands set apart by commas."""
    return f"{n:,.0f}" if math.isfinite(n) else number(n)


def signed(x: float, digits: int = 2) -> str:
    """Write a difference with its sign, 0 without one."""
    text = number(x, digits)
    return f"+{text}" if x > 0 and text != "0" else text


def decimals(value: float, places: int = 1) -> str:
    """Write a number to some decimals, without a negative 0: readings under each other, ticks."""
    if not math.isfinite(value):
        return number(value)
    text = f"{value:.{places}f}"
    return (text.lstrip("-") if float(text) == 0 else text).replace("-", MINUS)


def percent(p: float) -> str:
    """Write a probability or share between 0 and 1 in percent; NaN is an en dash.

    Examples
    --------
    >>> percent(0.0968), percent(0.1234), percent(1e-9)
    ('9.7 %', '12.3 %', 'below 0.001 %')
    """
    return DASH if math.isnan(p) else f"{points(p)} %"


def points(share: float) -> str:
    """Write a share between 0 and 1 in hundredths, as `percent` does but without the unit."""
    if 0 < share < 1e-5:
        return "below 0.001"
    if 0.9995 <= share < 1:
        return "above 99.9"
    return _two_or_three_digits(100.0 * share)


def confidence(share: float) -> str:
    """Write a confidence to 5 %, as no sample of it deserves more; NaN is an en dash.

    Examples
    --------
    >>> confidence(0.684), confidence(0.99), confidence(0.01)
    ('70 %', 'over 95 %', 'under 5 %')
    """
    if math.isnan(share):
        return DASH
    steps = round(20.0 * share)
    return {0: "under 5 %", 20: "over 95 %"}.get(steps, f"{5 * steps} %")


def signed_points(change: float) -> str:
    """Write a change of a share in hundredths, with its sign."""
    text = points(abs(change))
    sign = "+" if change > 0 else MINUS
    return text if text == "0" or math.isnan(change) else f"{sign}{text}"


def distinct_percents(one: float, other: float) -> tuple[str, str]:
    """Write two probabilities with as many digits as keep them apart, so that none reads as met.

    Examples
    --------
    >>> distinct_percents(0.10004, 0.1)
    ('10.004 %', '10 %')
    """
    texts = percent(one), percent(other)
    for digits in range(4, MOST_DIGITS + 1):
        if texts[0] != texts[1] or one == other or not math.isfinite(one + other):
            break
        texts = f"{number(100.0 * one, digits)} %", f"{number(100.0 * other, digits)} %"
    return texts


def share_with_interval(value: float, low: float, high: float) -> str:
    """Write a share of the variance in % with its interval, all given as fractions.

    Examples
    --------
    >>> share_with_interval(0.351, 0.34, 0.362)
    '35.1 (34 to 36.2)'
    """
    if not math.isfinite(value):
        return DASH
    return value_with_interval(value, low, high, points)


def value_with_interval(
    value: float, low: float, high: float, write: Callable[[float], str] = number
) -> str:
    """Write a value with its interval in brackets, unless both read the same."""
    text, ends = write(value), interval(low, high, write)
    return f"{text} ({ends})" if ends not in ("", text) else text


def signed_percent(value: float) -> str:
    """Write a change that is already in percent with its sign, in whole percent from 10 on."""
    if not math.isfinite(value):
        return DASH
    text = f"{value:+.0f}" if abs(value) >= 9.95 else _strip_zeros(f"{value:+.1f}")
    return f"{'0' if float(text) == 0 else text} %".replace("-", MINUS)


def years(t: float, *, horizon: float | None = None) -> str:
    """Write a time in years, one that was given with three digits.

    One that was computed has a `horizon` [yr] and is written in whole years from 10 on; if it is
    not reached (inf) it is "more than" the horizon.

    Examples
    --------
    >>> years(12.5), years(31.2, horizon=120), years(float("inf"), horizon=120)
    ('12.5 yr', '31 yr', 'more than 120 yr')
    """
    if math.isnan(t):
        return DASH
    if horizon is None:
        return f"{number(t)} yr"
    if math.isinf(t) or t > horizon:
        return f"more than {number(horizon)} yr"
    return f"{t:.0f} yr" if t >= 9.95 else f"{_strip_zeros(f'{t:.1f}')} yr"


def duration(hours: float) -> str:
    """Write a duration given in hours: in hours below two days, in days from there.

    Examples
    --------
    >>> duration(36), duration(72)
    ('36 h', '3 d')
    """
    if not math.isfinite(hours):
        return DASH
    return f"{number(hours)} h" if hours < 48 else f"{number(hours / 24)} d"


def length(mm: float, *, units: str) -> str:
    """Write a length given in mm, in mm for "SI" and in inches for "US"; infinite ones as a dash.

    Examples
    --------
    >>> length(60, units="SI"), length(8.86, units="SI"), length(60, units="US")
    ('60 mm', '8.9 mm', '2.36 in')
    >>> length(60.325, units="US")  # an eighth, as covers are drawn
    '2 3/8 in'
    """
    if not math.isfinite(mm):
        return DASH
    eighths = 8.0 * mm / MM_PER_INCH
    if units == "US" and mm > 0.0 and abs(eighths - round(eighths)) < 1e-6:
        return f"{inch_fraction(mm / MM_PER_INCH)} in"
    return amount(mm, "mm", units=units)


def temperature(celsius: float, *, units: str) -> str:
    """Write a temperature given in degC, in degC for "SI" and in degF for "US"."""
    return amount(celsius, "degC", units=units)


def diffusivity(m2_s: float, digits: int = 3) -> str:
    """Write a diffusivity given in m2/s in 1e-12 m2/s, without the unit."""
    return number(1e12 * m2_s, digits)


def index(beta: float) -> str:
    """Write a reliability index to two digits after the point; infinite where P is 0 or 1."""
    if math.isnan(beta):
        return DASH
    if math.isinf(beta):
        return "above 8" if beta > 0 else f"below {MINUS}8"
    return f"{beta:.2f}".replace("-", MINUS)


def interval(low: float, high: float, write: Callable[[float], str] = number) -> str:
    """Write an interval as "low to high", with the unit once if both ends have the same.

    `write` writes one end with its unit. Empty if an end is NaN, one value if both ends read the
    same, and a bound alone where the whole interval lies beyond it.
    """
    if math.isnan(low) or math.isnan(high):
        return ""
    first, last = write(low), write(high)
    if first == last or first.startswith("above ") or last.startswith("below "):
        return last if last.startswith("below ") else first
    head, _, unit = first.rpartition(" ")
    if head and "than" not in last and last.endswith(f" {unit}") and " " not in head:
        first = head
    return f"{first} to {last}"


def to_display_unit(value: float, unit: str, *, units: str, difference: bool = False) -> float:
    """Convert a value from its internal unit (mm, mm2/yr, degC; others stay) to the reader's.

    The reader's unit is mm or in, 1e-12 m2/s, degC or degF. `difference` matters for degF: it says
    that the value is a difference, such as a standard deviation.
    """
    if unit == "mm2/yr":
        return value / MM2_YR_PER_E12_M2_S
    if units == "US" and unit == "mm":
        return value / MM_PER_INCH
    if units == "US" and unit == "degC":
        return 1.8 * value + (0.0 if difference else 32.0)
    return value


def display_unit(unit: str, *, units: str) -> str:
    """Name the unit that `to_display_unit` converts to."""
    if unit == "mm2/yr":
        return DIFFUSIVITY_UNIT
    if unit == "mm":
        return "in" if units == "US" else "mm"
    if unit == "degC":
        return "\N{DEGREE SIGN}F" if units == "US" else "\N{DEGREE SIGN}C"
    return unit.replace("m2", "m²")


def amount(value: float, unit: str, *, units: str, difference: bool = False) -> str:
    """Write a value given in its internal unit (as `Input.unit` names it) in the reader's, with the unit.

    Examples
    --------
    >>> amount(60.0, "mm", units="US")
    '2.36 in'
    """
    if math.isnan(value):
        return DASH
    text = amount_without_unit(value, unit, units=units, difference=difference)
    name = display_unit(unit, units=units)
    times = "\N{NO-BREAK SPACE}\N{MULTIPLICATION SIGN}\N{NO-BREAK SPACE}"
    if unit == "mm2/yr":
        return f"{text}{times}{name}"
    return f"{text} {name}" if name else text


def amount_without_unit(value: float, unit: str, *, units: str, difference: bool = False) -> str:
    """Write a value as `amount` does, for a column whose head or neighbour has the unit."""
    shown = to_display_unit(value, unit, units=units, difference=difference)
    name = display_unit(unit, units=units)
    if not math.isfinite(shown):
        return number(shown)
    if name == "in" and (abs(shown) >= 0.0995 or shown == 0):
        return f"{round(shown, 2) + 0.0:.2f}".replace("-", MINUS)
    return _two_or_three_digits(shown) if name in ("mm", "in") else number(shown)


def price(value: float) -> str:
    """Write a price, or what it comes to, with two digits or three."""
    return _two_or_three_digits(value)


def per_unit(value: float, unit: str, *, area: str = "m2", depth: str = "mm") -> str:
    """Write a price per m2, hour or mm, or a rate; 1/yr in percent.

    `area` and `depth` are the units to write it for.

    Examples
    --------
    >>> per_unit(380.0, "USD/m2"), per_unit(380.0, "USD/m2", area="ft2")
    ('380 USD/m²', '35.3 USD/ft²')
    """
    if unit == "1/yr":
        return percent(value)
    value *= AREAS[area] if "/m2" in unit else 1.0
    value *= MM_PER_INCH if unit.endswith("/mm") and depth == "in" else 1.0
    unit = re.sub("/mm$", f"/{depth}", unit).replace("/m2", f"/{area[:-1]}²")
    return f"{price(value)} {unit}"


def in_range(write: Callable[[float], str]) -> Callable[[float], str]:
    """Make a writer of what was sought in a range, which infinite values lie outside."""

    def written(x: float) -> str:
        if not math.isinf(x):
            return write(x)
        return "beyond the range" if x > 0 else "below the range"

    return written


def join_with_and(parts: Sequence[str]) -> str:
    """Join words as in a sentence: "a", "a and b", "a, b and c"."""
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} and {parts[-1]}"


def first_few(parts: Sequence[str], rest_in: str = "", most: int = 6) -> str:
    """List parts with semicolons, or the first of them and where the others stand."""
    more = f", and {count(len(parts) - most)} more" if len(parts) > most else ""
    return "; ".join(parts[:most]) + more + (f" in {rest_in}" if more and rest_in else "")


def no_break_spaces(text: str) -> str:
    """Put no-break spaces between a number and its unit, and after "No."."""
    return UNIT_AFTER_NUMBER.sub("\N{NO-BREAK SPACE}", text)


def _two_or_three_digits(x: float) -> str:
    return number(x, 2 if abs(x) < 9.95 else 3)


def _strip_zeros(text: str) -> str:
    return text.rstrip("0").rstrip(".") if "." in text else text
