"""How the temperatures of curing are said."""

from __future__ import annotations

from collections.abc import Iterable

from stripwise.units.formatting import join_with_and, temperature

__all__ = ["curing_temperatures"]


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
