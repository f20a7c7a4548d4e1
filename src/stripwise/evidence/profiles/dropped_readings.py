"""Which readings were left out of a fit by hand, and why."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from stripwise.errors import InputError
from stripwise.evidence.profiles.chloride_profiles import Profiles
from stripwise.units.names import nearest_spelling, printable

__all__ = ["DroppedReading", "drop_readings", "read_dropped"]

PATTERN = re.compile(
    r"(?P<specimen>.+?):(?P<upper>\d+(?:\.\d+)?)-(?P<lower>\d+(?:\.\d+)?)(?:\s+(?P<reason>\S.*))?"
)
SLACK = 1e-3
"""Depth [mm] within which the faces of a layer are those that were named."""


@dataclass(frozen=True, slots=True)
class DroppedReading:
    """A layer of a specimen, by its faces [mm], and why it was left out; empty if nobody said."""

    specimen: str
    upper: float
    lower: float
    reason: str = ""


def read_dropped(text: str) -> DroppedReading:
    """Read the words of --drop.

    Raises
    ------
    InputError
        If they are none.

    Examples
    --------
    >>> read_dropped("S07:7-10 ground twice")
    DroppedReading(specimen='S07', upper=7.0, lower=10.0, reason='ground twice')
    """
    found = PATTERN.fullmatch(text.strip())
    if found is None:
        raise InputError(
            "--drop",
            f"{printable(text)}: must be a specimen, the faces of a layer in mm and the reason, as "
            '"S07:7-10 ground twice"',
        )
    reason = found["reason"] or ""
    return DroppedReading(found["specimen"], float(found["upper"]), float(found["lower"]), reason)


def drop_readings(profiles: Profiles, dropped: Sequence[DroppedReading]) -> Profiles:
    """Mark readings as left out by hand.

    Raises
    ------
    InputError
        If a specimen has no such layer.
    """
    mask = np.zeros_like(profiles.present)
    for item in dropped:
        if item.specimen not in profiles.specimens:
            near = nearest_spelling(item.specimen, profiles.specimens)
            raise InputError(
                "--drop", f"{profiles.file} has no specimen {printable(item.specimen)}{near}"
            )
        row = profiles.specimens.index(item.specimen)
        here = (
            profiles.present[row]
            & (np.abs(profiles.upper[row] - item.upper) < SLACK)
            & (np.abs(profiles.lower[row] - item.lower) < SLACK)
        )
        if not here.any():
            faces = ", ".join(
                f"{a:g}-{b:g}"
                for a, b, there in zip(
                    profiles.upper[row], profiles.lower[row], profiles.present[row], strict=True
                )
                if there
            )
            raise InputError(
                "--drop",
                f"specimen {printable(item.specimen)} has no layer {item.upper:g}-{item.lower:g} "
                f"mm; its layers are {faces}",
            )
        mask[row] |= here
    return replace(profiles, dropped=mask)
