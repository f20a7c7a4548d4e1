"""What inspections say about a wall: its posterior, and every answer before and after."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from stripwise.distributions.posterior_points import LEAST_EFFECTIVE, WeightedPoints
from stripwise.distributions.sampling import random_stream
from stripwise.errors import InputError, NumericalError
from stripwise.evidence.inspections.inspection_kinds import INSPECTIONS
from stripwise.evidence.inspections.inspection_rows import read_set
from stripwise.evidence.inspections.inspection_sets import InspectionSet, refuse_repeats
from stripwise.evidence.tables.data_file import DataFile, read_data_file, read_data_frame
from stripwise.risk.model.wall import Wall
from stripwise.scenario.model import Scenario
from stripwise.studies.case_options import with_options
from stripwise.studies.epistemic_draws import draws_table
from stripwise.studies.from_scenario import build_wall
from stripwise.studies.update.before_and_after import (
    answer_table,
    answer_to,
    curve_table,
    learned_table,
)
from stripwise.studies.update.cover_spread import cover_spread
from stripwise.studies.update.earlier_data import earlier_update
from stripwise.studies.update.epistemic_scores import EpistemicDraws, EpistemicScores
from stripwise.studies.update.evidence_of_sets import (
    SetLikelihoods,
    check_sets,
    points_on_face,
    unknown_errors,
)
from stripwise.studies.update.next_inspection import next_inspections
from stripwise.studies.update.posterior_of_sets import Posterior, find_posterior
from stripwise.studies.update.predicted_profiles import profile_bands
from stripwise.studies.update.prior_predictive import surprise_table
from stripwise.studies.update.specimen_likelihood import SpecimenLikelihood
from stripwise.studies.update.update_result import UpdateResult
from stripwise.studies.update.weight_of_data import (
    data_table,
    probabilities_by_point,
    variance_shares,
)
from stripwise.units.formatting import number
from stripwise.units.names import printable
from stripwise.units.software import software_used

__all__ = ["update"]

Progress = Callable[[str, float], None]
Table = str | Path | pd.DataFrame

WITHOUT_POINTS, LEAST_NEAR = 2**11, 50.0
"""Points of a posterior without one set, and effective points of the posterior with it from which
it is sought there."""

PRIOR_DRAWS = 2048
"""Draws of the prior for what stands before the update."""

INTEGRAL_POINTS = 16
"""Points of the integral over what varies along the wall, before it is checked."""


def update(
    case: Scenario,
    tables: Table | Sequence[Table],
    *,
    as_scatter: bool = False,
    first_exposure: str | None = None,
    next_at: float | None = None,
    points: int | None = None,
    seed: int | None = None,
    workers: int = 2,
    progress: Progress | None = None,
) -> UpdateResult:
    """Update what is epistemic of a wall by inspections, and give every answer before and after.

    Parameters
    ----------
    case
        A scenario, as `stripwise.load` returns it.
    tables
        One file of inspections or several, as paths or DataFrames; the columns tell the kind.
    as_scatter
        Whether a measured input that only varies along the wall stays so.
    first_exposure
        Date of first exposure, "2021-05-20", from which dates of inspections count.
    next_at
        Age of the wall [yr] at which a next inspection is weighed; none unless given.
    points, seed
        Instead of the scenario's: points of a scrambling of the curves, a power of two, and the
        seed.
    workers
        Threads; the results do not depend on it.
    progress
        Called with the name of a stage and the share of it that is done, in [0, 1].

    Returns
    -------
    The `UpdateResult`; its `after` is the case with the posterior, which any study takes.

    Raises
    ------
    EvidenceError
        With everything that is wrong with the data.
    NumericalError
        If fewer than 400 effective draws are left.

    Examples
    --------
    >>> import stripwise
    >>> case = stripwise.load("scenarios/inspections/inspected-wall.toml")
    >>> result = stripwise.update(case, "scenarios/inspections/cover.csv", points=256)
    >>> len(result.posterior) >= 400
    True
    """
    case = with_options(case, points=points, seed=seed)
    many = _as_list(tables)
    given = [Path(table) for table in many if not isinstance(table, pd.DataFrame)]
    earlier = earlier_update(case, given, first_exposure=first_exposure)
    if earlier is not None:
        case = with_options(earlier.prior, points=points, seed=seed)
        many = [*earlier.paths, *many]
        first_exposure = first_exposure or earlier.first_exposure
    if next_at is not None and not 0.0 < next_at <= case.sampling.horizon:
        rule = f"= {number(next_at)} yr must be above 0 and within the horizon of the scenario"
        raise InputError("next inspection", rule)
    report = progress or (lambda _stage, _done: None)
    wall = build_wall(case)
    sets = read_sets(many, case, first_exposure=_first_exposure(first_exposure))
    notes = check_sets(sets, case, wall, as_scatter=as_scatter)
    notes += [] if earlier is None else [earlier.note]
    scores = EpistemicScores.from_wall(wall, unknown_errors(sets))
    likelihoods = SetLikelihoods.from_sets(
        sets,
        case,
        wall,
        middle=scores.middle(),
        workers=workers,
        points=INTEGRAL_POINTS,
    )
    seed_used = case.sampling.seed
    posterior = find_posterior(
        wall, scores, likelihoods, seed=seed_used, progress=lambda done: report("posterior", done)
    )
    report("posterior", 1.0)
    draws = draws_table(case, {**posterior.draws.inputs, **posterior.draws.scores})
    after_case = with_options(case, knowledge=draws)
    before = answer_to(case, workers=workers, progress=progress)
    after = answer_to(after_case, workers=workers, progress=progress)
    age = max(one.last_age for one in sets)
    planned = None
    if next_at is not None:
        planned = next_inspections(case, wall, posterior.draws, age=next_at, workers=workers)
    probability = probabilities_by_point(
        wall,
        case.reference_strategy,
        case.target.service_life,
        posterior.all_draws,
        seed=seed_used,
        workers=workers,
    )
    shares = variance_shares(posterior.all_draws, posterior.points.weights(), probability)
    prior = _prior_draws(scores, seed=seed_used)
    specimens = [
        specimen
        for one in likelihoods.likelihoods
        if isinstance(one, SpecimenLikelihood)
        for specimen in one.specimens
    ]
    return UpdateResult(
        case=case,
        after=after_case,
        sets=sets,
        posterior=draws,
        curves=curve_table(before, after),
        strategies=answer_table(before, after, age=age),
        inputs=learned_table(scores.items, posterior.draws, shares),
        data=data_table(
            sets,
            posterior,
            probability,
            without=lambda k: _without(
                k, wall, scores, likelihoods, case=case, near=posterior.points, workers=workers
            ),
        ),
        checks=surprise_table(sets, likelihoods, scores, seed=seed_used),
        covers=cover_spread(sets, wall),
        profiles=profile_bands(
            specimens, wall, before=prior, after=posterior.draws, seed=seed_used
        ),
        next_inspections=planned,
        age=age,
        notes=tuple(notes),
        run={**_record(posterior, likelihoods, case), "first_exposure": first_exposure},
    )


def _first_exposure(text: str | None) -> date | None:
    try:
        return None if text is None else date.fromisoformat(text.strip())
    except ValueError as error:
        rule = f"= {printable(text)} must be a date such as 2021-05-20"
        raise InputError("first exposure", rule) from error


def _as_list(tables: Table | Sequence[Table]) -> list[Table]:
    many = [tables] if isinstance(tables, str | Path | pd.DataFrame) else list(tables)
    if not many:
        raise InputError("tables", "holds no file of inspections; give at least one")
    return many


def read_sets(
    tables: Sequence[Table], case: Scenario, *, first_exposure: date | None = None
) -> tuple[InspectionSet, ...]:
    """Read files of inspections, all problems of a file at once."""
    sets = []
    for place, table in enumerate(tables, start=1):
        data_file: DataFile = (
            read_data_frame(table, kinds=INSPECTIONS, name=f"table-{place}.csv")
            if isinstance(table, pd.DataFrame)
            else read_data_file(table, kinds=INSPECTIONS)
        )
        effective = points_on_face(case)
        sets.append(read_set(data_file, effective=effective, first_exposure=first_exposure))
    refuse_repeats(tuple(sets))
    return tuple(sets)


def _prior_draws(scores: EpistemicScores, *, seed: int) -> EpistemicDraws:
    return scores.prior(PRIOR_DRAWS, random_stream(seed, stage="update", index=(0, 3000)))


def _without(
    k: int,
    wall: Wall,
    scores: EpistemicScores,
    likelihoods: SetLikelihoods,
    *,
    case: Scenario,
    near: WeightedPoints,
    workers: int,
) -> float:
    """Return P of the reference at the target life by a posterior without one set.

    `near` are the points with all sets, from which it is sought where some of them still count.
    """
    kept = tuple(one for j, one in enumerate(likelihoods.likelihoods) if j != k)
    seed = case.sampling.seed
    if kept:
        fewer = dataclasses.replace(likelihoods, likelihoods=kept)
        left = dataclasses.replace(near, parts=np.delete(near.parts, k, axis=0))
        start = left if left.effective >= LEAST_NEAR else None
        try:
            draws = find_posterior(
                wall,
                scores,
                fewer,
                seed=seed,
                points=WITHOUT_POINTS,
                start=start,
                checked=wall.draws is not None,
            ).draws
        except NumericalError:
            return math.nan
    else:
        draws = _prior_draws(scores, seed=seed)
    chosen = draws.rows(np.linspace(0, draws.count - 1, PRIOR_DRAWS).astype(np.intp))
    probability = probabilities_by_point(
        wall,
        case.reference_strategy,
        case.target.service_life,
        chosen,
        seed=seed,
        workers=workers,
    )
    return float(probability.mean())


def _record(posterior: Posterior, likelihoods: SetLikelihoods, case: Scenario) -> dict[str, Any]:
    points = posterior.points
    return {
        "seed": case.sampling.seed,
        "draws": posterior.draws.count,
        "effective_draws": points.effective,
        "least_effective_draws": LEAST_EFFECTIVE,
        "tempering_steps": points.rungs,
        "log_evidence": points.log_evidence(),
        "log_likelihood_error": posterior.integral_error,
        "integral_points": posterior.integral_points,
        **software_used(),
    }
