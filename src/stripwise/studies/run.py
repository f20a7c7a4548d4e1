"""How probable corrosion is under each strategy, what drives it, and whether the target is met."""

from __future__ import annotations

import dataclasses
import time
from collections.abc import Callable
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy import special

from stripwise.errors import InputError
from stripwise.risk.model.wall import COVER, Wall
from stripwise.risk.probability.curves import CASES_WITHOUT_FRONT, CurveSet
from stripwise.risk.probability.intervals import t_interval
from stripwise.risk.probability.plain_monte_carlo import monte_carlo_curves
from stripwise.risk.sensitivity.margin_indices import MarginIndices, margin_indices
from stripwise.scenario.describe import inputs_table
from stripwise.scenario.model import Scenario
from stripwise.scenario.sections.concrete import WATER_D
from stripwise.studies import result_tables
from stripwise.studies.case_options import with_options
from stripwise.studies.from_scenario import build_wall, compute_curves, target_from
from stripwise.studies.hand_calculation import hand_check
from stripwise.studies.results import ONLY, Assessment, MonteCarloCheck
from stripwise.studies.run_choices import ChoiceAnalysis, analyse_choices
from stripwise.studies.service_results import coating_warnings, service_hand_check, service_results
from stripwise.studies.verdict import NOTHING_EPISTEMIC, verdict
from stripwise.units.formatting import count, distinct_percents, number, percent, years
from stripwise.units.result_columns import columns
from stripwise.units.software import software_used

__all__ = ["assess", "monte_carlo_check"]

Progress = Callable[[str, float], None]

CURVES_ONLY = "curves"

MONTE_CARLO_SAMPLES = 200_000
NUMERICAL_MONTE_CARLO_SAMPLES = 20_000
MIN_EXPECTED_COUNT = 10.0
"""Expected number of sampled walls beyond the limit, below which their spread says nothing."""
MAX_DEVIATIONS = 4.0


