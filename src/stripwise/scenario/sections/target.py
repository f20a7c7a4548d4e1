"""The [target], [sampling] and [report] sections."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Annotated

from scipy import special

from stripwise.distributions.random_input import Input
from stripwise.errors import InputError
from stripwise.scenario import shapes
from stripwise.scenario.engine import declared, read_keys
from stripwise.scenario.fields import PLAIN, YEARS, Choice, Quantity, Whole
from stripwise.scenario.problems import Problems
from stripwise.scenario.shapes import Constant, String, Table

__all__ = [
    "ReportTable",
    "Sampling",
    "SamplingTable",
    "Target",
    "TargetTable",
    "epistemic_for_confidence",
    "read_sampling",
    "read_target",
]

INDEX = (-3.0, 8.0)
"""Reliability index of the target: lowest and highest."""

USUAL_HORIZON = 120.0
"""Horizon [yr] unless the file gives one or the service life is longer."""


class TargetTable(Table):
    """[target]."""

    service_life: Annotated[
        Constant | None,
        Quantity(
            "Service life that the target is set for.",
            YEARS,
            "1 yr to 500 yr",
            usual="10 yr to 200 yr",
            needed="such as {}",
            example='"75 yr"',
        ),
    ] = None
    probability: Annotated[
        Constant | None,
        Quantity(
            "Probability of depassivation allowed within it.",
            PLAIN,
            usual="1e-7 to 0.5",
            missing="or give reliability_index",
            example="0.10",
        ),
    ] = None
    reliability_index: Annotated[
        Constant | None,
        Quantity(
            "The same as a reliability index.", PLAIN, "-3 to 8", usual="0 to 5.2", example="1.3"
        ),
    ] = None
    confidence: Annotated[
        Constant | None,
        Quantity(
            "Share of what may be true that must meet the target too.",
            PLAIN,
            "0.5 to 0.99",
            example="0.9",
        ),
    ] = None


class SamplingTable(Table):
    """[sampling]."""

    points: Annotated[
        shapes.Whole | None,
        Whole(
            "Points of a repeat, a power of two.",
            16384,
            2**6,
            2**22,
            f"must be a power of two between {2**6} and {2**22}, such as 16384",
            power_of_two=True,
        ),
    ] = None
    repeats: Annotated[
        shapes.Whole | None,
        Whole("Scrambled repeats of the sample.", 16, 8, 64, "must be between 8 and 64"),
    ] = None
    seed: Annotated[
        shapes.Whole | None,
        Whole("Seed of the sample.", 1, 0, 2**63 - 1, "must be at least 0 and below 2^63"),
    ] = None
    horizon: Annotated[
        Constant | None,
        Quantity(
            "Last age of the curves; 120 yr or the service life unless given.",
            YEARS,
            "1 yr to 500 yr",
            usual="10 yr to 300 yr",
            example='"120 yr"',
        ),
    ] = None


class ReportTable(Table):
    """[report]."""

    units: Annotated[
        String | None, Choice("Units of the report.", ("SI", "US"), default="SI", example='"SI"')
    ] = None


@dataclass(frozen=True, slots=True)
class Target:
    """Durability target: probability of depassivation allowed within the service life.

    `service_life` in years; `probability` and `reliability_index` say the same thing;
    `confidence` is the share of the epistemic points that must meet it too, 0 for no demand.
    """

    service_life: float
    probability: float
    reliability_index: float
    confidence: float = 0.0


@dataclass(frozen=True, slots=True)
class Sampling:
    """Sizes of the sample; `points` per repeat is a power of two, `horizon` in years."""

    points: int
    repeats: int
    seed: int
    horizon: float


def read_target(table: TargetTable | None, problems: Problems) -> Target:
    """Read [target]; NaN where there was a problem."""
    if table is None:
        problems.missing(("target",), "write [target] with service_life and probability")
        return Target(math.nan, math.nan, math.nan)
    both = table.probability is not None and table.reliability_index is not None
    limits = ("probability", "reliability_index")
    found = read_keys(
        table,
        ("target",),
        problems,
        skip=limits if both else (),
        readers={"probability": _probability},
    )
    probability, index = math.nan, math.nan
    if both:
        problems.add(
            ("target", "reliability_index"),
            "is given beside probability; give exactly one of them",
            found=table.reliability_index,
        )
    elif table.probability is not None:
        probability = found["probability"]
        index = -float(special.ndtri(probability))
    elif table.reliability_index is not None:
        index = found["reliability_index"]
        probability = float(special.ndtr(-index))
    else:
        problems.missing(("target", "probability"), "or give reliability_index")
    return Target(found["service_life"], probability, index, found["confidence"] or 0.0)


def epistemic_for_confidence(
    target: Target,
    table: TargetTable | None,
    inputs: Iterable[Input],
    *,
    unused: Sequence[Input],
    problems: Problems,
) -> None:
    """Refuse a demanded confidence where no random input that acts is epistemic."""
    idle = {item.name for item in unused}
    acting = [item for item in inputs if item.name not in idle]
    if target.confidence and not any(item.epistemic_share > 0.0 for item in acting):
        problems.add(
            ("target", "confidence"),
            'needs a random input of kind = "knowledge" or with between_walls: without any, '
            "nothing is uncertain that could be counted",
            found=table and table.confidence,
        )


def _probability(raw: object) -> float:
    """Read an allowed probability."""
    rule: Quantity = declared(TargetTable, "probability")
    probability = rule.read(raw, unusual=True)
    if probability <= 0 or probability >= 1:
        raise InputError("", "must be above 0 and below 1")
    low, high = (float(special.ndtr(-end)) for end in reversed(INDEX))
    if not low <= probability <= high:
        raise InputError("", f"must be between {low:.1e} and {high:.4f}")
    return rule.read(raw)


def read_sampling(
    table: SamplingTable, target: Target, given: TargetTable | None, *, problems: Problems
) -> Sampling:
    """Read [sampling] and check that the service life, as `given`, is within its horizon."""
    found = read_keys(table, ("sampling",), problems)
    life, horizon = target.service_life, found["horizon"]
    if horizon is None:
        horizon = USUAL_HORIZON if math.isnan(life) else max(USUAL_HORIZON, life)
    if life > horizon:
        written = f"{horizon:g} yr" if table.horizon is None else str(table.horizon).strip('"')
        problems.add(
            ("target", "service_life"),
            f"must not be beyond sampling.horizon = {written}; raise the horizon",
            found=given and given.service_life,
        )
    return Sampling(found["points"], found["repeats"], found["seed"], horizon)
