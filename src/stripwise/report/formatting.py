"""Numbers in words that people read: percent, years, lengths and intervals, in SI or US units."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable

__all__ = [
    "DASH",
    "DURABILITY_ONLY",
    "MINUS",
    "MM2_YR_PER_E12_M2_S",
    "MM_PER_INCH",
    "amount",
    "cure_temperatures",
    "displayed",
    "duration",
    "index",
    "interval",
    "length",
    "listing",
    "number",
    "percent",
    "rounded_up",
    "shares",
    "signed_percent",
    "temperature",
    "tenths",
    "tied",
    "unit_text",
    "years",
]

DURABILITY_ONLY = "Durability only: strength, stability and frost decide first."
"""Stands on every figure that a strip age could be read from."""
DASH = "\N{EN DASH}"
"""Stands where there is no number."""

MINUS = "\N{MINUS SIGN}"
MM_PER_INCH = 25.4
MM2_YR_PER_E12_M2_S = 31.5576
"""mm2/yr in 1e-12 m2/s, for years of 365.25 d."""

SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
UNIT_AFTER_NUMBER = re.compile(r"(?<=\d) (?=(?:yr|mm|in|%|h|d)(?:\W|$))|(?<=No\.) (?=\d)")
DIFFUSIVITY_UNIT = "10⁻¹² m²/s"


def number(x: float, digits: int = 3) -> str:
    """Write a number with a few significant digits and no computer notation.

    Parameters
    ----------
    x
        Any number.
    digits
        Significant digits.

    Returns
    -------
    Text; an en dash for NaN, "unlimited" for infinity.

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
        text = f"{_trimmed(mantissa)}·10{str(exponent).translate(SUPERSCRIPT)}"
    else:
        text = _trimmed(f"{x:.{max(digits - 1 - exponent, 0)}f}")
    return text.replace("-", MINUS)


def percent(p: float) -> str:
    """Write a probability or share in percent.

    Parameters
    ----------
    p
        Between 0 and 1.

    Returns
    -------
    Text; an en dash for NaN, "below 0.001 %" for what is smaller but not zero.

    Examples
    --------
    >>> percent(0.0968), percent(0.1234), percent(1e-9)
    ('9.7 %', '12.3 %', 'below 0.001 %')
    """
    if math.isnan(p):
        return DASH
    if 0 < p < 1e-5:
        return "below 0.001 %"
    if 0.9995 <= p < 1:
        return "above 99.9 %"
    value = 100.0 * p
    return f"{number(value, 2 if value < 9.95 else 3)} %"


def signed_percent(value: float) -> str:
    """Write a change that is already in percent with its sign, in whole percent from 10 on."""
    if not math.isfinite(value):
        return DASH
    text = f"{value:+.0f}" if abs(value) >= 9.95 else f"{value:+.1f}"
    if float(text) == 0:
        text = "0"
    return text.replace("-", MINUS) + " %"


def years(t: float, *, horizon: float) -> str:
    """Write a time in years; one that is not reached is "more than" the horizon.

    Parameters
    ----------
    t
        Time [yr]; inf if not reached.
    horizon
        Last age that was looked at [yr].

    Returns
    -------
    Text with the unit.

    Examples
    --------
    >>> years(31.2, horizon=120), years(float("inf"), horizon=120)
    ('31 yr', 'more than 120 yr')
    """
    if math.isnan(t):
        return DASH
    if math.isinf(t) or t > horizon:
        return f"more than {number(horizon)} yr"
    return f"{t:.0f} yr" if t >= 9.95 else f"{_trimmed(f'{t:.1f}')} yr"


def duration(hours: float) -> str:
    """Write a duration given in hours: in hours below two days, in days from there.

    Examples
    --------
    >>> duration(36), duration(72)
    ('36 h', '3 d')
    """
    if math.isnan(hours):
        return DASH
    return f"{number(hours)} h" if hours < 48 else f"{number(hours / 24)} d"


def length(mm: float, *, units: str) -> str:
    """Write a length given in mm, in mm for "SI" and in inches for "US".

    Examples
    --------
    >>> length(60, units="SI"), length(60, units="US")
    ('60 mm', '2.36 in')
    """
    return amount(mm, "mm", units=units)


def temperature(celsius: float, *, units: str) -> str:
    """Write a temperature given in degC, in degC for "SI" and in degF for "US"."""
    return amount(celsius, "degC", units=units)


def cure_temperatures(
    until_stripping: float, after: Iterable[tuple[str, float]], *, units: str
) -> str:
    """Say at which concrete temperatures choices hold.

    Parameters
    ----------
    until_stripping
        Concrete temperature in the forms [degC].
    after
        Label and concrete temperature [degC] of each follow-up; "none" is passed over.
    units
        "SI" or "US".

    Returns
    -------
    A sentence such as "Concrete temperature 12 degC until stripping, 8 degC during sheet 7 d.".
    """
    groups: dict[float, list[str]] = {}
    for label, celsius in after:
        if label != "none":
            groups.setdefault(celsius, []).append(label)
    parts = [f"{temperature(until_stripping, units=units)} until stripping"]
    parts += [
        f"{temperature(celsius, units=units)} during {listing(labels)}"
        for celsius, labels in groups.items()
    ]
    return f"Concrete temperature {', '.join(parts)}."


