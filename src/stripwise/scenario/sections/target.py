"""The [target] and [sampling] sections."""

from __future__ import annotations

import math

from scipy import special

from stripwise.scenario.model import Sampling, Target
from stripwise.scenario.problems import Problems
from stripwise.scenario.schema import SamplingPart, TargetPart
from stripwise.units.quantities import NUMBER, TIME

__all__ = ["HORIZON_LIMIT", "read_sampling", "read_target"]

POINTS = (2**6, 2**22)
REPEATS = (8, 64)
INDEX = (-3.0, 8.0)
"""Reliability index of the target: lowest and highest."""

HORIZON_LIMIT = 500.0
"""Longest horizon [yr]."""

USUAL_HORIZON = 120.0
"""Horizon [yr] unless the file gives one or the service life is longer."""


def read_target(part: TargetPart | None, problems: Problems) -> Target:
    """Read [target].

    Parameters
    ----------
    part
        The section; None where the file has none.
    problems
        Where to note.

    Returns
    -------
    The `Target`, with NaN where there was a problem.
    """
    life = _service_life(part, problems)
    probability, index = _limit(part, problems)
    return Target(life, probability, index)


def read_sampling(part: SamplingPart, target: Target, *, problems: Problems) -> Sampling:
    """Read [sampling] and check that the service life is within its horizon.

    Parameters
    ----------
    part
        The section.
    target
        Target of the scenario.
    problems
        Where to note.

    Returns
    -------
    The `Sampling`, with NaN where there was a problem.
    """
    low, high = POINTS
    if not low <= part.points <= high or part.points & (part.points - 1):
        problems.add(
            ("sampling", "points"),
            f"must be a power of two between {low} and {high}, such as 16384",
            found=part.points,
        )
    if not REPEATS[0] <= part.repeats <= REPEATS[1]:
        problems.add(
            ("sampling", "repeats"),
            f"must be between {REPEATS[0]} and {REPEATS[1]}",
            found=part.repeats,
        )
    if not 0 <= part.seed < 2**63:
        problems.add(("sampling", "seed"), "must be at least 0 and below 2^63", found=part.seed)
    life = target.service_life
    horizon = USUAL_HORIZON if math.isnan(life) else max(USUAL_HORIZON, life)
    if part.horizon is not None:
        horizon = problems.quantity(
            part.horizon,
            ("sampling", "horizon"),
            kind=TIME,
            to="year",
            low=(1.0, "1 yr"),
            high=(HORIZON_LIMIT, f"{HORIZON_LIMIT:g} yr"),
        )
    if life > horizon:
        problems.add(
            ("target", "service_life"),
            f"must not be beyond sampling.horizon = {horizon:g} yr; raise the horizon",
            found=f"{life:g} yr",
        )
    return Sampling(part.points, part.repeats, part.seed, horizon)


def _service_life(part: TargetPart | None, problems: Problems) -> float:
    path = ("target", "service_life")
    if part is None:
        problems.missing(("target",), "write [target] with service_life and probability")
        return math.nan
    if part.service_life is None:
        problems.missing(path, 'such as "75 yr"')
        return math.nan
    return problems.quantity(
        part.service_life,
        path,
        kind=TIME,
        to="year",
        low=(1.0, "1 yr"),
        high=(HORIZON_LIMIT, f"{HORIZON_LIMIT:g} yr"),
    )


def _limit(part: TargetPart | None, problems: Problems) -> tuple[float, float]:
    """Return probability and reliability index of the target."""
    if part is None:
        return math.nan, math.nan
    if part.probability is not None and part.reliability_index is not None:
        problems.add(
            ("target", "reliability_index"),
            "is given beside probability; give exactly one of them",
            found=part.reliability_index,
        )
        return math.nan, math.nan
    if part.probability is not None:
        path = ("target", "probability")
        value = problems.quantity(part.probability, path, kind=NUMBER, to="")
        if value <= 0 or value >= 1:
            problems.add(path, "must be above 0 and below 1", found=part.probability)
            return math.nan, math.nan
        index = -float(special.ndtri(value))
        if index < INDEX[0] or index > INDEX[1]:
            low, high = (float(special.ndtr(-end)) for end in reversed(INDEX))
            problems.add(path, f"must be between {low:.1e} and {high:.4f}", found=part.probability)
        return value, index
    if part.reliability_index is not None:
        path = ("target", "reliability_index")
        index = problems.quantity(
            part.reliability_index,
            path,
            kind=NUMBER,
            to="",
            low=(INDEX[0], f"{INDEX[0]:g}"),
            high=(INDEX[1], f"{INDEX[1]:g}"),
        )
        return float(special.ndtr(-index)), index
    problems.missing(("target", "probability"), "or give reliability_index")
    return math.nan, math.nan
