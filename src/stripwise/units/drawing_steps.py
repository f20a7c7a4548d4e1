"""The steps in which covers are drawn and forms stripped: nobody builds 61.2 mm or 13.7 h."""

from __future__ import annotations

import math

__all__ = ["MM_PER_INCH", "inch_fraction", "round_cover_up", "round_hours_up", "round_length_up"]

MM_PER_INCH = 25.4
WHOLE_DAYS_FROM = 72.0
"""Above this strip ages are given in whole days [h]."""


def inch_fraction(inches: float) -> str:
    """Write inches to the nearest eighth, as a rule is divided.

    Examples
    --------
    >>> inch_fraction(2.25), inch_fraction(3.0), inch_fraction(0.125)
    ('2 1/4', '3', '1/8')
    """
    whole, eighths = divmod(round(8.0 * inches), 8)
    if eighths == 0:
        return f"{whole}"
    divisor = math.gcd(eighths, 8)
    part = f"{eighths // divisor}/{8 // divisor}"
    return f"{whole} {part}" if whole else part


def round_length_up(mm: float, *, units: str) -> float:
    """Round a length [mm] up to what a rule shows [mm]: whole mm, or 1/8 in for "US"."""
    step = MM_PER_INCH / 8.0 if units == "US" else 1.0
    return math.ceil(mm / step - 1e-9) * step


def round_cover_up(required: float, *, units: str) -> float:
    """Round a cover [mm] up to the step of drawings: the next 5 mm, or 1/4 in for "US".

    Examples
    --------
    >>> round_cover_up(61.2, units="SI"), round_cover_up(60.0, units="SI")
    (65.0, 60.0)
    >>> round_cover_up(61.2, units="US") / 25.4
    2.5
    """
    if not math.isfinite(required):
        return required
    step = 6.35 if units == "US" else 5.0
    return math.ceil(required / step - 1e-9) * step


def round_hours_up(hours: float) -> float:
    """Round a strip age up to whole hours, from three days on to whole days [h].

    Examples
    --------
    >>> round_hours_up(13.2), round_hours_up(72.0), round_hours_up(80.0)
    (14.0, 72.0, 96.0)
    """
    if not math.isfinite(hours):
        return hours
    step = 1.0 if hours <= WHOLE_DAYS_FROM else 24.0
    return math.ceil(hours / step - 1e-9) * step
