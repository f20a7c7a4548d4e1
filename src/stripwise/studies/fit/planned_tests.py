"""How many tests of each kind would show which curing a face had."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.distributions.distribution import Distribution
from stripwise.errors import InputError
from stripwise.evidence.cover_survey import CoverSurvey
from stripwise.evidence.sample_sizes import (
    CoreScatter,
    approximate_size_for_ratio,
    approximate_size_for_share,
    estimate_core_scatter,
    log_sd,
    mean_power,
    ratio_power,
    sample_size_for_mean,
    sample_size_for_ratio,
    sample_size_for_share,
)
from stripwise.evidence.tables.data_file import DataFile
from stripwise.published.library import constant
from stripwise.risk.model.wall import COVER, DIFFUSIVITY
from stripwise.scenario.model import Scenario
from stripwise.studies.from_scenario import mean_penalties
from stripwise.studies.shown_results import Reported
from stripwise.units.names import nearest_spelling
from stripwise.units.source_files import SourceFile

__all__ = [
    "CORE_TEST",
    "COVER_MEAN_TEST",
    "COVER_SHARE_TEST",
    "MIGRATION_TEST",
    "DetectionTargets",
    "PlannedTests",
    "plan_tests",
]

CORE_TEST = "cores with profiles"
MIGRATION_TEST = "migration tests at 28 d"
COVER_MEAN_TEST = "covermeter, mean"
COVER_SHARE_TEST = "covermeter, share"

MIN_SIGNIFICANCE = 1e-6
MAX_POWER = 0.9999

MIN_TESTS_SHOWN, MAX_TESTS_SHOWN = 8, 60
"""Fewest and most tests on each face for which the power is worked out."""


@dataclass(frozen=True, slots=True)
class DetectionTargets:
    """What the tests are to show, and with which chance.

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
        if not MIN_SIGNIFICANCE <= self.significance < 0.5:
            raise InputError(
                "--significance",
                f"{self.significance:g} must be at least {MIN_SIGNIFICANCE:g} and below 0.5",
            )
        if not self.significance < self.power <= MAX_POWER:
            raise InputError(
                "--power",
                f"{self.power:g} must be above the significance of {self.significance:g} and at "
                f"most {MAX_POWER:g}",
            )
        if not 0.0 < self.allowed < 1.0:
            raise InputError("--allowed", f"{self.allowed:g} must be above 0 and below 1")


@dataclass(frozen=True, slots=True, repr=False)
class PlannedTests(Reported):
    """How many tests of each kind are needed.

    Attributes
    ----------
    scenario
        The scenario that assumes the penalties.
    targets
        What the tests are to show.
    strategy
        The strategy whose penalty is to be shown.
    ratio
        Ratio of its diffusivity to that of the reference strategy.
    core_scatter
        Scatter of ln D between fitted cores; None without them.
    survey
        A cover survey; None without one.
    share_as_specified
        Share below the limit by the specified cover; NaN without a limit.
    table
        A row per test: what it shows, its scatter [sd of ln D, or mm] and where that comes from,
        the number needed (per face for diffusivities; inf if none does it), by the normal formula,
        at hand, missing, and the power of those at hand.
    sources
        Files of the cores and of the survey.
    numbers, power
        (k,) tests on each face, and (q, k) the power of each of the q diffusivity tests.
    """

    scenario: Scenario
    targets: DetectionTargets
    strategy: str
    ratio: float
    core_scatter: CoreScatter | None
    survey: CoverSurvey | None
    share_as_specified: float
    table: pd.DataFrame
    sources: tuple[SourceFile, ...]
    numbers: NDArray[np.intp]
    power: NDArray[np.float64]

    @property
    def title(self) -> str:
        """Name of the data or of the scenario."""
        return self.scenario.title

    @property
    def shown(self) -> pd.DataFrame:
        """The table for a notebook."""
        return self.table


def plan_tests(
    scenario: Scenario,
    *,
    strategy: str | None = None,
    targets: DetectionTargets | None = None,
    specimens: DataFile | None = None,
    survey: CoverSurvey | None = None,
) -> PlannedTests:
    """Plan the tests that tell the reference curing from a strategy's assumed penalty.

    Parameters
    ----------
    scenario
        The scenario; its distributions stand in where there are no data.
    strategy
        The strategy whose curing is uncertain; the one with the highest penalty unless given.
    targets
        What the tests are to show; the usual ones unless given.
    specimens
        Fitted diffusivities of cores, for their scatter.
    survey
        A cover survey, for its scatter and the correlation of its readings.

    Raises
    ------
    InputError
        If the strategy is unknown or the reference one, or there is no scatter.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/garage-wall.toml")
    >>> "covermeter, mean" in stripwise.plan_tests(case).table["test"].tolist()
    True
    """
    targets = DetectionTargets() if targets is None else targets
    penalties = mean_penalties(scenario)
    compared = _compared_strategy(scenario, strategy, penalties)
    ratio = penalties[compared] / penalties[scenario.reference_strategy]
    if abs(math.log(ratio)) < 1e-9:
        raise InputError(
            "--strategy", f"{compared!r} has the penalty of the reference; no test tells them apart"
        )
    cores = (
        None
        if specimens is None
        else estimate_core_scatter(
            specimens.data.rename(columns={"diffusivity_m2_s": "diffusivity"})
        )
    )
    cover = _distribution(scenario, COVER)
    share = math.nan if cover is None or targets.limit is None else float(cover.cdf(targets.limit))
    diffusivity_rows = _diffusivity_rows(scenario, compared, ratio, cores, targets)
    rows = [*diffusivity_rows, *_cover_rows(cover, share, survey, targets)]
    numbers, power = _power_curves(diffusivity_rows, ratio, targets.significance)
    return PlannedTests(
        scenario,
        targets,
        compared,
        ratio,
        cores,
        survey,
        share,
        pd.DataFrame(rows),
        tuple(file for read in (specimens, survey) if read is not None for file in read.sources),
        numbers,
        power,
    )


