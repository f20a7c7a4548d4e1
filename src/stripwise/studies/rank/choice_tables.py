"""What each choice on the table does to the outcome: shares of variance, and options one by one.

Axes: m repeats or knowledge points, a ages, q choices.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.risk.model.wall import COVER, Plan, Wall
from stripwise.risk.probability.curves import interval
from stripwise.risk.probability.nominal_covers import Sample, by_knowledge, by_repeat
from stripwise.risk.probability.reliability_index import index_of
from stripwise.risk.sensitivity.anova import Anova, anova
from stripwise.risk.sensitivity.choice_variance import CLIP
from stripwise.scenario.model import Scenario
from stripwise.scenario.sections.curing import same_cure
from stripwise.studies.from_scenario import plan_of
from stripwise.studies.rank.factorial import Choice, Design, Size, lives, outcomes, with_choice
from stripwise.studies.result_tables import SENSITIVITY_COLUMNS

__all__ = ["INDEX", "LIFE_TIME", "OPTION_COLUMNS", "PROBABILITY", "ChoiceTables", "choice_tables"]

Array = NDArray[np.float64]

INDEX, PROBABILITY, LIFE_TIME = "reliability index", "probability", "ln of the life"
OPTION_COLUMNS = [
    "choice",
    "option",
    "value",
    "unit",
    "planned",
    "age_yr",
    "probability",
    "low95",
    "high95",
    "know_low",
    "know_high",
    "reliability_index",
    "life_yr",
    "probability_over_all",
]
AGES = 14
KNOWLEDGE_POINTS = 512
MOST_REPEATS = 16
QUANTILES = (0.025, 0.975)
FLAT = "undefined: the outcome does not vary over the options"


@dataclass(frozen=True, slots=True)
class ChoiceTables:
    """What the choices on the table do.

    Attributes
    ----------
    design
        The options.
    indices
        Exact shares of the variance over all combinations: `SENSITIVITY_COLUMNS`; the interval is
        sampling error for "choices", and what is not known for "choices over knowledge".
    options
        Each option alone, all else as in the strategy: `OPTION_COLUMNS`.
    top
        Name of the choice with the largest total share of the reliability index, or empty.
    top_share
        Share of the knowledge points (of the repeats, without any) in which it is the largest.
    over_knowledge
        Whether intervals over what is not known exist.
    flips
        Whether another choice is the largest when the ranges are halved about their middles.
    clipped
        Share of the combinations whose index was clipped, and whose life lies beyond the horizon.
    combinations
        Number of combinations.
    """

    design: Design
    indices: pd.DataFrame
    options: pd.DataFrame
    top: str
    top_share: float
    over_knowledge: bool
    flips: bool
    clipped: tuple[float, float]
    combinations: int


def choice_tables(wall: Wall, scenario: Scenario, plan: Plan, *, workers: int = 2) -> ChoiceTables:
    """Analyse the choices of a scenario.

    Parameters
    ----------
    wall
        The scenario's wall.
    scenario
        The scenario.
    plan
        Strategy from which options are changed one by one.
    workers
        Threads; the results do not depend on it.

    Returns
    -------
    The `ChoiceTables`.
    """
    size, target = Size.of(wall), scenario.target
    life, horizon = target.service_life, scenario.sampling.horizon
    ages = np.array([life])
    if size.lives:
        ages = np.union1d(np.geomspace(min(1.0, 0.5 * life), horizon, AGES), ages)
    at = int(np.searchsorted(ages, life))
    seed = scenario.sampling.seed
    repeats = min(scenario.sampling.repeats, MOST_REPEATS)
    sample = Sample(size.points, repeats, seed, "choices", workers)
    doubt = Sample(KNOWLEDGE_POINTS, 1, seed, "choices", workers)
    design = Design.of(wall, scenario, nodes=size.nodes)
    weights = [one.weights for one in design.choices]
    p = outcomes(design, ages, sample=sample)
    assert p is not None
    known = outcomes(design, ages, sample=doubt, knowledge=True)

    def measured(values: Array) -> dict[str, Array]:
        whole = values[:, at]
        found = {INDEX: np.clip(index_of(whole, 1.0 - whole), *CLIP), PROBABILITY: whole}
        if size.lives:
            found[LIFE_TIME] = np.log(
                lives(values, ages, target=target.reliability_index, horizon=horizon)
            )
        return found

    sampled = {name: anova(y, weights) for name, y in measured(p).items()}
    doubted = {} if known is None else {n: anova(y, weights) for n, y in measured(known).items()}
    rows = list(_rows(design, sampled, life, knowledge=False))
    rows += _rows(design, doubted, life, knowledge=True)
    half = Design.of(wall, scenario, nodes=size.nodes, shrink=0.5)
    narrow = outcomes(half, ages[at : at + 1], sample=sample)
    assert narrow is not None
    inner = anova(np.clip(index_of(narrow[:, 0], 1.0 - narrow[:, 0]), *CLIP), weights)
    totals = sampled[INDEX].total
    judged = doubted[INDEX].total if doubted else totals
    top = _top(totals.mean(axis=0))
    whole = index_of(p[:, at], 1.0 - p[:, at])
    beyond = np.mean(_beyond(p, target.reliability_index)) if size.lives else 0.0
    return ChoiceTables(
        design=design,
        indices=pd.DataFrame(rows).reindex(columns=SENSITIVITY_COLUMNS),
        options=_options(
            wall,
            scenario,
            plan,
            design,
            ages,
            sample=sample,
            doubt=doubt,
            mean=sampled[PROBABILITY],
        ),
        top=design.choices[top].name if top >= 0 else "",
        top_share=float(np.mean([_top(row) == top for row in judged])),
        over_knowledge=bool(doubted),
        flips=_top(inner.total.mean(axis=0)) != top,
        clipped=(float(np.mean((whole < CLIP[0]) | (whole > CLIP[1]))), float(beyond)),
        combinations=int(np.prod([len(w) for w in weights])),
    )


def _top(total: Array) -> int:
    return int(np.argmax(total)) if np.isfinite(total).all() else -1


def _beyond(p: Array, target: float) -> Array:
    """Whether the target is not reached at the last age."""
    return np.asarray(index_of(p[:, -1], 1.0 - p[:, -1]) > target)


def _rows(
    design: Design, found: dict[str, Anova], life: float, *, knowledge: bool
) -> Iterator[dict[str, object]]:
    names = [one.name for one in design.choices]
    points = "points of what is not known" if knowledge else "repeats"
    for quantity, parts in found.items():
        common: dict[str, object] = {
            "analysis": "choices over knowledge" if knowledge else "choices",
            "strategy": "",
            "quantity": quantity,
            "age_yr": np.nan if quantity == LIFE_TIME else life,
            "input": "",
            "input2": "",
            "group": "",
        }
        flat = int(np.sum(~np.isfinite(parts.first[:, 0])))
        status = f"{FLAT} at {flat} of {len(parts.first)} {points}" if flat else "ok"
        for i, name in enumerate(names):
            yield {
                **common,
                "input": name,
                **_numbers("first", parts.first[:, i], knowledge),
                **_numbers("total", parts.total[:, i], knowledge),
                "status": status,
            }
        for k, (i, j) in enumerate(parts.pairs):
            yield {
                **common,
                "input": names[i],
                "input2": names[j],
                **_numbers("second", parts.second[:, k], knowledge),
                "status": status,
            }
        if len(names) > 2:
            yield {
                **common,
                "group": "interactions of three and more",
                **_numbers("first", parts.beyond, knowledge),
                "status": status,
            }


def _numbers(name: str, values: Array, knowledge: bool) -> dict[str, object]:
    if not np.isfinite(values).all():
        return {}
    bounds = (np.mean(values), *np.quantile(values, QUANTILES)) if knowledge else interval(values)
    mean, low, high = (float(x) for x in bounds)
    return {name: mean, f"{name}_low95": low, f"{name}_high95": high}


@dataclass(frozen=True, slots=True)
class _Change:
    """One option put in place of the strategy's own: where its probability stands."""

    choice: str
    option: str
    value: float
    planned: bool
    wall: Wall
    plan: Plan
    cover: float


