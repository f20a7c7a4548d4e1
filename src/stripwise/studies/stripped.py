"""What an early strip has cost, and what each follow-up curing still buys, for the site.

The plan and the strip are two strategies on the same wall; every follow-up is one more.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from stripwise.curing.follow_up import retention_name, wet_method
from stripwise.curing.maturity import MATURITY_FUNCTIONS, equivalent_age, nurse_saul_maturity
from stripwise.distributions.random_input import Input
from stripwise.distributions.sampling import BLOCK_SIZE, InputSampler, random_stream, sobol_blocks
from stripwise.risk.model.wall import Plan, Wall
from stripwise.risk.probability.intervals import point_quantile
from stripwise.scenario.model import FollowUp, Scenario
from stripwise.studies.case_options import with_options
from stripwise.studies.from_scenario import build_plan, build_wall, compute_curves, target_from
from stripwise.studies.logged_temperature import LoggerFile
from stripwise.studies.result_tables import curve_table, strategy_table
from stripwise.studies.result_writer import result_sentences
from stripwise.studies.shown_results import Writable, answer_html, short_line
from stripwise.studies.site_record import SiteRecord, cautions, follow_ups, notes, read_record
from stripwise.units.formatting import percent
from stripwise.units.result_columns import columns

__all__ = ["SiteAnswer", "stripped_early"]

Progress = Callable[[str, float], None]

HOURS_PER_DAY = 24.0


@dataclass(frozen=True, slots=True)
class SiteAnswer(Writable):
    """The answer to "we stripped early, what now?".

    Attributes
    ----------
    record
        Strip age, temperatures, face and plan as understood.
    cautions
        What comes before any number: strength, stability, frost.
    maturity
        Equivalent age at stripping by both functions: function, equivalent_age_h,
        temperature_time_degCh (Nurse-Saul only), reference_degC, used (by the curing law here).
    outcomes
        the columns of `outcomes`; first the plan, then the strip with each follow-up, "none" first.
        `probability_change` and `life_change_pct` are against the plan; a life that is not reached
        within the horizon is inf.
    curves
        The curves of the same rows, as in curves.csv.
    kept_wet_to_match_d
        Days of keeping the face wet that count as much curing as the plan, at mean retention;
        0 if none are missing, NaN where the plan's penalty is given and not from the law, or where
        the face would freeze.
    notes
        What the reader must know about the numbers.
    case
        The scenario of the wall.
    """

    record: SiteRecord
    cautions: tuple[str, ...]
    maturity: pd.DataFrame
    outcomes: pd.DataFrame
    curves: pd.DataFrame
    kept_wet_to_match_d: float
    notes: tuple[str, ...]
    case: Scenario

    def __repr__(self) -> str:
        """Give plan and strip in one line."""
        before, after = self.outcomes["probability_at_target"].iloc[:2]
        text = f"probability {percent(before)} as planned, {percent(after)} as stripped"
        return short_line("SiteAnswer", self.record.plan, text)

    def _repr_html_(self) -> str:
        return answer_html((*self.cautions, *result_sentences(self)), self.outcomes)


def stripped_early(
    case: Scenario,
    *,
    after: str,
    at: str | None = None,
    logger: LoggerFile | None = None,
    plan: str | None = None,
    face: str | None = None,
    follow_up_at: str | None = None,
    unusual: bool = False,
    points: int | None = None,
    seed: int | None = None,
    workers: int = 2,
    progress: Progress | None = None,
) -> SiteAnswer:
    """Compare a strip that has happened with the plan, and give what each follow-up still buys.

    The plan's row has the numbers of a run of the same scenario: the same samples, its life to
    the error of the interpolation. A follow-up whose retention no strategy of the scenario uses
    needs a further random input, and so other samples; it differs by sampling error alone.

    Parameters
    ----------
    case
        A scenario, as `stripwise.load` returns it.
    after
        Age at which the forms went, as text with its unit: "14 h".
    at
        Mean concrete temperature until then: "6 degC"; or give `logger`.
    logger
        The concrete temperature as a logger recorded it.
    plan
        Strategy that was meant; the reference strategy unless given.
    face
        "vertical" or "horizontal"; that of the plan unless given.
    follow_up_at
        Concrete temperature during a follow-up; as `at` unless given, with a logger the lower of
        its mean and its last reading.
    unusual
        Whether an age or a temperature outside its usual range is meant.
    points, seed
        Instead of the scenario's: points of a scrambling, a power of two, and the seed.
    workers
        Threads; the results do not depend on it.
    progress
        Called with the name of a stage and the share of it that is done, in [0, 1].

    Returns
    -------
    The `SiteAnswer`.

    Raises
    ------
    ScenarioError
        With everything that is wrong with the record.
    NumericalError
        If an input draws or a probability comes out that is not finite.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/garage-wall.toml")
    >>> answer = stripwise.stripped_early(case, after="14 h", at="6 degC")
    >>> answer.outcomes["case"].tolist()[:2]
    ['plan', 'stripped']
    """
    case = with_options(case, points=points, seed=seed)
    record = read_record(
        case,
        after=after,
        at=at,
        plan=plan,
        face=face,
        follow_up_at=follow_up_at,
        unusual=unusual,
        logger=logger,
    )
    wall = build_wall(case)
    intended = next(p for p in wall.plans if p.name == record.plan)
    options = follow_ups(case, record)
    missing = _missing_retentions(case, options)
    random = {item.name for item in missing if not item.distribution.is_fixed}
    fixed = tuple(item for item in missing if item.name not in random)
    known = [item for item in options if item.retention_input not in random]
    new = [item for item in options if item.retention_input in random]
    parts = [
        _StrategyResults.from_follow_ups(
            case,
            dataclasses.replace(wall, inputs=wall.inputs + fixed),
            record=record,
            plan=intended,
            options=known,
            workers=workers,
            progress=progress,
        )
    ]
    if new:
        wider = dataclasses.replace(wall, inputs=wall.inputs + missing)
        parts.append(
            _StrategyResults.from_follow_ups(
                case,
                wider,
                record=record,
                plan=intended,
                options=new,
                workers=workers,
                progress=progress,
            )
        )
    rows = [parts[0].rows, *(part.rows.iloc[1:] for part in parts[1:])]
    curves = [parts[0].curves, *(p.curves[p.curves["strategy"] != record.plan] for p in parts[1:])]
    outcomes = _compare_with_plan(pd.concat(rows, ignore_index=True), options)
    return SiteAnswer(
        record=record,
        cautions=cautions(case, record),
        maturity=_maturity_table(case, record),
        outcomes=outcomes,
        curves=pd.concat(curves, ignore_index=True),
        kept_wet_to_match_d=_days_to_match(case, record, intended, outcomes),
        notes=notes(
            case,
            record,
            effective_h=float(outcomes["effective_curing_h"].iloc[1]),
            equivalent_h=float(outcomes["equivalent_age_h"].iloc[1]),
        ),
        case=case,
    )


@dataclass(frozen=True, slots=True)
class _StrategyResults:
    """Rows and curves of the plan and of some follow-ups, all from the same samples."""

    rows: pd.DataFrame
    curves: pd.DataFrame

    @classmethod
    def from_follow_ups(
        cls,
        case: Scenario,
        wall: Wall,
        *,
        record: SiteRecord,
        plan: Plan,
        options: list[FollowUp],
        workers: int,
        progress: Progress | None,
    ) -> _StrategyResults:
        strips = [_strip_plan(case, record, item) for item in options]
        varied = wall.with_plans((plan, *strips))
        target = dataclasses.replace(target_from(case), reference=record.plan)
        curves = compute_curves(varied, case, workers=workers, progress=progress)
        rows = strategy_table(varied, curves, target)
        rows["case"] = ["plan"] + ["stripped"] * len(strips)
        rows["follow_up"] = [case.strategy(record.plan).follow_up.label] + [
            item.label for item in options
        ]
        rows["equivalent_age_h"] = rows["strip_age_h"] * [p.strip_factor for p in varied.plans]
        rows["penalty_p05"], rows["penalty_p95"] = _penalty_quantiles(varied, case.sampling.seed)
        return cls(rows, curve_table(varied, curves, target))


def _strip_plan(case: Scenario, record: SiteRecord, follow_up: FollowUp) -> Plan:
    """Return the strip as reported, with a follow-up, as a strategy."""
    plan = build_plan(
        case,
        record.strategy_name(follow_up),
        strip_age=record.strip_age_h,
        temperature=record.temperature,
        follow_up=follow_up,
    )
    if record.logged is None:
        return plan
    used = _maturity_table(case, record).query("used")["equivalent_age_h"].iloc[0]
    return dataclasses.replace(plan, strip_factor=float(used) / record.strip_age_h)


def _missing_retentions(case: Scenario, options: list[FollowUp]) -> tuple[Input, ...]:
    """Return the retentions that the follow-ups need and the scenario's strategies do not use."""
    have = {item.name for item in case.inputs}
    wanted = {item.retention_input for item in options}
    return tuple(i for i in case.retentions if i.name in wanted and i.name not in have)