def _compared_strategy(scenario: Scenario, name: str | None, penalties: dict[str, float]) -> str:
    others = [n for n in penalties if n != scenario.reference_strategy]
    if not others:
        raise InputError("strategy", "the scenario has only the reference; there is no other")
    if name is None:
        return max(others, key=lambda n: penalties[n])
    if name not in others:
        rule = "is the reference itself" if name in penalties else "is no strategy of the scenario"
        raise InputError(
            "--strategy",
            f"{name[:80]!r} {rule}; use one of {', '.join(others)}"
            + nearest_spelling(name, others),
        )
    return name


def _diffusivity_rows(
    scenario: Scenario,
    strategy: str,
    ratio: float,
    cores: CoreScatter | None,
    targets: DetectionTargets,
) -> list[dict[str, Any]]:
    diffusivity = _distribution(scenario, DIFFUSIVITY)
    from_scenario = diffusivity is not None and not diffusivity.is_fixed
    cov = (
        diffusivity.sd / diffusivity.mean
        if diffusivity is not None and from_scenario
        else constant("fib34.chloride.migration_cov")
    )
    source = "the scenario" if from_scenario else "published, recalled"
    repeatability = constant("nt492.repeatability_cov")
    migration = math.hypot(log_sd(cov), log_sd(repeatability))
    kinds = [(MIGRATION_TEST, migration, f"{source}, with the test's repeatability", (0, 0))]
    if cores is not None:
        counts = cores.core_counts
        have = counts.get(strategy, 0), counts.get(scenario.reference_strategy, 0)
        source = f"fit, {cores.degrees_of_freedom} degrees"
        kinds.insert(0, (CORE_TEST, cores.total_sd, source, have))
    rows = []
    for test, sd, origin, (own, reference) in kinds:
        needed = sample_size_for_ratio(
            ratio, sd, power=targets.power, significance=targets.significance
        )
        power_now = math.nan
        if min(own, reference) > 0 and own + reference > 2:
            power_now = ratio_power(
                ratio, sd, tests=own, reference_tests=reference, significance=targets.significance
            )
        approximate = approximate_size_for_ratio(
            ratio, sd, power=targets.power, significance=targets.significance
        )
        rows.append(
            _row(
                test,
                "diffusivity",
                scatter=sd,
                scatter_from=origin,
                needed=needed,
                approximate=approximate,
                have=min(own, reference),
                power_now=power_now,
            )
        )
    return rows


def _cover_rows(
    cover: Distribution | None, share: float, survey: CoverSurvey | None, targets: DetectionTargets
) -> list[dict[str, Any]]:
    sd = survey.sd.value if survey is not None else (cover.sd if cover is not None else 0.0)
    if sd <= 0 or cover is None:
        return []
    origin = "survey" if survey is not None else "the scenario"
    have = len(survey.data) if survey is not None else 0
    readings_per_independent = 1.0 if survey is None else have / survey.effective_sample_size
    effective = 0.0 if survey is None else survey.effective_sample_size
    number = sample_size_for_mean(
        targets.shift, sd, power=targets.power, significance=targets.significance
    )
    power_now = math.nan
    if effective >= 2:
        power_now = mean_power(
            targets.shift, sd, number=int(effective), significance=targets.significance
        )
    rows = [
        _row(
            COVER_MEAN_TEST,
            "cover",
            scatter=sd,
            scatter_from=origin,
            needed=None if number is None else math.ceil(number * readings_per_independent),
            have=have,
            power_now=power_now,
        )
    ]
    if targets.limit is not None:
        plan, approximate = None, math.nan
        if share < targets.allowed:
            plan = sample_size_for_share(
                targets.allowed, share, power=targets.power, significance=targets.significance
            )
            approximate = readings_per_independent * approximate_size_for_share(
                targets.allowed, share, power=targets.power, significance=targets.significance
            )
        rows.append(
            _row(
                COVER_SHARE_TEST,
                "cover",
                scatter=sd,
                scatter_from=origin,
                needed=None if plan is None else math.ceil(plan[0] * readings_per_independent),
                approximate=approximate,
                have=have,
            )
        )
    return rows


def _row(
    test: str,
    shows: str,
    *,
    scatter: float,
    scatter_from: str,
    needed: int | None,
    have: int,
    approximate: float = math.nan,
    power_now: float = math.nan,
) -> dict[str, Any]:
    count = math.inf if needed is None else float(needed)
    return {
        "test": test,
        "shows": shows,
        "scatter": scatter,
        "scatter_from": scatter_from,
        "needed": count,
        "needed_normal_formula": approximate,
        "have": have,
        "more": max(count - have, 0.0),
        "power_now": power_now,
    }


def _power_curves(
    rows: list[dict[str, Any]], ratio: float, significance: float
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Return the tests on each face (k,) and the power of every diffusivity test (q, k)."""
    needed = [row["needed"] for row in rows if np.isfinite(row["needed"])]
    most = int(
        np.clip(1.6 * max(needed, default=MAX_TESTS_SHOWN), MIN_TESTS_SHOWN, MAX_TESTS_SHOWN)
    )
    numbers = np.arange(2, most + 1)
    power = [
        [
            ratio_power(
                ratio,
                row["scatter"],
                tests=int(n),
                reference_tests=int(n),
                significance=significance,
            )
            for n in numbers
        ]
        for row in rows
    ]
    return numbers, np.array(power)


def _distribution(scenario: Scenario, name: str) -> Distribution | None:
    return next((item.distribution for item in scenario.inputs if item.name == name), None)