def _options(
    wall: Wall,
    scenario: Scenario,
    plan: Plan,
    design: Design,
    ages: Array,
    *,
    sample: Sample,
    doubt: Sample,
    mean: Anova,
) -> pd.DataFrame:
    target, horizon = scenario.target, scenario.sampling.horizon
    life = target.service_life
    at = int(np.searchsorted(ages, life))
    changes = list(_changes(wall, scenario, plan, design))
    rows = []
    for change in changes:
        one = change.wall.with_plans((change.plan,))
        cover = np.array([change.cover])
        p = by_repeat(one, cover, ages, sample=sample)[:, 0, :, 0]
        known = by_knowledge(one, cover, ages[at : at + 1], sample=doubt)
        middle, low, high = (float(x) for x in interval(p[:, at]))
        band = (np.nan, np.nan)
        if known is not None:
            ends = np.quantile(known[:, 0, 0, 0], QUANTILES)
            band = (float(ends[0]), float(ends[1]))
        age = np.nan
        if len(ages) > 1:
            curve = p.mean(axis=0)[None]
            late = bool(_beyond(curve, target.reliability_index)[0])
            age = (
                np.inf
                if late
                else float(lives(curve, ages, target=target.reliability_index, horizon=horizon)[0])
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
                "low95": max(low, 0.0),
                "high95": min(high, 1.0),
                "know_low": band[0],
                "know_high": band[1],
                "reliability_index": float(index_of(middle, 1.0 - middle)),
                "life_yr": age,
                "probability_over_all": _over_all(change, design, mean),
            }
        )
    return pd.DataFrame(rows).reindex(columns=OPTION_COLUMNS)


