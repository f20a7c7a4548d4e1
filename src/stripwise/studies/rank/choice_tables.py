"""What each open choice does to the outcome: shares of variance, and options one by one.

Axes: m repeats or epistemic points, a ages, q choices.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.risk.model.wall import Plan, Wall
from stripwise.risk.probability.intervals import RANGE_ENDS, plain_interval, point_quantile
from stripwise.risk.probability.nominal_covers import (
    SamplingOptions,
    probability_by_epistemic_point,
    probability_by_repeat,
)
from stripwise.risk.probability.reliability_index import reliability_index
from stripwise.risk.sensitivity.anova import Anova, anova
from stripwise.scenario.model import Scenario
from stripwise.scenario.sections.follow_up_table import same_cure
from stripwise.studies.from_scenario import build_plan
from stripwise.studies.rank.factorial import (
    Choice,
    FactorialDesign,
    FactorialSize,
    clipped_index,
    leading_choice,
    outcomes,
    with_choice,
)
from stripwise.studies.rank.target_lives import target_lives
from stripwise.studies.result_tables import choice_rows
from stripwise.units.result_columns import columns

__all__ = ["INDEX", "LOG_LIFE", "PROBABILITY", "ChoiceTables", "choice_tables"]

Array = NDArray[np.float64]

INDEX, PROBABILITY, LOG_LIFE = "reliability index", "probability", "ln of the life"
AGE_COUNT = 14
KNOWLEDGE_POINTS = 512
MAX_REPEATS = 16


@dataclass(frozen=True, slots=True)
class ChoiceTables:
    """What the choices on the table do.

    Attributes
    ----------
    design
        The options.
    indices
        Exact shares of the variance over all combinations: the columns of `sensitivity`; the interval is
        sampling error for "choices", and the epistemic inputs for "choices by epistemic point".
    options
        Each option alone, all else as in the strategy: the columns of `options`.
    top
        Name of the choice with the largest total share of the reliability index, or empty.
    top_share
        Share of the epistemic points (of the repeats, without any) in which it is the largest.
    over_knowledge
        Whether there is an uncertainty range.
    flips
        Whether another choice is the largest when the ranges are halved about their middles.
    clipped
        Share of the combinations whose index was clipped, and whose life lies beyond the horizon.
    combinations
        Number of combinations.
    """

    design: FactorialDesign
    indices: pd.DataFrame
    options: pd.DataFrame
    top: str
    top_share: float
    over_knowledge: bool
    flips: bool
    clipped: tuple[float, float]
    combinations: int


def choice_tables(wall: Wall, scenario: Scenario, plan: Plan, *, workers: int = 2) -> ChoiceTables:
    """Analyse the choices of a scenario; options are changed one by one from the strategy."""
    size, target = FactorialSize.from_wall(wall), scenario.target
    life, horizon = target.service_life, scenario.sampling.horizon
    ages = np.array([life])
    if size.with_lives:
        ages = np.union1d(np.geomspace(min(1.0, 0.5 * life), horizon, AGE_COUNT), ages)
    at = int(np.searchsorted(ages, life))
    seed = scenario.sampling.seed
    repeats = min(scenario.sampling.repeats, MAX_REPEATS)
    sample = SamplingOptions(size.points, repeats, seed, "choices", workers)
    epistemic_sample = SamplingOptions(KNOWLEDGE_POINTS, 1, seed, "choices", workers)
    design = FactorialDesign.from_scenario(wall, scenario, nodes=size.nodes)
    weights = design.weights
    p = outcomes(design, ages, sample=sample)
    assert p is not None
    known = outcomes(design, ages, sample=epistemic_sample, epistemic=True)

    def measures(values: Array) -> dict[str, Array]:
        whole = values[:, at]
        outcome_values = {INDEX: clipped_index(whole), PROBABILITY: whole}
        if size.with_lives:
            outcome_values[LOG_LIFE] = np.log(
                target_lives(values, ages, target=target.reliability_index, horizon=horizon)
            )
        return outcome_values

    sampled = {name: anova(y, weights) for name, y in measures(p).items()}
    epistemic = {} if known is None else {n: anova(y, weights) for n, y in measures(known).items()}
    rows: list[dict[str, object]] = []
    for variances in (sampled, epistemic):
        rows += choice_rows(
            design.names,
            variances,
            ages={INDEX: life, PROBABILITY: life, LOG_LIFE: np.nan},
            epistemic=variances is epistemic,
            higher_order=True,
        )
    half = FactorialDesign.from_scenario(wall, scenario, nodes=size.nodes, shrink=0.5)
    narrow = outcomes(half, ages[at : at + 1], sample=sample)
    assert narrow is not None
    inner = anova(clipped_index(narrow[:, 0]), weights)
    top = leading_choice(sampled[INDEX])
    deciding = (epistemic or sampled)[INDEX].total
    whole = p[:, at]
    is_clipped = reliability_index(whole, 1.0 - whole) != clipped_index(whole)
    is_late = _never_reached(p, target.reliability_index)
    return ChoiceTables(
        design=design,
        indices=pd.DataFrame(rows).reindex(columns=columns("sensitivity")),
        options=_option_table(
            wall,
            scenario,
            plan,
            design,
            ages,
            sample=sample,
            epistemic_sample=epistemic_sample,
            mean=sampled[PROBABILITY],
        ),
        top=design.names[top] if top >= 0 else "",
        top_share=float(
            np.mean(np.where(np.isfinite(deciding).all(axis=1), deciding.argmax(axis=1), -1) == top)
        ),
        over_knowledge=bool(epistemic),
        flips=leading_choice(inner) != top,
        clipped=(
            _share(is_clipped, weights),
            _share(is_late, weights) if size.with_lives else 0.0,
        ),
        combinations=int(np.prod([len(w) for w in weights])),
    )


def _share(flags: Array, weights: list[Array]) -> float:
    """Return the weighted share of combinations that are marked."""
    return float(anova(flags.astype(float), weights).mean.mean())


def _never_reached(p: Array, target: float) -> Array:
    """Whether the target is not reached at the last age."""
    return np.asarray(reliability_index(p[:, -1], 1.0 - p[:, -1]) > target)


@dataclass(frozen=True, slots=True)
class _SingleChange:
    """One option put in place of the strategy's own: where its probability stands."""

    choice: str
    option: str
    value: float
    planned: bool
    wall: Wall
    plan: Plan
    cover: float


