"""Which durability target to set: what each one asks for, who meets it, what it costs."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from stripwise.risk.model.wall import Wall
from stripwise.risk.probability.nominal_covers import has_cheap_covers
from stripwise.risk.probability.target_roots import ANY, NEVER, TargetRoot
from stripwise.risk.probability.target_rule import index_from_probability
from stripwise.scenario.model import Scenario
from stripwise.studies.candidate_targets import (
    LONGEST_LIFE,
    CandidateTarget,
    annual_targets,
    candidate_targets,
)
from stripwise.studies.case_options import with_options
from stripwise.studies.design.required_cover import cover_status
from stripwise.studies.design.setting import Setting
from stripwise.studies.from_scenario import build_wall, compute_curves
from stripwise.studies.shown_results import Writable, answer_html, short_line
from stripwise.studies.target_answers import (
    Answers,
    find_answers,
    strip_ages_by_target,
    target_covers,
)
from stripwise.studies.target_costs import TargetCosts, find_target_costs
from stripwise.studies.target_sentences import target_verdict, target_warnings
from stripwise.units.result_columns import columns
from stripwise.units.software import software_used

__all__ = ["TargetResult", "target"]

Array = NDArray[np.float64]
Progress = Callable[[str, float], None]

PER_YEAR = "per year: not comparable"
NOT_SOUGHT = "cover and strip age were sought over the stated life alone"
NO_CHOICES = "no [choices]: cover and strip age were not sought"


@dataclass(frozen=True, slots=True)
class TargetResult(Writable):
    """What each target asks of the strategies.

    Attributes
    ----------
    scenario
        The scenario as resolved, its horizon grown to the longest life.
    targets
        The columns of `targets`, a row per target and strategy; the first target is the stated one.
    annual
        The columns of `annual`: the largest conditional annual probability of each strategy.
    costs
        The columns of `target-costs`; None without prices.
    verdict
        Sentences, the most important first.
    warnings
        What the reader must know before using the numbers.
    run
        Versions, seed, sizes and times, for run.json.
    """

    scenario: Scenario
    targets: pd.DataFrame
    annual: pd.DataFrame
    costs: pd.DataFrame | None
    verdict: tuple[str, ...]
    warnings: tuple[str, ...]
    run: dict[str, Any]

    def __repr__(self) -> str:
        """Give the answer in one line."""
        return short_line("TargetResult", self.scenario.title, self.verdict[0])

    def _repr_html_(self) -> str:
        stated = self.targets[self.targets["source"] == self.targets["source"].iloc[0]]
        return answer_html(self.verdict, stated[["strategy", "meets_target", "confidence"]])


def target(
    case: Scenario,
    *,
    points: int | None = None,
    seed: int | None = None,
    workers: int = 2,
    progress: Progress | None = None,
) -> TargetResult:
    """Say what each durability target asks for and which strategies meet it.

    Parameters
    ----------
    case
        A scenario, as `stripwise.load` returns it; [choices] and [cost] are optional.
    points, seed
        Instead of the scenario's: points of a scrambling, a power of two, and the seed.
    workers
        Threads; the results do not depend on it.
    progress
        Called with the name of a stage and the share of it that is done, in [0, 1].

    Returns
    -------
    The `TargetResult`.

    Raises
    ------
    NumericalError
        If an input draws or a probability comes out that is not finite.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/pier-wall-cost.toml")
    >>> "strategy" in stripwise.target(case).targets.columns
    True
    """
    case = with_options(case, points=points, seed=seed)
    report_progress = progress or (lambda _stage, _done: None)
    started = time.perf_counter()
    stages: dict[str, float] = {}

    def end_stage(stage: str) -> None:
        stages[stage] = time.perf_counter() - started - sum(stages.values())
        report_progress(stage, 1.0)

    targets = candidate_targets(case)
    longest = max(one.life for one in targets)
    horizon = min(max(case.sampling.horizon, longest), LONGEST_LIFE)
    scenario = replace(case, sampling=replace(case.sampling, horizon=horizon))
    wall = build_wall(scenario)
    answers = find_answers(scenario, wall, targets, workers=workers)
    end_stage("answers")
    annual = _annual_table(scenario, wall, workers=workers)
    end_stage("annual probability")
    needs, costs = None, None
    if scenario.choices is not None:
        setting = Setting.from_scenario(scenario, workers=workers)
        sought = [one for one in targets if _is_sought(setting, one)]
        covers, strip_ages = target_covers(setting, sought), strip_ages_by_target(setting, sought)
        needs = _Needs(
            setting,
            dict(zip(sought, covers, strict=True)),
            dict(zip(sought, strip_ages, strict=True)),
        )
        end_stage("covers and strip ages")
        costs = find_target_costs(setting, targets)
        end_stage("prices")
    table = _target_table(wall, targets, answers=answers, needs=needs, costs=costs)
    pairs = None if costs is None else costs.pairs
    return TargetResult(
        scenario=scenario,
        targets=table,
        annual=annual,
        costs=pairs,
        verdict=target_verdict(scenario, table, pairs),
        warnings=target_warnings(scenario, table, longest=longest),
        run={
            **software_used(),
            "seed": scenario.sampling.seed,
            "points": scenario.sampling.points,
            "repeats": scenario.sampling.repeats,
            "horizon_yr": horizon,
            "seconds": stages,
        },
    )


def _is_sought(setting: Setting, one: CandidateTarget) -> bool:
    """Whether cover and strip age are sought: over the stated life alone where each costs much."""
    cheap = has_cheap_covers(setting.wall) and not setting.rule.confidence
    return cheap or one.life == setting.life


@dataclass(frozen=True, slots=True)
class _Needs:
    """Roots over nominal cover and strip age, by target and strategy."""

    setting: Setting
    covers: dict[CandidateTarget, tuple[TargetRoot, ...]]
    strip_ages: dict[CandidateTarget, tuple[TargetRoot | None, ...]]

    def cells(self, target: CandidateTarget, strategy: int) -> dict[str, object]:
        """Write the cells of a row."""
        setting = self.setting
        if target not in self.covers:
            return {"drawn_cover_mm": np.nan, "status": NOT_SOUGHT}
        cover = self.covers[target][strategy]
        low, high = float(setting.covers[0]), float(setting.covers[-1])
        status, required = cover.status, cover.value
        if cover.value <= low:
            status, required = ANY, low
        elif cover.value > high + 1e-9:
            status, required = NEVER, np.inf
        return {
            "required_cover_mm": required,
            "drawn_cover_mm": setting.drawn_cover(cover),
            **self._strip_cells(self.strip_ages[target][strategy]),
            "status": cover_status(status),
        }

    def _strip_cells(self, strip: TargetRoot | None) -> dict[str, object]:
        if strip is None:
            return {"earliest_strip_age_h": np.nan, "site_strip_age_h": np.nan}
        first = self.setting.choices.strip_age[0]
        return {
            "earliest_strip_age_h": first if strip.status == ANY else strip.value,
            "site_strip_age_h": self.setting.buildable_hours(strip),
        }


def _target_table(
    wall: Wall,
    targets: Sequence[CandidateTarget],
    *,
    answers: Answers,
    needs: _Needs | None,
    costs: TargetCosts | None,
) -> pd.DataFrame:
    rows: list[dict[str, object]] = []
    for place, one in enumerate(targets):
        for s, plan in enumerate(wall.plans):
            decision = answers.decisions[place][s]
            row: dict[str, object] = {
                "service_life_yr": one.life,
                "allowed_probability": one.probability,
                "reliability_index": one.index,
                "source": one.source,
                "source_period_yr": one.period,
                "strategy": plan.name,
                "probability": float(answers.probability[place, s]),
                "meets_target": decision.meets_target,
                "confidence": decision.confidence,
                "status": NO_CHOICES,
            }
            if needs is not None:
                row |= needs.cells(one, s)
            if costs is not None:
                first, expected = costs.at(s, float(row["drawn_cover_mm"]))  # type: ignore[arg-type]
                row |= {"first_cost": first, "cost": expected}
            rows.append(row)
    for index, source in annual_targets():
        rows.append(
            {
                "reliability_index": index,
                "allowed_probability": float(special.ndtr(-index)),
                "source": source,
                "source_period_yr": 1.0,
                "strategy": "",
                "meets_target": "",
                "status": PER_YEAR,
            }
        )
    return pd.DataFrame(rows).reindex(columns=columns("targets"))


def _annual_table(scenario: Scenario, wall: Wall, *, workers: int) -> pd.DataFrame:
    """Tabulate the largest probability within a year, given none before, over the stated life.

    h(i) = (P(i) - P(i - 1)) / (1 - P(i - 1)) with P(0) = 0, i = 1 to the life.
    """
    curves = compute_curves(wall, scenario, workers=workers, progress=None, band=False)
    years = np.arange(1.0, max(np.floor(scenario.target.service_life), 1.0) + 1.0)
    p = special.ndtr(-curves.mean.at(years))
    hazard = annual_probability(p)
    worst = np.argmax(hazard, axis=1)
    largest = hazard[np.arange(len(worst)), worst]
    return pd.DataFrame(
        {
            "strategy": [plan.name for plan in wall.plans],
            "age_yr": years[worst],
            "probability": largest,
            "reliability_index": index_from_probability(largest),
        }
    ).reindex(columns=columns("annual"))


def annual_probability(p: Array) -> Array:
    """Conditional probability within each year from P (..., y) at the ends of the years.

    Examples
    --------
    >>> annual_probability(np.array([0.1, 0.19, 0.271])).round(3)
    array([0.1, 0.1, 0.1])
    """
    before = np.concatenate([np.zeros((*p.shape[:-1], 1)), p[..., :-1]], axis=-1)
    with np.errstate(invalid="ignore", divide="ignore"):
        rate = (p - before) / (1.0 - before)
    return np.where(before < 1.0, np.clip(rate, 0.0, 1.0), 0.0)
