"""What the rows of a class need of its tables, and the tables themselves."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from stripwise.risk.probability.face_grid import CuringLine, FaceGrid, FacePlaces
from stripwise.risk.probability.face_tables import (
    FaceTables,
    TableSample,
    compute_tables,
    table_sample,
)
from stripwise.risk.probability.reliability_index import FIRST_AGE
from stripwise.risk.probability.shared_draws import draw_scores, shared_names, shared_sample
from stripwise.risk.probability.table_axes import Axis, even_axis, kinked_axis, listed_axis
from stripwise.studies.inventory.check_rows import Faces
from stripwise.studies.inventory.face_classes import FaceClass
from stripwise.studies.inventory.learned_scores import Learned, wall_known_from

__all__ = [
    "TOTAL_YEARS",
    "ClassNeeds",
    "class_sample",
    "draw_keys",
    "face_covers",
    "face_grid",
    "face_places",
    "solve_before",
    "solve_class",
]

Array = NDArray[np.float64]

COVER_STEP = 0.6
"""Step of the covers of a table over the sd of the cover."""
SMALLEST_COVER_STEP, LARGEST_COVER_STEP = 2.0, 5.0
"""Least and largest such step [mm]."""

STRIP_STEP = 0.55
"""Step of ln of the equivalent curing of a table."""

MOST_LISTED = 4
"""Most values that stand in a table as they are; more are read between nodes."""

TABLE_AGES = 16
"""Ages of a table from the first year on."""

TOTAL_YEARS = 50
"""Years from the year of the state that totals go over."""


@dataclass(slots=True)
class _Span:
    """Values of a column: the first few as they are, then the range of all."""

    values: set[float] = field(default_factory=set)

    def add(self, new: Array) -> None:
        found = self.values | {float(x) for x in np.unique(np.round(new, 9))}
        if len(found) > MOST_LISTED + 2:
            ordered = sorted(found)
            # both ends and, as a sign that the list is not whole, what lies beyond its length
            found = {*ordered[: MOST_LISTED + 1], ordered[-1]}
        self.values = found

    @property
    def low(self) -> float:
        return min(self.values)

    @property
    def high(self) -> float:
        return max(self.values)

    @property
    def few(self) -> bool:
        return len(self.values) <= MOST_LISTED


@dataclass(slots=True)
class ClassNeeds:
    """What the rows of one class need.

    Attributes
    ----------
    faces
        Number of rows.
    strategies
        Positions of the strategies that rows name.
    strip, after
        ln of the equivalent hours until stripping, and equivalent hours of what follows, by the
        retention that counts; "" where nothing follows or a fixed share of it counts.
    cover, cover_sd
        Nominal covers, and sds where rows give any [mm].
    oldest
        Largest age [yr].
    """

    faces: int = 0
    strategies: set[int] = field(default_factory=set)
    strip: dict[str, _Span] = field(default_factory=dict)
    after: dict[str, _Span] = field(default_factory=dict)
    cover: _Span = field(default_factory=_Span)
    cover_sd: _Span = field(default_factory=_Span)
    oldest: float = 0.0

    def add(self, one: FaceClass, faces: Faces, rows: NDArray[np.intp]) -> None:
        """Take in the rows of this class among those of a piece."""
        self.faces += rows.size
        self.oldest = max(self.oldest, float(np.max(faces.age[rows])))
        cover, sd = face_covers(one, faces, rows)
        self.cover.add(cover)
        if not np.isnan(faces.cover_sd[rows]).all():
            self.cover_sd.add(sd)
        named = faces.strategy[rows]
        self.strategies |= {int(k) for k in np.unique(named[named >= 0])}
        lawful = rows[named < 0]
        if lawful.size:
            names, log_strip, after = _cured(one, faces, lawful)
            for name in sorted(set(names)):
                own = np.array([n == name for n in names])
                self.strip.setdefault(name, _Span()).add(log_strip[own])
                self.after.setdefault(name, _Span()).add(after[own])


def face_covers(one: FaceClass, faces: Faces, rows: NDArray[np.intp]) -> tuple[Array, Array]:
    """Return nominal cover and sd [mm] of some rows of a class."""
    wall = one.wall
    cover = np.where(np.isnan(faces.cover[rows]), wall.nominal_cover, faces.cover[rows])
    sd = np.where(np.isnan(faces.cover_sd[rows]), one.cover_sd, faces.cover_sd[rows])
    return cover, sd


def _cured(one: FaceClass, faces: Faces, rows: NDArray[np.intp]) -> tuple[list[str], Array, Array]:
    """Return line, ln equivalent hours and hours of what follows, of rows without a strategy.

    A fixed share of what follows is added to what the forms gave.
    """
    strip, after = faces.strip_h[rows].copy(), faces.after_h[rows].copy()
    names = [faces.retention[k] for k in rows]
    for name in set(names) - {""}:
        law = one.retention(name).distribution
        if law.is_fixed:
            own = np.array([n == name for n in names])
            strip[own] += law.mean * after[own]
            after[own] = 0.0
            names = ["" if n == name else n for n in names]
    after[[n == "" for n in names]] = 0.0
    return names, np.log(strip), after


def face_grid(one: FaceClass, needs: ClassNeeds) -> FaceGrid:
    """Return the nodes that hold every row of a class."""
    wall, case = one.wall, one.case
    kinks = [np.log(24.0 * days) for days in wall.law.kinks_d]
    lines = []
    for name in sorted(needs.strip):
        strip, after = needs.strip[name], needs.after[name]
        lines.append(
            CuringLine(
                kinked_axis(strip.low, strip.high, () if name else kinks, step=STRIP_STEP),
                listed_axis([0.0]) if not name else _few_or_kinked(after),
                name,
            )
        )
    step = float(np.clip(COVER_STEP * one.cover_sd, SMALLEST_COVER_STEP, LARGEST_COVER_STEP))
    spread = None
    if needs.cover_sd.values:
        spread = _few_or_kinked(_logs(needs.cover_sd))
        smallest = COVER_STEP * float(np.exp(spread.nodes[0]))
        step = float(np.clip(smallest, SMALLEST_COVER_STEP, LARGEST_COVER_STEP))
    return FaceGrid(
        lines=tuple(lines),
        named=tuple(wall.plans[k] for k in sorted(needs.strategies)),
        cover=even_axis(needs.cover.low, needs.cover.high, step),
        spread=spread,
        ages=_ages(one, needs.oldest, case.target.service_life),
    )


def _few_or_kinked(span: _Span) -> Axis:
    if span.few:
        return listed_axis(sorted(span.values))
    return kinked_axis(span.low, span.high, (), step=(span.high - span.low) / 3.0)


def _logs(span: _Span) -> _Span:
    return _Span({float(np.log(x)) for x in span.values})


def _ages(one: FaceClass, oldest: float, life: float) -> Array:
    """Return the ages of a table, beyond every age that a total asks for."""
    case = one.case
    last = max(case.sampling.horizon, 1.5 * life, max(oldest, 0.0) + TOTAL_YEARS + 1.0)
    if case.interventions and case.cost is not None:
        last = max(last, case.cost.horizon)
    kinks = [life, case.ageing_ends]
    if case.service.history is not None:
        kinks += list(case.service.history.breakpoints)
    coating = None if one.wall.conditions is None else one.wall.conditions.coating
    if coating is not None and one.wall.input(coating.life).distribution.is_fixed:
        kinks.append(one.wall.input(coating.life).distribution.mean)
    even = np.concatenate([[FIRST_AGE, 0.1, 0.4], np.geomspace(1.0, last, TABLE_AGES)])
    if one.wall.conditions is not None and one.wall.conditions.first_month is not None:
        even = np.where(even > 0.5, np.maximum(np.rint(even), 1.0), even)
    return np.unique(np.concatenate([[0.0], even, [k for k in kinks if FIRST_AGE < k < last]]))


def face_places(
    one: FaceClass, grid: FaceGrid, needs: ClassNeeds, faces: Faces, rows: NDArray[np.intp]
) -> FacePlaces:
    """Return where some rows of a class lie on its grid."""
    cover, sd = face_covers(one, faces, rows)
    line = np.zeros(rows.size, dtype=np.intp)
    log_strip, after = np.zeros(rows.size), np.zeros(rows.size)
    named = faces.strategy[rows]
    order = sorted(needs.strategies)
    for place, k in enumerate(order):
        line[named == k] = len(grid.lines) + place
    lawful = np.flatnonzero(named < 0)
    if lawful.size:
        names, log_strip[lawful], after[lawful] = _cured(one, faces, rows[lawful])
        position = {item.retention: k for k, item in enumerate(grid.lines)}
        line[lawful] = [position[name] for name in names]
    log_sd = np.log(sd) if grid.spread is not None else np.zeros(rows.size)
    return FacePlaces(line, log_strip, after, cover, log_sd)


def draw_keys(classes: list[FaceClass]) -> list[str]:
    """List the keys of the draws that the faces of an inventory share."""
    keys: dict[str, None] = {}
    for one in classes:
        for name in shared_names(one.wall):
            keys.setdefault(one.draw_key(name))
    return list(keys)


def class_sample(one: FaceClass) -> TableSample:
    """Return the sizes of the samples behind the tables of a class."""
    case = one.case
    return table_sample(one.wall, case.sampling.points, confidence=case.target.confidence)


def solve_class(
    one: FaceClass, grid: FaceGrid, *, keys: list[str], draws: int, learned: Learned | None = None
) -> FaceTables:
    """Compute the tables of a class; `draws` are shared by all classes, by `keys`, or are `learned`."""
    case, target = one.case, one.case.target
    sample = class_sample(one)
    own: Mapping[str, Array] = {}
    if learned is None:
        scores = draw_scores(keys, draws, seed=case.sampling.seed) if keys else {}
    else:
        scores, own = learned.few_of(one)
    return compute_tables(
        wall_known_from(one, learned),
        grid,
        target_age=target.service_life,
        target_index=target.reliability_index,
        confidence=target.confidence,
        sample=sample,
        seed=case.sampling.seed,
        shared=lambda wall: shared_sample(
            replace(wall, draws=None),
            scores,
            key=one.draw_key,
            points=sample.inner_points,
            seed=case.sampling.seed,
            own=own,
        ),
        runs=1 if learned is None else learned.own_runs(one),
    )


def solve_before(one: FaceClass, grid: FaceGrid) -> FaceTables:
    """Compute what faces of a class read of their answer without inspections: few ages, no totals."""
    case, target = one.case, one.case.target
    life = target.service_life
    return compute_tables(
        one.wall,
        replace(grid, ages=np.array([0.0, 0.5 * life, life])),
        target_age=life,
        target_index=target.reliability_index,
        confidence=target.confidence,
        sample=class_sample(one),
        seed=case.sampling.seed,
        shared=lambda _wall: None,
    )
