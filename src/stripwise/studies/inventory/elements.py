"""What the faces of one part come to: probabilities, ranges, decision, life, and their share of totals.

Axes: e faces, k epistemic points, q shared draws.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.risk.probability.confidence import share_error
from stripwise.risk.probability.face_grid import FaceGrid, Stencil
from stripwise.risk.probability.face_tables import LARGEST_INDEX, MOST_YEARS, FaceTables
from stripwise.risk.probability.intervals import RANGE_ENDS, point_quantile
from stripwise.risk.probability.reliability_index import Curves
from stripwise.scenario.sections.target import Target
from stripwise.studies.inventory.check_rows import Faces
from stripwise.studies.inventory.class_tables import (
    TOTAL_YEARS,
    ClassNeeds,
    face_places,
)
from stripwise.studies.inventory.face_answers import (
    ANSWERS,
    answers_without_inspections,
    decide_faces,
)
from stripwise.studies.inventory.face_classes import FaceClass
from stripwise.studies.inventory.learned_scores import Learned, wall_known_from
from stripwise.studies.money_saved import money_saved

__all__ = ["ANSWERS", "COHORT_YEARS", "Elements", "PartTotals", "SolvedClass", "evaluate"]

Array = NDArray[np.float64]

COHORT_YEARS = 0.5
"""Step of the ages that totals go by [yr]; a face is shared by the two nearest."""

SCRAMBLINGS = 8
"""Scramblings that the epistemic points of a table come from."""


@dataclass(frozen=True, slots=True)
class SolvedClass:
    """A class with what its rows need, its tables, and beside inspections those without them."""

    one: FaceClass
    needs: ClassNeeds
    tables: FaceTables
    before: FaceTables | None = None
    learned: Learned | None = None

    @property
    def grid(self) -> FaceGrid:
        """Nodes of its tables."""
        return self.tables.grid


@dataclass(frozen=True, slots=True)
class PartTotals:
    """What a part adds to the totals.

    Attributes
    ----------
    weights
        By class: flat places in (group, cohort, plan, cover), faces and area there.
    past
        (g, 1 + q, y) faces that pass the limit in each year from the state on, of the predictive P
        and of each shared draw; those of year 0 passed it before.
    """

    weights: dict[int, tuple[NDArray[np.int64], Array, Array]]
    past: NDArray[np.int32]
    met: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Elements:
    """Results of the faces of a part, (e,) each; NaN where a thing cannot be said.

    `answer` is a place in `ANSWERS`; `direct` whether the face was computed directly; `saved` (e, i)
    what each intervention saves [per m2]; `before` and `answer_before` are P and answer without
    inspections, empty where there are none.
    """

    probability_now: Array
    probability: Array
    know_low: Array
    know_high: Array
    confidence: Array
    confidence_low95: Array
    confidence_high95: Array
    answer: NDArray[np.int8]
    life: Array
    direct: NDArray[np.bool_]
    saved: Array
    before: Array
    answer_before: NDArray[np.int8]
    totals: PartTotals


def evaluate(
    faces: Faces,
    classes: dict[int, SolvedClass],
    *,
    groups: list[str],
    first_cohort: int,
    cohorts: int,
    draws: int,
    targets: Sequence[tuple[float, float]] = (),
) -> Elements:
    """Evaluate the faces of a part."""
    size = faces.rows.size
    nan = np.full(size, np.nan)
    earlier = size if any(one.before is not None for one in classes.values()) else 0
    found = Elements(
        probability_now=nan.copy(),
        probability=nan.copy(),
        know_low=nan.copy(),
        know_high=nan.copy(),
        confidence=nan.copy(),
        confidence_low95=nan.copy(),
        confidence_high95=nan.copy(),
        answer=np.zeros(size, dtype=np.int8),
        life=nan.copy(),
        direct=np.zeros(size, dtype=bool),
        saved=np.full((size, len(next(iter(classes.values())).one.case.interventions)), np.nan),
        before=np.full(earlier, np.nan),
        answer_before=np.zeros(earlier, dtype=np.int8),
        totals=PartTotals(
            {},
            np.zeros((len(groups), 1 + draws, TOTAL_YEARS + 2), dtype=np.int32),
            np.zeros(len(targets), dtype=np.int64),
        ),
    )
    place = {name: k for k, name in enumerate(groups)}
    group = np.array([place.get(name, 0) for name in faces.group], dtype=np.int64)
    for at in np.unique(faces.face_class):
        rows = np.flatnonzero(faces.face_class == at)
        _evaluate_class(
            found,
            faces,
            classes[int(at)],
            rows,
            int(at),
            group=group,
            first_cohort=first_cohort,
            cohorts=cohorts,
            draws=draws,
            targets=targets,
        )
    return found


def _evaluate_class(
    found: Elements,
    faces: Faces,
    solved: SolvedClass,
    rows: NDArray[np.intp],
    at: int,
    *,
    group: NDArray[np.int64],
    first_cohort: int,
    cohorts: int,
    draws: int,
    targets: Sequence[tuple[float, float]],
) -> None:
    one, tables, grid = solved.one, solved.tables, solved.grid
    target = one.case.target
    places = face_places(one, grid, solved.needs, faces, rows)
    index = np.empty((rows.size, grid.ages.size))
    points = 0 if tables.outer is None else tables.outer.shape[-1]
    outer = np.empty((rows.size, points), dtype=np.float32)
    demanded = None
    if tables.demanded is not None:
        demanded = np.empty((rows.size, tables.draw_ages.size))
    lives = np.empty((rows.size, tables.life.shape[-1]), dtype=np.float32)
    age = faces.age[rows]
    flat = []
    stencils = list(grid.stencils(places))
    for stencil in stencils:
        own = stencil.faces
        index[own] = stencil.read(tables.index)
        if tables.outer is not None:
            outer[own] = stencil.read(tables.outer)
        if demanded is not None and tables.demanded is not None:
            demanded[own] = stencil.read(tables.demanded)
        lives[own] = stencil.read(tables.life)
        flat.append(
            _flat_weights(
                stencil,
                age[own],
                group[rows[own]],
                faces.area[rows[own]],
                nodes=tables.index.shape[:2],
                first_cohort=first_cohort,
                cohorts=cohorts,
            )
        )
    curves = _falling(grid.ages, index)
    index = curves.index
    # both must hold where a confidence is demanded, as in the decision
    conditions = [curves]
    if demanded is not None:
        conditions.append(_falling(tables.draw_ages, demanded))
    at_target = int(np.argmin(np.abs(grid.ages - target.service_life)))
    p = special.ndtr(-index[:, at_target])
    p[index[:, at_target] >= LARGEST_INDEX] = 0.0
    now = special.ndtr(-curves.at_each(age[:, np.newaxis])[:, 0])
    found.probability_now[rows] = np.where(age < 0.0, 0.0, now)
    found.saved[rows] = money_saved(one.case, curves, age)
    life = np.min([one.age_at_index(target.reliability_index) for one in conditions], axis=0)
    known = replace(one, wall=wall_known_from(one, solved.learned))
    if points:
        _ranges(found, outer, rows, target)
    answer, near = decide_faces(faces, known, tables, rows, p, outer)
    found.direct[rows[near]] = True
    if solved.before is not None:
        found.before[rows], found.answer_before[rows] = answers_without_inspections(
            faces, one, solved.before, rows, stencils
        )
    life = np.where(answer == 0, np.maximum(life, target.service_life), life)
    life = np.where(answer == 0, life, np.minimum(life, target.service_life))
    life[life >= MOST_YEARS] = np.inf
    found.probability[rows], found.answer[rows], found.life[rows] = p, answer, life
    found.totals.met[:] += _count_met(conditions, answer, target, targets)
    _add_past(found.totals.past, group[rows], age, life, lives, draws)
    spots = np.concatenate([part[0] for part in flat])
    unique, inverse = np.unique(spots, return_inverse=True)
    by_face, by_area = (
        np.bincount(inverse, weights=np.concatenate([part[k] for part in flat])).astype(float)
        for k in (1, 2)
    )
    found.totals.weights[at] = (unique, by_face, by_area)


def _count_met(
    conditions: list[Curves],
    answer: NDArray[np.int8],
    stated: Target,
    targets: Sequence[tuple[float, float]],
) -> list[int]:
    """Count the faces that meet each target; those of the stated one by their decision."""
    counts = []
    for age, limit in targets:
        if (age, limit) == (stated.service_life, stated.reliability_index):
            counts.append(int(np.sum(answer == 0)))
        else:
            wanted = np.array([min(age, float(conditions[0].ages[-1]))])
            there = np.array([one.at(wanted)[:, 0] for one in conditions])
            counts.append(int(np.sum(np.all(there >= limit, axis=0))))
    return counts


def _falling(ages: Array, index: Array) -> Curves:
    """Return the curves (e, a) of an index read between nodes, cut and made to fall."""
    cut = np.clip(index, -LARGEST_INDEX, LARGEST_INDEX)
    return Curves(ages, np.minimum.accumulate(cut, axis=-1))


def _ranges(
    found: Elements,
    outer: NDArray[np.float32],
    rows: NDArray[np.intp],
    target: Target,
) -> None:
    """Put in range and confidence."""
    ends = point_quantile(outer, RANGE_ENDS[::-1], axis=1)
    found.know_low[rows], found.know_high[rows] = special.ndtr(-ends.astype(float))
    met = outer.reshape(rows.size, SCRAMBLINGS, -1) >= target.reliability_index
    mean = met.mean(axis=(1, 2))
    half = share_error(met.mean(axis=2).T, mean, met.shape[2])
    found.confidence[rows] = mean
    found.confidence_low95[rows] = np.clip(mean - half, 0.0, 1.0)
    found.confidence_high95[rows] = np.clip(mean + half, 0.0, 1.0)


def _flat_weights(
    stencil: Stencil,
    age: Array,
    group: NDArray[np.int64],
    area: Array,
    *,
    nodes: tuple[int, ...],
    first_cohort: int,
    cohorts: int,
) -> tuple[NDArray[np.int64], Array, Array]:
    """Return places in (group, cohort, plan, cover) with the faces and areas there."""
    plans, covers = nodes
    column = (stencil.plans[:, np.newaxis] * covers + stencil.covers).ravel()
    position = age / COHORT_YEARS - first_cohort
    lower = np.clip(np.floor(position).astype(np.int64), 0, cohorts - 2)
    share = np.clip(position - lower, 0.0, 1.0)
    areas = np.nan_to_num(area)
    spots, weights, by_area = [], [], []
    for step, part in ((0, 1.0 - share), (1, share)):
        row = (group * cohorts + lower + step) * (plans * covers)
        w = stencil.weights * part[:, np.newaxis]
        spots.append((row[:, np.newaxis] + column).ravel())
        weights.append(w.ravel())
        by_area.append((w * areas[:, np.newaxis]).ravel())
    return np.concatenate(spots), np.concatenate(weights), np.concatenate(by_area)


def _add_past(  # noqa: PLR0917
    past: NDArray[np.int32],
    group: NDArray[np.int64],
    age: Array,
    life: Array,
    lives: NDArray[np.float32],
    draws: int,
) -> None:
    """Count in which year from the state on each face passes the limit, by draw."""
    years = past.shape[-1]
    by_draw = np.broadcast_to(np.exp(lives.astype(float)), (life.size, lives.shape[1]))
    if by_draw.shape[1] == 1:
        by_draw = np.broadcast_to(by_draw, (life.size, draws))
    wait = np.column_stack([life, by_draw]) - age[:, np.newaxis]
    year = np.clip(np.ceil(np.minimum(wait, 1e6)), 0, years - 1).astype(np.int64)
    row = (group[:, np.newaxis] * past.shape[1] + np.arange(past.shape[1])) * years
    count = np.bincount((row + year).ravel(), minlength=past.size)
    past += count.reshape(past.shape).astype(np.int32)
