"""Numbers of a column under each other, with the same decimals."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from stripwise.report.components import Column, numeric
from stripwise.units.formatting import decimals, number

__all__ = ["even", "even_numbers"]

LARGEST, SMALLEST = 3, 2
"""Digits of the largest number of a column, and at least of the smallest."""
MOST_PLACES = 4


def even(values: Iterable[float], digits: int = LARGEST) -> Callable[[float], str]:
    """Return a writer that gives all of some values the same decimals.

    Values of so different a size that this would cost or invent digits are written each by itself.

    Examples
    --------
    >>> write = even([5.93, 12.0, 16.34])
    >>> [write(x) for x in (5.93, 12.0, 16.34)]
    ['5.9', '12.0', '16.3']
    """
    found = [float(x) for x in values]
    sizes = [math.floor(math.log10(abs(x))) for x in found if x and math.isfinite(x)]
    whole = all(x == round(x) for x in found if math.isfinite(x))
    if not sizes or whole:
        return lambda x: number(x, digits)
    least = min(SMALLEST, digits)
    places = max(digits - 1 - max(sizes), least - 1 - min(sizes), 0)
    if places > MOST_PLACES or places > digits - max(sizes):
        return lambda x: number(x, digits)
    least_shown = 0.5 * 10.0**-places  # an error that would read as none keeps a digit of its own
    return lambda x: number(x, 1) if 0.0 < abs(x) < least_shown else decimals(x, places)


def even_numbers(
    header: str, key: str, rows: Sequence[Mapping[Any, Any]], digits: int = LARGEST
) -> Column:
    """Declare a column of numbers with the same decimals, one under `key` in each row."""
    return numeric(header, key, even((row[key] for row in rows), digits))
