"""What to tell where a study asks about walls that joint draws of an update do not belong to."""

from __future__ import annotations

import warnings
from collections.abc import Mapping

from stripwise.scenario.model import Scenario
from stripwise.scenario.posterior_record import changed_text, read_posterior_record
from stripwise.units.formatting import length

__all__ = ["other_cover_note", "warn_of_changes"]


def other_cover_note(case: Scenario) -> list[str]:
    """Say that other covers are tried with draws that an update made of one; empty without such."""
    if case.draws is None or not case.draws.source:
        return []
    if not read_posterior_record(case.path.parent / case.draws.source):
        return []
    cover = length(case.nominal_cover, units=case.units)
    return [
        f"{case.draws.source} says what the inspections tell of a wall with {cover} of nominal cover. With "
        "other covers its draws answer for a new wall that is built alike, not for the one inspected."
    ]


def warn_of_changes(case: Scenario, changed: Mapping[str, str]) -> None:
    """Warn once of inputs that are no longer those a posterior was made of, beyond those of `case`.

    `changed` has the file of the posterior by the name of the input.
    """
    known = () if case.draws is None else case.draws.changed
    new = [name for name in changed if name not in known]
    if new:
        warnings.warn(changed_text(new, changed[new[0]]), UserWarning, stacklevel=3)
