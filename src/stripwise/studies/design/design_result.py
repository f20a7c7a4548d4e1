"""What a design returns: tables as DataFrames, the sentences, the map."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from stripwise.scenario.model import Scenario
from stripwise.studies.results import ReliabilityMap

__all__ = [
    "CHOICE_COLUMNS",
    "COST_COLUMNS",
    "DESIGN_COLUMNS",
    "EARLIEST_COLUMNS",
    "EXCHANGE_COLUMNS",
    "PARETO_COLUMNS",
    "REQUIRED_COLUMNS",
    "RULE_COLUMNS",
    "SITE_COLUMNS",
    "DesignResult",
]

DESIGN_COLUMNS = [
    "cover_mm",
    "strip_age_h",
    "follow_up",
    "probability",
    "low95",
    "high95",
    "reliability_index",
    "cost",
]
REQUIRED_COLUMNS = [
    "strategy",
    "required_cover_mm",
    "low95",
    "high95",
    "drawn_cover_mm",
    "status",
]
"""Columns of required.csv; the table itself has know_low and know_high after them."""

EARLIEST_COLUMNS = [
    "follow_up",
    "cover_mm",
    "earliest_strip_age_h",
    "low95",
    "high95",
    "know_low",
    "know_high",
    "status",
]
EXCHANGE_COLUMNS = [
    "question",
    "place",
    "follow_up",
    "cover_mm",
    "strip_age_h",
    "value",
    "low95",
    "high95",
    "know_low",
    "know_high",
    "unit",
    "status",
]
RULE_COLUMNS = [
    "strategy",
    "hand_penalty",
    "hand_front_mm",
    "margin_mm",
    "low95",
    "high95",
    "know_low",
    "know_high",
    "rule_margin_mm",
    "rule_cover_mm",
    "checked_probability",
    "checked_error",
    "allowed_probability",
    "status",
]
SITE_COLUMNS = [
    "temperature_degC",
    "cover_mm",
    "follow_up",
    "earliest_strip_age_h",
    "low95",
    "high95",
    "site_strip_age_h",
    "status",
]
COST_COLUMNS = [
    "option",
    "kind",
    "follow_up",
    "cover_mm",
    "strip_age_h",
    "probability",
    "reliability_index",
    "met_on_average",
    "forms",
    "follow_up_curing",
    "cover",
    "first_cost",
    "repair",
    "cost",
    "low95",
    "high95",
    "know_low",
    "know_high",
    "currency",
]
PARETO_COLUMNS = [
    "kind",
    "option",
    "follow_up",
    "cover_mm",
    "strip_age_h",
    "first_cost",
    "probability",
    "dominated",
]
CHOICE_COLUMNS = [
    "parameter",
    "unit",
    "value",
    "choice",
    "changes_below",
    "choice_below",
    "changes_above",
    "choice_above",
    "looked_from",
    "looked_to",
]


@dataclass(frozen=True, slots=True)
class DesignResult:
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
        The map for the figures; its cover is the mean cover.
    verdict
        Sentences, the most important first.
    warnings
        What the reader must know before using the numbers.
    run
        Versions, seed, sizes and times, for run.json.
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

    def with_sentences(self, verdict: tuple[str, ...], warnings: tuple[str, ...]) -> DesignResult:
        """Return the same results with their sentences."""
        return replace(self, verdict=verdict, warnings=warnings)
