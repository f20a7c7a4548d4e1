"""How strip ages and the temperatures of curing are said."""

from __future__ import annotations

import math
from collections.abc import Iterable

from stripwise.units.formatting import duration, join_with_and, number, temperature

__all__ = ["curing_temperatures", "strip_age"]


def curing_temperatures(
    until_stripping: float, after: Iterable[tuple[str, float]], *, units: str
) -> str:
    """Say at which concrete temperatures [degC] choices hold, in a sentence.

    `after` holds label and temperature of each follow-up; "none" is passed over.
    """
    labels_at: dict[float, list[str]] = {}
    for label, celsius in after:
        if label != "none":
            labels_at.setdefault(celsius, []).append(label)
    parts = [f"{temperature(until_stripping, units=units)} until stripping"]
    parts += [
        f"{temperature(celsius, units=units)} during {join_with_and(labels)}"
        for celsius, labels in labels_at.items()
    ]
    return f"Concrete temperature {', '.join(parts)}."


def strip_age(hours: float) -> str:
    """Write a strip age to build: whole days from two on as days, every other in hours.

    Examples
    --------
    >>> strip_age(70), strip_age(72)
    ('70 h', '3 d')
    """
    if not math.isfinite(hours) or hours % 24.0 == 0.0:
        return duration(hours)
    return f"{number(hours)} h"
