"""The options of the physics: what each changes, and what cannot be asked or combined with it.

A study or a section of the scenario that cannot answer under an option takes its reason from here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from stripwise.risk.model.service_conditions import ServiceConditions

__all__ = ["OPTIONS", "ServiceOption", "combination", "refusal"]

NUMERICAL_RANK = (
    "rank holds for faces with a front in closed form; leave out [[layer]] and the credit "
    "for a coating, or read the drivers in the report of a run"
)
NUMERICAL_DESIGN_POINT = (
    "the front behind layers or a coating is a numerical solution, which has no limit "
    "state here; take the sampled answer"
)


@dataclass(frozen=True, slots=True)
class ServiceOption:
    """One option.

    Attributes
    ----------
    key
        Where the scenario asks for it.
    changes
        What it changes, in words.
    acts
        Whether it acts on the fronts of a wall; never for an option that only reads them.
    refusals
        Why a question has no answer under it, by the question.
    combinations
        Why it goes with another option only so far, by the other; `{what}` names the other.
    """

    key: str
    changes: str
    acts: Callable[[ServiceConditions], bool] = lambda _conditions: False
    refusals: Mapping[str, str] = field(default_factory=dict)
    combinations: Mapping[str, str] = field(default_factory=dict)


OPTIONS = {
    "carbonation": ServiceOption(
        "exposure.mechanisms, [carbonation]",
        "carbonation instead of or beside chloride: the deeper front governs",
        lambda conditions: conditions.carbonation,
        {
            "rule": "no rule: the hand calculation knows the front of chloride alone, not of carbonation"
        },
    ),
    "history": ServiceOption(
        "exposure.surface_history",
        "surface chloride that changes in time",
        lambda conditions: conditions.history is not None,
        combinations={
            "numerical": "cannot be combined with a {what}: the numerical solution holds for a "
            "surface content that is constant",
        },
    ),
    "fall": ServiceOption(
        "exposure.surface_history.table",
        "surface chloride that falls again",
        lambda conditions: conditions.history is not None and conditions.history.falls,
        {
            "design point": "the surface chloride falls in time, so that the content at the bars "
            "does not tell whether it was ever critical; take the sampled answer",
        },
        {
            "skin": "falls again, which cannot be combined with a penalty on a skin; let the shares "
            "stay at their highest, which is on the safe side, or write curing.affected_depth = "
            '"whole cover"',
        },
    ),
    "seasons": ServiceOption(
        "exposure.first_exposure",
        "monthly temperatures, integrated from the month of first exposure",
        lambda conditions: conditions.first_month is not None,
        combinations={
            "coating": "cannot be combined with a {what}, whose resistance would follow the "
            "seasons too; leave it out for the mean of the monthly factors",
        },
    ),
    "layers": ServiceOption(
        "[[layer]]",
        "diffusivity by layers from the surface inwards, a numerical solution",
        lambda conditions: bool(conditions.layers),
        {"rank": NUMERICAL_RANK, "design point": NUMERICAL_DESIGN_POINT},
    ),
    "coating": ServiceOption(
        "[coating]",
        "a resistance before the concrete until it ends, a numerical solution",
        lambda conditions: conditions.coating is not None,
        {"rank": NUMERICAL_RANK, "design point": NUMERICAL_DESIGN_POINT},
    ),
    "cracking": ServiceOption("[cracking]", "from depassivation on to the first crack"),
    "extent": ServiceOption(
        "[extent]",
        "share of a face that is affected",
        combinations={
            "numerical": "cannot be combined with a {what}: a face would be solved cell by cell",
        },
    ),
    "front factor": ServiceOption(
        "model.front_factor",
        "model uncertainty on the depth of the front",
        lambda conditions: bool(conditions.model_factor),
    ),
}
"""Every option by name."""


def refusal(question: str, conditions: ServiceConditions | None) -> str:
    """Return why a wall under some conditions has no answer to a question, "" where it has one.

    Questions are "rank", "design point" and "rule".
    """
    if conditions is None:
        return ""
    reasons = (
        item.refusals.get(question, "") for item in OPTIONS.values() if item.acts(conditions)
    )
    return next((reason for reason in reasons if reason), "")


def combination(option: str, other: str, *, what: str = "") -> str:
    """Return why an option goes with another only so far; `what` are words for the other."""
    return OPTIONS[option].combinations[other].format(what=what)