def _option_table(
    wall: Wall,
    scenario: Scenario,
    plan: Plan,
    design: FactorialDesign,
    ages: Array,
    *,
    sample: SamplingOptions,
    epistemic_sample: SamplingOptions,
    mean: Anova,
) -> pd.DataFrame:
    target, horizon = scenario.target, scenario.sampling.horizon
    life = target.service_life
    at = int(np.searchsorted(ages, life))
    changes = list(_single_changes(wall, scenario, plan, design))
    rows = []
    for change in changes:
        one = change.wall.with_plans((change.plan,))
        cover = np.array([change.cover])
        p = probability_by_repeat(one, cover, ages, sample=sample)[:, 0, :, 0]
        known = probability_by_epistemic_point(
            one, cover, ages[at : at + 1], sample=epistemic_sample
        )
        found = plain_interval(p[:, at], points=sample.points)
        middle = float(found.mean)
        band = (np.nan, np.nan)
        if known is not None:
            ends = point_quantile(known[:, 0, 0, 0], RANGE_ENDS)
            band = (float(ends[0]), float(ends[1]))
        age = np.nan
        if len(ages) > 1:
            curve = p.mean(axis=0)[None]
            late = bool(_never_reached(curve, target.reliability_index)[0])
            age = (
                np.inf
                if late
                else float(
                    target_lives(curve, ages, target=target.reliability_index, horizon=horizon)[0]
                )
            )
        rows.append(
            {
                "choice": change.choice,
                "option": change.option,
                "value": change.value,
                "unit": {"cover": "mm", "execution scatter": "mm", "strip age": "h"}.get(
                    change.choice, ""
                ),
                "planned": "yes" if change.planned else "no",
                "age_yr": life,
                "probability": middle,
                "low95": float(found.low),
                "high95": float(found.high),
                "know_low": band[0],
                "know_high": band[1],
                "reliability_index": float(reliability_index(middle, 1.0 - middle)),
                "life_yr": age,
                "probability_over_all": _mean_over_combinations(change, design, mean),
                "status": str(found.status),
            }
        )
    return pd.DataFrame(rows).reindex(columns=columns("options"))