def _penalty_quantiles(wall: Wall, seed: int) -> tuple[list[float], list[float]]:
    """Return the 5 % and 95 % quantiles of k_c of each plan, from one cell of samples."""
    sampler = InputSampler.from_inputs(wall.inputs, wall.correlations, wall.draws)
    z = next(iter(sobol_blocks(sampler.dimensions, BLOCK_SIZE, random_stream(seed, stage="pilot"))))
    given = (np.atleast_1d(log_k) for log_k in wall.log_penalties(sampler.values(z)))
    ends = [point_quantile(log_k, [0.05, 0.95]) for log_k in given]
    return [float(np.exp(low)) for low, _ in ends], [float(np.exp(high)) for _, high in ends]


def _compare_with_plan(rows: pd.DataFrame, options: list[FollowUp]) -> pd.DataFrame:
    """Order the rows as the follow-ups and compare each with the first, the plan."""
    order = {item.label: place for place, item in enumerate(options)}
    places = [-1] + [order[label] for label in rows["follow_up"].iloc[1:]]
    table = rows.iloc[np.argsort(places, kind="stable")].reset_index(drop=True)
    probability, life = table["probability_at_target"], table["life_at_target_yr"]
    table["probability_change"] = probability - probability.iloc[0]
    usable = np.isfinite(life) & math.isfinite(life.iloc[0]) & (life.iloc[0] > 0.0)
    change = 100.0 * (life.where(usable) / life.iloc[0] - 1.0)
    table["life_change_pct"] = change.where(table["case"] == "stripped")
    table["life_status"] = table["life_status"].where(table["case"] == "stripped", "the plan")
    return table.reindex(columns=columns("outcomes"))


