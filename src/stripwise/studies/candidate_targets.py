"""Which durability targets an owner may choose among: the stated one, a grid about it, published ones."""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy import special

from stripwise.published import published_value
from stripwise.scenario.model import Scenario

__all__ = [
    "GRID",
    "LONGEST_LIFE",
    "STATED",
    "CandidateTarget",
    "annual_targets",
    "candidate_targets",
]

LIFE_FACTORS = (0.5, 0.75, 1.0, 1.25, 1.5)
"""Service lives of the grid, as shares of the stated one."""

PROBABILITIES = (0.02, 0.05, 0.10, 0.15, 0.20, 0.30)
"""Probabilities of the grid."""

LONGEST_LIFE = 500.0
"""Longest service life that is looked at [yr]."""

STATED, GRID = "the scenario", "for comparison"
"""Sources of a target that no document gives."""

SERVICE_LIFE = math.nan
"""Period of a published target that holds over whatever service life is chosen."""

PUBLISHED = (
    ("fib34.target.reliability_index", "value", SERVICE_LIFE),
    ("duracrete.target.tunnels", "value", 100.0),
    ("en1990.target.irreversible", "fifty_years", 50.0),
    ("iso2394.target.irreversible", "value", SERVICE_LIFE),
)
"""Entry, number and reference period [yr] of the published targets over a life."""

PUBLISHED_PER_YEAR = (
    ("en1990.target.irreversible", "one_year", ""),
    ("jcss.target.irreversible", "high", "high relative cost of safety"),
    ("jcss.target.irreversible", "normal", "normal relative cost of safety"),
    ("jcss.target.irreversible", "low", "low relative cost of safety"),
)
"""Entry, number and class of the published targets per year."""


@dataclass(frozen=True, slots=True)
class CandidateTarget:
    """A target: probability allowed within a service life.

    Attributes
    ----------
    life
        Service life over which it is applied here [yr].
    probability, index
        Allowed probability and its reliability index.
    source
        Document with its mark, or `STATED` or `GRID`.
    period
        Period that the source states it for [yr]; NaN where that is the service life.
    """

    life: float
    probability: float
    index: float
    source: str
    period: float = SERVICE_LIFE

    @property
    def published(self) -> bool:
        """Whether a document gives it."""
        return self.source not in (STATED, GRID)


def candidate_targets(scenario: Scenario) -> tuple[CandidateTarget, ...]:
    """List the targets over a life: the stated one, the grid, then the published ones.

    Lives beyond `LONGEST_LIFE` are left out; published targets are applied over the stated life.
    """
    target = scenario.target
    stated = CandidateTarget(
        target.service_life, target.probability, target.reliability_index, STATED
    )
    grid = []
    for factor in LIFE_FACTORS:
        life = factor * target.service_life
        probabilities = {*PROBABILITIES, target.probability}
        for probability in sorted(probabilities):
            if life <= LONGEST_LIFE and not _same(life, probability, stated):
                index = -float(special.ndtri(probability))
                if probability == target.probability:
                    index = target.reliability_index
                grid.append(CandidateTarget(life, probability, index, GRID))
    published = []
    for key, name, period in PUBLISHED:
        entry = published_value(key)
        index = entry.numbers[name]
        published.append(
            CandidateTarget(
                target.service_life, float(special.ndtr(-index)), index, entry.citation, period
            )
        )
    return (stated, *grid, *published)


def _same(life: float, probability: float, stated: CandidateTarget) -> bool:
    return life == stated.life and math.isclose(probability, stated.probability, rel_tol=1e-6)


def annual_targets() -> tuple[tuple[float, str], ...]:
    """List the published targets per year: reliability index and source."""
    found = []
    for key, name, words in PUBLISHED_PER_YEAR:
        entry = published_value(key)
        found.append(
            (entry.numbers[name], f"{words}: {entry.citation}" if words else entry.citation)
        )
    return tuple(found)
