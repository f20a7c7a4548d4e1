"""What drives the answer of one strategy, and how sure that is: every table of `stripwise rank`."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.distributions.sampling import InputSampler, copula
from stripwise.errors import InputError
from stripwise.risk.model.service_options import refusal
from stripwise.risk.model.wall import Wall
from stripwise.risk.probability.nominal_covers import SamplingOptions
from stripwise.risk.sensitivity.quantities_of_interest import (
    EARLIEST_TIME,
    LATEST_TIME,
    MARGIN,
    TIME,
    QuantitiesOfInterest,
)
from stripwise.risk.sensitivity.shapley import shapley_effects
from stripwise.scenario.model import Scenario
from stripwise.studies.case_options import with_options
from stripwise.studies.from_scenario import MOST_GROWTH, build_wall, largest_sample
from stripwise.studies.rank.choice_rule import ChoiceRule
from stripwise.studies.rank.choice_tables import ChoiceTables, choice_tables
from stripwise.studies.rank.convergence import MAX_POINTS, SampleHistory, converge
from stripwise.studies.rank.index_tables import convergence_table, index_table, shapley_table
from stripwise.studies.rank.input_groups import RankedItems
from stripwise.studies.rank.reliability_table import reliability
from stripwise.studies.rank.value_of_information import value_of_information_table
from stripwise.studies.service_notes import omitted_options
from stripwise.studies.shown_results import Writable, answer_html, as_dataset, short_line
from stripwise.units.formatting import count, number, years
from stripwise.units.names import nearest_spelling
from stripwise.units.software import software_used

__all__ = ["PRECISION", "Ranking", "rank", "standard_ages"]

Array = NDArray[np.float64]
Progress = Callable[[str, float], None]

PRECISION = 0.1
"""Full width of the widest 95 % interval unless given: a half width of 0.05, as for "wide"."""

LAYERED_POINTS = 512
"""Budget of base points per repeat where each front is a root search."""
SERVICE_POINTS = 2048
"""The same under service conditions, where the surface chloride may rise or the seasons turn."""
MAX_AGES = 501
JOINT_DRAWS_NOTE = (
    "What is epistemic comes as joint draws. They do not say which of their inputs does what, so "
    "that they have indices as one group; design points, Shapley effects and the worth of single "
    "measurements are left out."
)
EARLY_SHARES = (0.1, 0.25, 0.5)


@dataclass(frozen=True, slots=True)
class Ranking(Writable):
    """Everything that `stripwise rank` computes for one strategy.

    Attributes
    ----------
    scenario
        The scenario.
    strategy
        Name of the strategy.
    ages
        Ages of the indices [yr].
    indices
        Indices of every quantity, age, input and group: sensitivity.csv.
    convergence
        Estimates against sample size at the target life.
    form, elasticity, methods
        Design points, change of the index for 1 % in each moment, and the methods compared.
    shapley
        Shapley effects where inputs are correlated, otherwise empty.
    value_of_information
        What each measurement is worth; empty without knowledge inputs.
    choices
        What each open choice does.
    sample
        The sample with its history.
    notes
        What the reader must know before using the numbers.
    run
        Versions, seed and sizes, for run.json.
    """

    scenario: Scenario
    strategy: str
    ages: Array
    indices: pd.DataFrame
    convergence: pd.DataFrame
    form: pd.DataFrame
    elasticity: pd.DataFrame
    methods: pd.DataFrame
    shapley: pd.DataFrame
    value_of_information: pd.DataFrame
    choices: ChoiceTables
    sample: SampleHistory
    notes: tuple[str, ...]
    run: dict[str, Any]

    def __repr__(self) -> str:
        """Name what was ranked."""
        rows = f"{len(self.indices)} indices at {len(self.ages)} ages"
        return short_line("Ranking", self.scenario.title, f"{self.strategy}, {rows}")

    def _repr_html_(self) -> str:
        life = self.scenario.target.service_life
        rows = self.indices[self.indices["age_yr"].eq(life) & self.indices["input"].ne("")]
        shown = rows[["quantity", "input", "first", "total", "status"]]
        return answer_html((f"What drives {self.strategy} at {years(life)}", *self.notes), shown)

    def to_xarray(self) -> Any:
        """Return the indices as an xarray Dataset over quantity, age_yr and item.

        An item is an input, or the name of a group; an age of NaN is that of a quantity without.

        Examples
        --------
        >>> import stripwise
        >>> case = stripwise.load("scenarios/garage-wall.toml")
        >>> sorted(map(str, stripwise.rank(case).to_xarray().sizes))
        ['age_yr', 'item', 'quantity']
        """
        rows = self.indices[self.indices["input2"].fillna("").eq("")]
        item = rows["input"].where(rows["input"].ne(""), rows["group"])
        table = rows.assign(item=item).drop(columns=["analysis", "strategy", "input", "input2"])
        whole = table[table["age_yr"].notna()].drop_duplicates(["quantity", "age_yr", "item"])
        return as_dataset(whole, ("quantity", "age_yr", "item"))


def standard_ages(scenario: Scenario) -> Array:
    """Return 24 equal steps to the horizon, and the target life [yr]."""
    horizon = scenario.sampling.horizon
    return np.union1d(np.linspace(horizon / 24.0, horizon, 24), [scenario.target.service_life])


def rank(
    scenario: Scenario,
    *,
    strategy: str | None = None,
    ages: Sequence[float] | None = None,
    second_order: bool = False,
    precision: float | None = None,
    seed: int | None = None,
    workers: int = 2,
    progress: Progress | None = None,
) -> Ranking:
    """Rank what drives the answer of one strategy, the reference strategy unless named.

    `ages` [yr] are `standard_ages` unless given; `second_order` adds the interaction of every pair;
    a given `precision`, the full width of the widest 95 % interval, must be reached, otherwise 0.1
    is aimed at; `seed` stands in for the scenario's. An InputError for a wrong argument or fewer
    than two random inputs; a NumericalError if a given precision is out of reach of the budget.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/garage-wall.toml")
    >>> stripwise.rank(case).indices["strategy"].unique().tolist()
    ['Forms 24 h']
    """
    scenario = with_options(scenario, seed=seed)
    report_progress = progress or (lambda _stage, _done: None)
    started = time.perf_counter()
    wall = _without_cracking_inputs(build_wall(scenario))
    if reason := refusal("rank", wall.conditions):
        raise InputError("layer or coating", reason)
    name = _strategy_name(scenario, strategy)
    at = _ages(scenario, ages)
    width = _precision(precision)
    plans = {plan.name: plan for plan in wall.plans}
    plan, reference = plans[name], plans[scenario.reference_strategy]
    quantities = QuantitiesOfInterest.from_wall(wall, plan, reference=reference, ages=at)
    ranked = RankedItems.from_quantities(quantities, second_order=second_order)
    repeats, seed = scenario.sampling.repeats, scenario.sampling.seed
    sample = converge(
        quantities,
        ranked.layout,
        is_required=ranked.defined,
        precision=width,
        repeats=repeats,
        seed=seed,
        raise_if_missed=precision is not None,
        workers=workers,
        progress=report_progress,
        max_points=_budget(wall),
        names=ranked.index_name,
    )
    life = scenario.target.service_life
    early = [float(at[np.argmin(np.abs(at - share * life))]) for share in EARLY_SHARES]
    reliability_ages = list(dict.fromkeys([life, *early, float(at[0])]))
    reliability_tables = reliability(wall, plan, ages=reliability_ages, repeats=repeats, seed=seed)
    report_progress("reliability", 1.0)
    shapley = _shapley(ranked, name, life=life, repeats=repeats, seed=seed, workers=workers)
    report_progress("Shapley effects", 1.0)
    information_table = value_of_information_table(
        wall,
        strategy=name,
        rule=_choice_rule(wall, scenario, workers=workers),
        repeats=repeats,
        seed=seed,
        workers=workers,
    )
    report_progress("worth of measurements", 1.0)
    choices = choice_tables(wall, scenario, plan, workers=workers)
    report_progress("choices", 1.0)
    indices = index_table(ranked, sample, strategy=name, life=life)
    return Ranking(
        scenario=scenario,
        strategy=name,
        ages=at,
        indices=indices,
        convergence=convergence_table(ranked, sample, age=life),
        form=reliability_tables.form,
        elasticity=reliability_tables.elasticity,
        methods=reliability_tables.methods,
        shapley=shapley,
        value_of_information=information_table,
        choices=choices,
        sample=sample,
        notes=(
            *_notes(wall, ranked, sample, indices, width),
            *omitted_options(scenario, "ranking"),
        ),
        run={
            "command": "rank",
            "strategy": name,
            **software_used(),
            "seed": seed,
            "repeats": repeats,
            "points_per_repeat": sample.last.points,
            "model_runs": sample.last.runs,
            "precision": width,
            "precision_reached": sample.reached,
            "widest_interval": sample.last.width,
            "combinations_of_choices": choices.combinations,
            "seconds": {"indices": sample.last.seconds, "all": time.perf_counter() - started},
        },
    )


def _choice_rule(wall: Wall, scenario: Scenario, *, workers: int) -> ChoiceRule:
    """Return how a strategy is chosen, from a sample like that of a run."""
    sampling, target = scenario.sampling, scenario.target
    return ChoiceRule.from_wall(
        wall,
        age=target.service_life,
        allowed=target.probability,
        confidence=target.confidence,
        sample=SamplingOptions(sampling.points, sampling.repeats, sampling.seed, "main", workers),
        most=min(MOST_GROWTH * sampling.points, largest_sample(wall)),
    )


def _budget(wall: Wall) -> int:
    """Most base points per repeat."""
    if wall.layered:
        return LAYERED_POINTS
    return MAX_POINTS if wall.conditions is None else SERVICE_POINTS


def _without_cracking_inputs(wall: Wall) -> Wall:
    """Leave out the inputs of what follows depassivation, which nothing ranked here depends on."""
    kept = tuple(item for item in wall.inputs if not item.name.startswith("cracking."))
    return wall if len(kept) == len(wall.inputs) else replace(wall, inputs=kept)


def _strategy_name(scenario: Scenario, name: str | None) -> str:
    names = [item.name for item in scenario.strategies]
    if name is None:
        return scenario.reference_strategy
    if name not in names:
        rule = f"{name!r} is none of the scenario's: {', '.join(names)}"
        raise InputError("strategy", rule + nearest_spelling(name, names))
    return name


def _ages(scenario: Scenario, ages: Sequence[float] | None) -> Array:
    if ages is None:
        return standard_ages(scenario)
    horizon = scenario.sampling.horizon
    at = np.unique(np.asarray(ages, dtype=float))
    if not at.size or not np.all(np.isfinite(at)):
        raise InputError("ages", "must be finite numbers of years, at least one")
    if at[0] <= 0.0 or at[-1] > horizon:
        wrong = at[0] if at[0] <= 0.0 else at[-1]
        raise InputError("ages", f"{wrong:g} yr; must be above 0 and at most {horizon:g} yr")
    at = np.union1d(at, [scenario.target.service_life])
    if at.size > MAX_AGES:
        raise InputError("ages", f"{at.size} of them; at most {MAX_AGES}")
    return at


def _precision(precision: float | None) -> float:
    if precision is None:
        return PRECISION
    if not 0.0 < precision < 1.0:
        raise InputError("precision", f"= {precision:g}; must lie between 0 and 1")
    return precision


def _shapley(
    ranked: RankedItems, strategy: str, *, life: float, repeats: int, seed: int, workers: int
) -> pd.DataFrame:
    """Shapley effects of margin and initiation time at the target life, if any are correlated."""
    joint = ranked.quantities.sampler.draws is not None
    if joint or not any(item.reason for item in ranked.items):
        return shapley_table(ranked, np.empty((repeats, 0, 0)), outputs=[], strategy=strategy)
    q = ranked.quantities
    sampler = q.sampler
    names = tuple((n, a) for n, a in q.names if n == TIME or (n == MARGIN and a == life))
    one = replace(
        q,
        ages=np.array([life]),
        names=names,
        # scores come correlated already
        sampler=InputSampler(sampler.inputs, None, sampler.fixed),
    )
    matrix = copula(sampler.names, q.wall.correlations)
    try:
        effects = shapley_effects(one, matrix, repeats=repeats, seed=seed, workers=workers)
    except InputError:  # two inputs are one variable: the rows say undefined
        effects = np.full((repeats, sampler.dimensions, len(names)), np.nan)
    outputs = [q.names.index(pair) if pair[0] != TIME else _time_output(q) for pair in names]
    return shapley_table(ranked, effects, outputs=outputs, strategy=strategy)


def _time_output(q: QuantitiesOfInterest) -> int:
    return next(m for m, (name, _) in enumerate(q.names) if name == TIME)


def _notes(
    wall: Wall, ranked: RankedItems, sample: SampleHistory, indices: pd.DataFrame, width: float
) -> list[str]:
    sentences = []
    last = sample.last
    if not sample.reached:
        sentences.append(
            f"The widest 95 % interval is {number(last.width)}, of the {last.kind} index of "
            f"{ranked.index_name(last.set, last.output)}; {number(width)} was aimed at, and the budget of "
            f"{last.points} points a repeat is used up."
        )
    negative = int((indices[["first", "total", "second"]] < 0.0).sum().sum())
    if negative:
        sentences.append(
            f"{negative} estimate{'s are' if negative > 1 else ' is'} a little below 0. The true "
            "index is not: an estimate scatters around its index, and one of 0 falls below as "
            "often as above. Such estimates are left as they came: cutting them off would bias "
            "sums and intervals."
        )
    if wall.draws is not None:
        sentences.append(JOINT_DRAWS_NOTE)
    elif any(item.reason for item in ranked.items):
        sentences.append(
            "Inputs are correlated: first and total indices do not split the variance among them. "
            "Their rows read undefined; shapley.csv has Shapley effects, which do, and the whole "
            "correlated group has indices of its own."
        )
    sentences.append(
        f"Initiation times below {years(EARLIEST_TIME)} or above {count(LATEST_TIME)} yr count as these ends, so "
        "that the logarithm is finite."
    )
    if not ranked.quantities.integral.name:
        sentences.append("Failure has no indices: neither the cover nor the diffusivity is random.")
    if wall.layered:
        sentences.append(
            f"A layered face costs a root search a front: at most {LAYERED_POINTS} points."
        )
    return sentences