def _over_all(change: _Change, design: Design, mean: Anova) -> float:
    """Mean probability of an option over all combinations of the others; NaN if it is no node."""
    for choice, values in zip(design.choices, mean.main, strict=True):
        if choice.name != change.choice:
            continue
        if choice.numbers:
            near = np.isclose(choice.numbers, change.value, rtol=1e-6)
        else:
            near = np.array([option == change.option for option in choice.options])
        if near.any():
            return float(values.mean(axis=0)[int(np.argmax(near))])
    return float("nan")


def _changes(wall: Wall, scenario: Scenario, plan: Plan, design: Design) -> Iterator[_Change]:
    """List the strategy as it is, then each option of each choice alone."""
    law = wall.input(COVER).distribution
    mean = law.parent_mean

    def one(
        choice: str,
        option: str,
        value: float = np.nan,
        *,
        planned: bool = False,
        other: Wall = wall,
        way: Plan = plan,
        cover: float = mean,
    ) -> _Change:
        return _Change(choice, option, value, planned, other, way, cover)

    yield one("", plan.name, planned=True)
    for choice in design.choices:
        shown = _shown(choice)
        for value, option in shown:
            match choice.name:
                case "cover":
                    yield one(choice.name, "", value, planned=_same(value, mean), cover=value)
                case "strip age":
                    own = _strip_age(wall, plan)
                    # another strip age has no measured penalty: the law gives it
                    way = replace(plan, strip_age=value, penalty="", factor="")
                    yield one(choice.name, "", value, planned=_same(value, own), way=way)
                case "follow-up":
                    opened = scenario.choices
                    assert opened is not None
                    follow = next(f for f in opened.follow_up if f.label == option)
                    way = plan_of(
                        scenario,
                        option,
                        strip_age=plan.strip_age,
                        temperature=scenario.strategy(plan.name).temperature,
                        follow_up=follow,
                    )
                    now = same_cure(scenario.strategy(plan.name).follow_up, follow)
                    yield one(choice.name, option, planned=now, way=way)
                case "strategy":
                    way = next(p for p in wall.plans if p.name == option)
                    yield one(choice.name, option, planned=way == plan, way=way)
                case _:
                    other = with_choice(wall, scenario, choice.name, value=value, option=option)
                    now = other == wall
                    yield one(choice.name, option, value, planned=now, other=other)


def _shown(choice: Choice) -> list[tuple[float, str]]:
    """Both ends of a range, every entry of a list."""
    if not choice.numbers:
        return [(np.nan, option) for option in choice.options]
    if choice.name in ("cover", "strip age"):
        return [(choice.numbers[0], ""), (choice.numbers[-1], "")]
    return [(value, "") for value in choice.numbers]


def _same(value: float, own: float) -> bool:
    return bool(np.isclose(value, own, rtol=1e-6))


def _strip_age(wall: Wall, plan: Plan) -> float:
    age = plan.strip_age
    return wall.input(age).distribution.mean if isinstance(age, str) else age