def assess(
    scenario: Scenario,
    *,
    only: Literal["curves"] | None = None,
    points: int | None = None,
    seed: int | None = None,
    knowledge: Any = None,
    curing_law: Any = None,
    front_model: Any = None,
    workers: int = 2,
    progress: Progress | None = None,
) -> Assessment:
    """Run the whole assessment of a scenario.

    Parameters
    ----------
    scenario
        A scenario, as `stripwise.load` returns it.
    only
        "curves" leaves out drivers, choices and the face with a uniform penalty, and with them the
        report: curves, strategies, verdict and warnings are those of the whole run.
    points, seed
        Instead of the scenario's: points of a scrambling, a power of two, and the seed.
    knowledge
        Joint draws of the epistemic inputs, a DataFrame with the columns of `epistemic_draws`.
    curing_law
        Function of effective curing hours and a standard normal score, arrays of one shape, that
        returns ln of the penalty factor; it is divided by its value at the reference.
    front_model
        Depth of the front in place of the chloride front: see `stripwise.FrontModel`.
    workers
        Threads; the results do not depend on it.
    progress
        Called with the name of a stage and the share of it that is done, in [0, 1].

    Returns
    -------
    The `Assessment`.

    Raises
    ------
    InputError
        If `only` is anything else, or an option is not allowed.
    NumericalError
        If an input draws or a probability comes out that is not finite.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/garage-wall.toml")
    >>> result = stripwise.assess(case, only="curves")
    >>> result.strategies["strategy"].iloc[-1]
    'Forms 7 d'
    """
    if only not in {None, CURVES_ONLY}:
        raise InputError("only", f'= {only!r} must be "{CURVES_ONLY}", or left out')
    whole = only is None
    scenario = with_options(
        scenario,
        points=points,
        seed=seed,
        knowledge=knowledge,
        curing_law=curing_law,
        front_model=front_model,
    )
    report_progress = progress or (lambda _stage, _done: None)
    started = time.perf_counter()
    stages: dict[str, float] = {}

    def end_stage(stage: str) -> None:
        stages[stage] = time.perf_counter() - started - sum(stages.values())
        report_progress(stage, 1.0)

    wall = build_wall(scenario)
    target = target_from(scenario)
    curves = compute_curves(wall, scenario, workers=workers, progress=report_progress)
    end_stage("curves")
    curve_table = result_tables.curve_table(wall, curves, target)
    strategy_table = result_tables.strategy_table(wall, curves, target)
    reference = [plan.name for plan in wall.plans].index(target.reference)
    check = monte_carlo_check(
        wall, curves, target, reference, seed=scenario.sampling.seed, workers=workers
    )
    end_stage("plain Monte Carlo")
    margin = _drivers(wall, scenario, workers=workers) if whole else None
    rows = [] if margin is None else result_tables.margin_rows(wall, margin, target.life)
    end_stage("drivers")
    choices = analyse_choices(scenario, workers=workers) if whole else None
    if choices is not None:
        rows += choices.rows
    end_stage("choices")
    sensitivity = pd.DataFrame(rows).reindex(columns=columns("sensitivity"))
    text_columns = ["analysis", "strategy", "quantity", "input", "input2", "group", "status"]
    sensitivity[text_columns] = sensitivity[text_columns].astype(object).fillna("")
    literal = _literal_reference(wall, scenario, workers=workers)
    uniform = _uniform_face(wall, scenario, workers=workers) if whole and wall.layered else None
    end_stage("uniform face")
    service = service_results(
        scenario,
        wall,
        curves,
        target,
        workers=workers,
        recompute=lambda other: compute_curves(
            other, scenario, workers=workers, progress=None, band=False
        ),
    )
    end_stage("service conditions")
    warnings = [*scenario.warnings, *_warnings(scenario, curves, check, choices)]
    if literal is not None:
        given = float(special.ndtr(-curves.mean.at(np.array([target.life])))[reference, 0])
        warnings.append(_literal_warning(scenario, given, literal))
    warnings += coating_warnings(scenario, service)
    found = verdict(
        strategy_table,
        sensitivity,
        target=target,
        choices=scenario.choices if whole else None,
        exchange=choices.exchange if choices else None,
        drawn=choices.drawn if choices else {},
        flips=choices.flips if choices else False,
        units=scenario.units,
    )
    run: dict[str, Any] = {
        **software_used(),
        "seed": scenario.sampling.seed,
        "points": scenario.sampling.points,
        "repeats": scenario.sampling.repeats,
        "samples": curves.samples,
        "horizon_yr": target.horizon,
        "sampled_ages_yr": [float(a) for a in curves.mean.ages],
        "interpolation_error": curves.interpolation_error,
        "integrated_exactly": curves.integrated,
        "cover_share_check": {} if margin is None else _cover_share(margin, reference),
        "seconds": stages,
    }
    if not whole:
        run[ONLY] = only
    return Assessment(
        scenario=scenario,
        curves=curve_table,
        strategies=strategy_table,
        sensitivity=sensitivity,
        inputs=inputs_table(scenario),
        verdict=(*found.answer, *found.letter),
        answer=found.answer,
        exchange=choices.exchange if choices else None,
        reliability_map=choices.map if choices else None,
        hand_check=(hand_check if wall.conditions is None else service_hand_check)(
            wall,
            wall.plans[reference],
            age=target.life,
            penalty=float(curves.penalty_mean[reference]),
        ),
        plain_check=check,
        special_cases=pd.DataFrame(
            [
                {"case": c, "strategy": "", "share": s}
                for c, s in curves.case_shares.items()
                if scenario.service.chloride
            ],
            columns=["case", "strategy", "share"],
        ),
        uniform_face=uniform,
        warnings=tuple(warnings),
        run=run,
        service=service,
    )


def _drivers(wall: Wall, scenario: Scenario, *, workers: int) -> MarginIndices:
    sampling = scenario.sampling
    return margin_indices(
        wall,
        scenario.target.service_life,
        repeats=sampling.repeats,
        seed=sampling.seed,
        workers=workers,
    )


def monte_carlo_check(
    wall: Wall,
    curves: CurveSet,
    target: result_tables.DurabilityTarget,
    reference: int,
    *,
    seed: int,
    workers: int,
) -> MonteCarloCheck:
    """Count pseudo-random walls with a sampled cover under one strategy and compare with its curve."""
    one = wall.with_plans((wall.plans[reference],))
    at = np.array([target.life])
    samples = NUMERICAL_MONTE_CARLO_SAMPLES if wall.numerical else MONTE_CARLO_SAMPLES
    plain = float(monte_carlo_curves(one, at, samples=samples, seed=seed, workers=workers)[0, 0])
    by_repeat = special.ndtr(-curves.index_by_repeat(at)[:, reference, 0])
    sampled = float(special.ndtr(-curves.mean.at(at)[reference, 0]))
    # the Monte Carlo estimate's own variance, with the other answer in place of a count of 0 or all
    variance = max(sampled * (1.0 - sampled), 1.0 / samples) / samples
    spread = np.var(by_repeat, ddof=1) / len(by_repeat)
    likely = max(sampled, plain)
    if _is_count_too_small(curves, likely, samples):
        spread = max(spread, likely * (1.0 - likely) / curves.samples)
    error = float(np.sqrt(variance + spread))
    deviations = abs(plain - sampled) / error
    return MonteCarloCheck(samples, plain, sampled, error, deviations, deviations <= MAX_DEVIATIONS)


