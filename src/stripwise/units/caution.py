"""The one wording of what comes before any strip age: strength, stability and frost."""

from __future__ import annotations

__all__ = ["CAUTION", "DURABILITY_ONLY", "GATES", "GATES_LEAD", "STRENGTH_FIRST"]

CAUTION = (
    "A strip age here is a statement about chloride and time, never a permission to strip. Early "
    "stripping is first a question of strength, stability and frost. The responsible engineer "
    "decides it from the in-place strength of the face, with frost protection ready; local codes "
    "and licensed practice govern. Nothing here checks any of that."
)
"""Stands once on every page, terminal and JSON output that a strip age could be read from."""

STRENGTH_FIRST = "strength, stability and frost decide first"
"""The caution inside a sentence, beside a strip age."""

DURABILITY_ONLY = f"Durability only: {STRENGTH_FIRST}."
"""Stands on every figure that a strip age could be read from."""

GATES_LEAD = "At every strip age these gates stand first; they are reminders and were not checked:"
GATES = (
    "In-place strength of the face: enough to carry itself and to come away from the form "
    "undamaged, shown by tests in place and accepted by the responsible engineer",
    "Stability: self-weight, wind, construction loads and bracing with the forms gone",
    "Frost: strength against freezing reached, and protection ready, before the face meets the "
    "cold",
)