def index(beta: float) -> str:
    """Write a reliability index to two digits after the point; infinite where P is 0 or 1."""
    if math.isnan(beta):
        return DASH
    if math.isinf(beta):
        return "above 8" if beta > 0 else f"below {MINUS}8"
    return f"{beta:.2f}".replace("-", MINUS)


def interval(low: float, high: float, write: Callable[[float], str]) -> str:
    """Write an interval as "low to high", with the unit once if both ends have the same.

    Parameters
    ----------
    low, high
        Ends; NaN if there is no interval.
    write
        Writes one end with its unit.

    Returns
    -------
    Text; empty if an end is NaN, the one value if both ends read the same.
    """
    if math.isnan(low) or math.isnan(high):
        return ""
    first, last = write(low), write(high)
    if first == last:
        return first
    head, _, unit = first.rpartition(" ")
    if head and "than" not in last and last.endswith(f" {unit}") and " " not in head:
        first = head
    return f"{first} to {last}"


def displayed(value: float, unit: str, *, units: str, difference: bool = False) -> float:
    """Convert a value from its internal unit to the one a reader sees.

    Parameters
    ----------
    value
        In `unit`.
    unit
        Internal unit: "mm", "mm2/yr", "degC"; others stay.
    units
        "SI" or "US".
    difference
        Whether this is a difference, such as a standard deviation: matters for degF.

    Returns
    -------
    The value in mm or in, 1e-12 m2/s, degC or degF.
    """
    if unit == "mm2/yr":
        return value / MM2_YR_PER_E12_M2_S
    if units == "US" and unit == "mm":
        return value / MM_PER_INCH
    if units == "US" and unit == "degC":
        return 1.8 * value + (0.0 if difference else 32.0)
    return value


def unit_text(unit: str, *, units: str) -> str:
    """Name the unit that `displayed` converts to."""
    if unit == "mm2/yr":
        return DIFFUSIVITY_UNIT
    if unit == "mm":
        return "in" if units == "US" else "mm"
    if unit == "degC":
        return "\N{DEGREE SIGN}F" if units == "US" else "\N{DEGREE SIGN}C"
    return unit.replace("mm2", "mm²")


def amount(value: float, unit: str, *, units: str, difference: bool = False) -> str:
    """Write a value given in its internal unit for a reader, with the unit.

    Parameters
    ----------
    value
        In `unit`.
    unit
        Internal unit as `Input.unit` names it.
    units
        "SI" or "US".
    difference
        Whether this is a difference, such as a standard deviation.

    Returns
    -------
    Text such as "60 mm", "2.36 in", "8.9 10⁻¹² m²/s".
    """
    if math.isnan(value):
        return DASH
    shown = displayed(value, unit, units=units, difference=difference)
    name = unit_text(unit, units=units)
    text = f"{round(shown, 2) + 0.0:.2f}".replace("-", MINUS) if name == "in" else number(shown)
    joint = "\N{NO-BREAK SPACE}\N{MULTIPLICATION SIGN}\N{NO-BREAK SPACE}"
    if unit == "mm2/yr":
        return f"{text}{joint}{name}"
    return f"{text} {name}" if name else text


def rounded_up(mm: float, *, units: str) -> float:
    """Round a cover up to what a drawing would state: whole mm, or 0.05 in for "US".

    Parameters
    ----------
    mm
        Length [mm].
    units
        "SI" or "US".

    Returns
    -------
    Length [mm], not smaller than `mm` but for rounding errors.
    """
    step = 0.05 * MM_PER_INCH if units == "US" else 1.0
    return math.ceil(mm / step - 1e-9) * step


def listing(parts: list[str]) -> str:
    """Join words as in a sentence: "a", "a and b", "a, b and c"."""
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} and {parts[-1]}"


def tied(text: str) -> str:
    """Put no-break spaces between a number and its unit, and after "No.".

    Parameters
    ----------
    text
        A sentence.

    Returns
    -------
    The sentence with the same letters.
    """
    return UNIT_AFTER_NUMBER.sub("\N{NO-BREAK SPACE}", text)


def _trimmed(text: str) -> str:
    return text.rstrip("0").rstrip(".") if "." in text else text


def tenths(value: float) -> str:
    """Write a number to one decimal, without a negative 0."""
    text = f"{value:.1f}"
    return ("0.0" if float(text) == 0 else text).replace("-", MINUS)


def shares(value: float, low: float, high: float) -> str:
    """Write a share of the variance in % with its interval, both given as fractions.

    Parameters
    ----------
    value, low, high
        The share and the ends of its interval.

    Returns
    -------
    Text such as "35.1 (34.0 to 36.2)"; a dash where the share is not finite.
    """
    if not math.isfinite(value):
        return DASH
    return f"{tenths(100.0 * value)} ({tenths(100.0 * low)} to {tenths(100.0 * high)})"