def _mean_over_combinations(change: _SingleChange, design: FactorialDesign, mean: Anova) -> float:
    """Mean probability of an option over all combinations of the others; NaN if it is no node."""
    for choice, values in zip(design.choices, mean.main, strict=True):
        if choice.name != change.choice:
            continue
        if choice.numbers:
            matches = np.isclose(choice.numbers, change.value, rtol=1e-6)
        else:
            matches = np.array([option == change.option for option in choice.options])
        if matches.any():
            return float(values.mean(axis=0)[int(np.argmax(matches))])
    return float("nan")


def _single_changes(
    wall: Wall, scenario: Scenario, plan: Plan, design: FactorialDesign
) -> Iterator[_SingleChange]:
    """List the strategy as it is, then each option of each choice alone."""

    def change(
        choice: str,
        option: str,
        value: float = np.nan,
        *,
        planned: bool = False,
        new_wall: Wall = wall,
        new_plan: Plan = plan,
        cover: float = wall.nominal_cover,
    ) -> _SingleChange:
        return _SingleChange(choice, option, value, planned, new_wall, new_plan, cover)

    yield change("", plan.name, planned=True)
    for choice in design.choices:
        shown = _tabulated_options(choice)
        for value, option in shown:
            match choice.name:
                case "cover":
                    yield change(
                        choice.name,
                        "",
                        value,
                        planned=_is_close(value, wall.nominal_cover),
                        cover=value,
                    )
                case "strip age":
                    planned_value = _strip_age(wall, plan)
                    # another strip age has no measured penalty: the law gives it
                    new_plan = replace(plan, strip_age=value, penalty="", factor="")
                    yield change(
                        choice.name,
                        "",
                        value,
                        planned=_is_close(value, planned_value),
                        new_plan=new_plan,
                    )
                case "follow-up":
                    scenario_choices = scenario.choices
                    assert scenario_choices is not None
                    follow = next(f for f in scenario_choices.follow_up if f.label == option)
                    new_plan = build_plan(
                        scenario,
                        option,
                        strip_age=plan.strip_age,
                        temperature=scenario.strategy(plan.name).temperature,
                        follow_up=follow,
                    )
                    is_planned = same_cure(scenario.strategy(plan.name).follow_up, follow)
                    yield change(choice.name, option, planned=is_planned, new_plan=new_plan)
                case "strategy":
                    new_plan = next(p for p in wall.plans if p.name == option)
                    yield change(choice.name, option, planned=new_plan == plan, new_plan=new_plan)
                case _:
                    new_wall = with_choice(wall, scenario, choice.name, value=value, option=option)
                    is_planned = new_wall == wall
                    yield change(choice.name, option, value, planned=is_planned, new_wall=new_wall)


def _tabulated_options(choice: Choice) -> list[tuple[float, str]]:
    """Both ends of a range, every entry of a list."""
    if not choice.numbers:
        return [(np.nan, option) for option in choice.options]
    if choice.name in ("cover", "strip age"):
        return [(choice.numbers[0], ""), (choice.numbers[-1], "")]
    return [(value, "") for value in choice.numbers]


def _is_close(value: float, planned_value: float) -> bool:
    return bool(np.isclose(value, planned_value, rtol=1e-6))


def _strip_age(wall: Wall, plan: Plan) -> float:
    age = plan.strip_age
    return wall.input(age).distribution.mean if isinstance(age, str) else age