def _maturity_table(case: Scenario, record: SiteRecord) -> pd.DataFrame:
    """Return the equivalent age at stripping by each function."""
    curing = case.curing
    rows = []
    for function in MATURITY_FUNCTIONS:
        hours, degrees = record.intervals
        age = equivalent_age(
            hours,
            degrees,
            function=function,
            reference_c=curing.reference_temperature,
            activation_temperature=curing.activation_temperature,
            datum_c=curing.datum_temperature,
        ).sum()
        factor = math.nan
        if function == "nurse-saul":
            factor = float(
                np.sum(nurse_saul_maturity(hours, degrees, datum_c=curing.datum_temperature))
            )
        rows.append(
            {
                "function": function,
                "equivalent_age_h": float(age),
                "temperature_time_degCh": factor,
                "reference_degC": curing.reference_temperature,
                "used": function == curing.maturity,
            }
        )
    return pd.DataFrame(rows)


def _days_to_match(case: Scenario, record: SiteRecord, plan: Plan, outcomes: pd.DataFrame) -> float:
    """Return how long the wet face must be kept for the plan's mean effective curing [d]."""
    if plan.penalty or record.freezes_after:
        return math.nan
    missing_hours = float(
        outcomes["effective_curing_h"].iloc[0] - outcomes["effective_curing_h"].iloc[1]
    )
    wet = wet_method()
    name = retention_name(wet, record.face)
    retention = next(item for item in case.retentions if item.name == name).distribution.mean
    hour = FollowUp(wet, 1.0, record.follow_up_temperature, record.face, name)
    factor = build_plan(
        case, "", strip_age=record.strip_age_h, temperature=record.temperature, follow_up=hour
    ).follow_up_factor
    rate = retention * factor * HOURS_PER_DAY
    if missing_hours <= 0.0:
        return 0.0
    return missing_hours / rate if rate > 0.0 else math.inf
