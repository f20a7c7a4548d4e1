"""What may be done to a face after its forms are gone, one row per method.

Everything that lists methods reads `FOLLOW_UPS`: the scenario and its prices, the published
retentions, and what a site is offered.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from stripwise.published.library import constant

__all__ = [
    "FACES",
    "FOLLOW_UPS",
    "NO_FOLLOW_UP",
    "REFERENCE_FACE",
    "FollowUpMethod",
    "method_names",
    "retention_name",
    "wet_method",
]

NO_FOLLOW_UP = "none"
"""Name of leaving the face bare."""

REFERENCE_FACE = "vertical"
"""Face whose retention stands in where a method has none of its own."""

FACES = (REFERENCE_FACE, "horizontal")


@dataclass(frozen=True, slots=True)
class FollowUpMethod:
    """One method of curing after stripping.

    Attributes
    ----------
    retention
        Key of the published moisture retention by face; the others take over that of a vertical
        face, which is told as an assumption.
    usual_days
        Durations that every answer to a site offers [d]; empty for the `duration`.
    duration
        Key of the published duration that counts unless the scenario gives one [d]; empty where
        the scenario must.
    keeps_wet
        Whether water stays on the face all the time, which is the measure of what a strip lacks.
    without_effect
        What a site is told where the retention is 0, `{face}` for the face.
    """

    retention: Mapping[str, str]
    usual_days: tuple[float, ...] = ()
    duration: str = ""
    keeps_wet: bool = False
    without_effect: str = ""

    def retention_key(self, face: str) -> str:
        """Return the key of the published retention on a face."""
        return self.retention.get(face, self.retention[REFERENCE_FACE])

    def taken_over(self, face: str) -> bool:
        """Whether the retention on a face is that of a vertical one."""
        return face not in self.retention

    @property
    def duration_d(self) -> float | None:
        """Duration that counts unless given [d]; None where it must be given."""
        return constant(self.duration) if self.duration else None

    @property
    def offered_days(self) -> tuple[float, ...]:
        """Durations that a site is offered [d]."""
        return self.usual_days or (() if self.duration_d is None else (self.duration_d,))


FOLLOW_UPS = {
    "sheet": FollowUpMethod({"vertical": "curing.retention.sheet.vertical"}, usual_days=(3.0, 7.0)),
    "membrane": FollowUpMethod(
        {"vertical": "curing.retention.membrane.vertical"}, duration="curing.membrane_duration"
    ),
    "wet covering": FollowUpMethod(
        {
            "vertical": "curing.retention.wet_covering.vertical",
            "horizontal": "curing.retention.wet_covering.horizontal",
        },
        usual_days=(3.0,),
        without_effect="A wet covering is taken to dry out on a {face} face and counts as none: "
        "common practice, no source.",
    ),
    "kept wet": FollowUpMethod(
        {"vertical": "curing.retention.kept_wet", "horizontal": "curing.retention.kept_wet"},
        usual_days=(3.0, 7.0),
        keeps_wet=True,
    ),
}
"""Every method by name, in the order of every list."""


def method_names() -> tuple[str, ...]:
    """Return the names of all methods, "none" first."""
    return (NO_FOLLOW_UP, *FOLLOW_UPS)


def wet_method() -> str:
    """Return the method that keeps a face wet."""
    return next(name for name, method in FOLLOW_UPS.items() if method.keeps_wet)


def retention_name(method: str, face: str) -> str:
    """Return the name of the input with the moisture retention of a method on a face."""
    return f"curing.retention.{method}.{face}"
