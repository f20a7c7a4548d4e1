"""What a design returns: tables as DataFrames, the sentences, the map."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from stripwise.scenario.model import Scenario
from stripwise.studies.design.chosen_pair import ChosenPair
from stripwise.studies.design.explore_tables import ExploreTables
from stripwise.studies.results import ReliabilityMap
from stripwise.studies.shown_results import Writable, answer_html, as_dataset, short_line

__all__ = ["DesignResult"]


@dataclass(frozen=True, slots=True)
class DesignResult(Writable):
    """Cover and strip age together, and what they cost.

    Attributes
    ----------
    scenario
        The scenario as resolved.
    design
        One row per design point: nominal cover, strip age, follow-up, probability at the target
        life with its sampling interval, reliability index, expected present cost per m2 (NaN
        without prices).
    required
        Nominal cover that each strategy needs, exact and as a drawing holds it, with both
        intervals; inf where no cover of the range meets the target.
    earliest
        Earliest strip age by follow-up and nominal cover; inf where none in the range does.
    exchange
        What hours, millimetres, scatter and money are worth in terms of each other.
    rules
        Margin in mm on a hand calculation at mean values, per strategy, run back.
    strip_ages
        Earliest strip age by concrete temperature, nominal cover and follow-up, for the site.
    references
        Durations of standards: name, meaning, hours, source.
    cost, pareto, choice
        Prices of strategies and design points, first cost against probability, where the choice
        turns; None without a [cost] section.
    reliability_map
        The map for the figures.
    verdict
        Sentences, the most important first.
    warnings
        What the reader must know before using the numbers.
    run
        Versions, seed, sizes and times, for run.json.
    chosen
        Pairs that were asked for, worked through.
    explore
        Tables of the page to try pairs on; None where it was not asked for or cannot be made.
    explore_refusal
        Why it cannot be made; empty otherwise.
    """

    scenario: Scenario
    design: pd.DataFrame
    required: pd.DataFrame
    earliest: pd.DataFrame
    exchange: pd.DataFrame
    rules: pd.DataFrame
    strip_ages: pd.DataFrame
    references: pd.DataFrame
    cost: pd.DataFrame | None
    pareto: pd.DataFrame | None
    choice: pd.DataFrame | None
    reliability_map: ReliabilityMap
    verdict: tuple[str, ...]
    warnings: tuple[str, ...]
    run: dict[str, Any]
    chosen: tuple[ChosenPair, ...] = ()
    explore: ExploreTables | None = None
    explore_refusal: str = ""

    def __repr__(self) -> str:
        """Give the answer in one line."""
        return short_line("DesignResult", self.scenario.title, self.verdict[0])

    def _repr_html_(self) -> str:
        return answer_html(self.verdict, self.required)

    def to_xarray(self) -> Any:
        """Return the map as an xarray Dataset over cover, strip age and follow-up.

        Examples
        --------
        >>> import stripwise
        >>> case = stripwise.load("scenarios/pier-wall-cost.toml")
        >>> sorted(map(str, stripwise.design(case).to_xarray().sizes))
        ['follow_up', 'nominal_cover_mm', 'strip_age_h']
        """
        return as_dataset(self.design, ("nominal_cover_mm", "strip_age_h", "follow_up"))

    def with_sentences(self, verdict: tuple[str, ...], warnings: tuple[str, ...]) -> DesignResult:
        """Return the same results with their sentences."""
        return replace(self, verdict=verdict, warnings=warnings)
