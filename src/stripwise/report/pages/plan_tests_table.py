"""What each kind of test needs to show a difference, a row per test."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pandas as pd

from stripwise.distributions.distribution import Distribution
from stripwise.errors import InputError
from stripwise.evidence.cover_survey import CoverSurvey
from stripwise.evidence.sample_sizes import (
    CoreScatter,
    log_sd,
    mean_power,
    number_for_mean,
    number_for_ratio,
    number_for_share,
    ratio_power,
    share_size_normal,
    two_sample_size_normal,
)
from stripwise.published.library import constant
from stripwise.report import formatting
from stripwise.risk.model.wall import COVER, DIFFUSIVITY
from stripwise.scenario.model import Scenario

__all__ = ["PlanOptions", "plan_table"]

COLUMNS = [
    "test",
    "shows",
    "effect",
    "scatter",
    "scatter_from",
    "needed",
    "needed_normal_formula",
    "have",
    "more",
    "power_now",
]
LEAST_SIGNIFICANCE = 1e-6
MOST_POWER = 0.9999


@dataclass(frozen=True, slots=True)
class PlanOptions:
    """What the plan is to reach.

    Attributes
    ----------
    power
        Probability that the tests show the difference if it is there.
    significance
        Probability that they show one that is not there, one-sided.
    shift
        Deviation of the mean cover that must be seen [mm].
    limit
        Limit of the cover [mm]; None for no test of a share.
    allowed
        Share below the limit that must not be reached.
    """

    power: float = 0.8
    significance: float = 0.05
    shift: float = 5.0
    limit: float | None = None
    allowed: float = 0.05

    def __post_init__(self) -> None:
        """Refuse what no plan can reach.

        Raises
        ------
        InputError
            If a probability or a share is out of its range.
        """
        if not LEAST_SIGNIFICANCE <= self.significance < 0.5:
            raise InputError(
                "--significance",
                f"{self.significance:g} must be at least {LEAST_SIGNIFICANCE:g} and below 0.5",
            )
        if not self.significance < self.power <= MOST_POWER:
            raise InputError(
                "--power",
                f"{self.power:g} must be above the significance of {self.significance:g} and at "
                f"most {MOST_POWER:g}",
            )
        if not 0.0 < self.allowed < 1.0:
            raise InputError("--allowed", f"{self.allowed:g} must be above 0 and below 1")


def plan_table(
    scenario: Scenario,
    *,
    doubted: str,
    ratio: float,
    options: PlanOptions,
    cores: CoreScatter | None = None,
    survey: CoverSurvey | None = None,
) -> pd.DataFrame:
    """Work out how many tests of each kind are needed.

    Parameters
    ----------
    scenario
        The scenario; its distributions stand in where there are no data.
    doubted
        The strategy in doubt.
    ratio
        Ratio of its diffusivity to that of the reference strategy.
    options
        What the plan is to reach.
    cores
        Scatter of fitted cores.
    survey
        A cover survey.

    Returns
    -------
    A row per test: what it shows, its scatter [sd of ln D, or mm] and where that comes from, the
    number needed (per face for diffusivities; inf if none does it), by the normal formula, at
    hand, missing, and the power of those at hand.
    """
    rows = [
        *_diffusivity_rows(scenario, doubted, ratio, cores, options),
        *_cover_rows(scenario, survey, options),
    ]
    return pd.DataFrame(rows, columns=COLUMNS)


def _diffusivity_rows(
    scenario: Scenario, doubted: str, ratio: float, cores: CoreScatter | None, options: PlanOptions
) -> list[dict[str, object]]:
    law = _law(scenario, DIFFUSIVITY)
    own_cov = law is not None and not law.is_fixed
    cov = (
        law.sd / law.mean
        if law is not None and own_cov
        else constant("fib34.chloride.migration_cov")
    )
    source = "the scenario" if own_cov else "published, recalled"
    repeat = constant("nt492.repeatability_cov")
    migration = math.hypot(log_sd(cov), log_sd(repeat))
    kinds = [("migration tests at 28 d", migration, f"{source}, with the test's repeatability")]
    if cores is not None:
        kinds.insert(0, ("cores with profiles", cores.total, f"fit, {cores.freedom} degrees"))
    rows = []
    for test, sd, origin in kinds:
        have = _have(cores, doubted, scenario.reference_strategy) if test[0] == "c" else (0, 0)
        needed = number_for_ratio(ratio, sd, power=options.power, significance=options.significance)
        now = math.nan
        if min(have) > 0 and sum(have) > 2:
            now = ratio_power(
                ratio, sd, own=have[0], reference=have[1], significance=options.significance
            )
        size = two_sample_size_normal(
            ratio, sd, power=options.power, significance=options.significance
        )
        rows.append(
            _row(
                test,
                "diffusivity",
                f"ratio {formatting.number(ratio)}",
                sd,
                origin,
                needed,
                size,
                min(have),
                now,
            )
        )
    return rows


def _have(cores: CoreScatter | None, doubted: str, reference: str) -> tuple[int, int]:
    counts = {} if cores is None else cores.cores
    return counts.get(doubted, 0), counts.get(reference, 0)


def _cover_rows(
    scenario: Scenario, survey: CoverSurvey | None, options: PlanOptions
) -> list[dict[str, object]]:
    law = _law(scenario, COVER)
    sd = survey.sd.value if survey is not None else (law.sd if law is not None else 0.0)
    if sd <= 0 or law is None:
        return []
    origin = "survey" if survey is not None else "the scenario"
    have = len(survey.data) if survey is not None else 0
    repeat = 1.0 if survey is None else have / survey.effective
    effective = 0.0 if survey is None else survey.effective
    number = number_for_mean(
        options.shift, sd, power=options.power, significance=options.significance
    )
    now = math.nan
    if effective >= 2:
        now = mean_power(
            options.shift, sd, number=int(effective), significance=options.significance
        )
    lack = formatting.length(options.shift, units=scenario.units)
    rows = [
        _row(
            "covermeter, mean",
            "cover",
            f"{lack} too little",
            sd,
            origin,
            None if number is None else math.ceil(number * repeat),
            math.nan,
            have,
            now,
        )
    ]
    if options.limit is not None:
        expected = float(law.cdf(options.limit))
        limit = formatting.length(options.limit, units=scenario.units)
        effect = (
            f"below {formatting.percent(options.allowed)} under {limit} "
            f"({formatting.percent(expected)} as specified)"
        )
        plan, size = None, math.nan
        if expected < options.allowed:
            plan = number_for_share(
                options.allowed, expected, power=options.power, significance=options.significance
            )
            size = repeat * share_size_normal(
                options.allowed, expected, power=options.power, significance=options.significance
            )
        else:
            effect += ": not to be shown, since the specified cover does not reach it"
        count = None if plan is None else math.ceil(plan[0] * repeat)
        rows.append(
            _row("covermeter, share", "cover", effect, sd, origin, count, size, have, math.nan)
        )
    return rows


def _row(  # noqa: PLR0917
    test: str,
    shows: str,
    effect: str,
    scatter: float,
    origin: str,
    needed: int | None,
    formula: float,
    have: int,
    now: float,
) -> dict[str, object]:
    count = math.inf if needed is None else float(needed)
    return dict(
        zip(
            COLUMNS,
            (
                test,
                shows,
                effect,
                scatter,
                origin,
                count,
                formula,
                have,
                max(count - have, 0.0),
                now,
            ),
            strict=True,
        )
    )


def _law(scenario: Scenario, name: str) -> Distribution | None:
    return next((item.distribution for item in scenario.inputs if item.name == name), None)