def _is_count_too_small(curves: CurveSet, likely: float, samples: int) -> bool:
    """Whether so few walls lie near the event that the spread over repeats says nothing."""
    return curves.samples < samples and 0.0 < curves.samples * likely < MIN_EXPECTED_COUNT


def _uniform_face(wall: Wall, scenario: Scenario, *, workers: int) -> pd.DataFrame:
    curves = compute_curves(
        wall.with_uniform_penalty(), scenario, workers=workers, progress=None, band=False
    )
    at = np.array([scenario.target.service_life])
    return pd.DataFrame(
        {
            "strategy": [plan.name for plan in wall.plans],
            "probability_at_target": special.ndtr(-curves.mean.at(at))[:, 0],
        }
    )


def _literal_reference(wall: Wall, scenario: Scenario, *, workers: int) -> float | None:
    """Return P of the reference strategy with k_c = 1 for concrete cured like its test specimens.

    None where that is the scenario's own reference, or nothing depends on it.
    """
    reference = next(p for p in wall.plans if p.name == scenario.reference_strategy)
    if not scenario.specimens_in_water or wall.reference_d >= WATER_D or reference.penalty:
        return None
    literal = dataclasses.replace(wall, plans=(reference,), reference_d=WATER_D)
    curves = compute_curves(literal, scenario, workers=workers, progress=None, band=False)
    at = np.array([scenario.target.service_life])
    return float(special.ndtr(-curves.mean.at(at))[0, 0])


def _literal_warning(scenario: Scenario, given: float, literal: float) -> str:
    ours, other = distinct_percents(given, literal)
    return (
        f'With reference = "28 d", the curing of the test specimens, the probability of '
        f'"{scenario.reference_strategy}" at {years(scenario.target.service_life)} is {other} instead '
        f"of {ours}."
    )


def _cover_share(margin: MarginIndices, strategy: int) -> dict[str, float]:
    """Share of an independent cover in the margin of a strategy: exact, and sampled as a check."""
    cover = next((item for item in margin.items if item.input == COVER and not item.reason), None)
    if cover is None:
        return {}
    k = margin.sets.index(cover.columns)
    exact, first, total = (
        values[:, k, strategy]
        for values in (margin.estimates.total, margin.sampled.first, margin.sampled.total)
    )
    if not np.isfinite(total).all():
        return {}
    mean, low, high = (float(x) for x in t_interval(total - first))
    return {
        "exact": float(exact.mean()),
        "first": float(first.mean()),
        "total": float(total.mean()),
        "total_minus_first": mean,
        "low95": low,
        "high95": high,
    }


def _warnings(
    scenario: Scenario, curves: CurveSet, check: MonteCarloCheck, choices: ChoiceAnalysis | None
) -> list[str]:
    messages = []
    if not check.agrees:
        plain, sampled = distinct_percents(check.plain, check.sampled)
        messages.append(
            f"PLAIN MONTE CARLO DISAGREES: {plain} against {sampled} at the "
            f"target life, {number(check.deviations)} standard errors apart. Do not use these results."
        )
    if _is_count_too_small(curves, max(check.plain, check.sampled), check.samples):
        messages.append(
            f"The check by plain Monte Carlo is too weak to tell anything: of {count(curves.samples)} "
            f"sampled walls fewer than {number(MIN_EXPECTED_COUNT)} are expected to depassivate. Raise the points of "
            "[sampling]."
        )
    special = {
        case: share for case, share in curves.case_shares.items() if case in CASES_WITHOUT_FRONT
    }
    if scenario.service.chloride and sum(special.values()) > 0.5:
        cases = "; ".join(f"{case}, {percent(share)}" for case, share in special.items())
        messages.append(
            f"Most of the sampled walls have no front to follow ({cases}). Check the contents with "
            "their basis, the cover and the convection zone before using the answer."
        )
    if curves.know_low is None:
        messages.append(NOTHING_EPISTEMIC)
    if curves.integrated != COVER:
        what = (
            f"{curves.integrated} was integrated exactly instead of the cover"
            if curves.integrated
            else "neither cover nor diffusivity is random, so the samples were counted"
        )
        messages.append(f"In the curves {what}.")
    if curves.interpolation_error > 2e-6:
        messages.append(
            "The curves are interpolated with an error up to "
            f"{number(curves.interpolation_error, 2)} in probability."
        )
    if scenario.monthly_temperature and scenario.service.first_month is None:
        messages.append(
            "The temperature factor is the mean of twelve monthly factors: exact at whole years "
            "for a constant diffusivity, an approximation otherwise."
        )
    if scenario.choices is None:
        messages.append("Without a [choices] section cover and curing time are not compared.")
    return messages
