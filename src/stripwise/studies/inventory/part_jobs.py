"""What a worker does: solve a class, or compute a part; small messages, nothing shared but a plan."""

from __future__ import annotations

import copyreg
import csv
import hashlib
import io
import pickle
import threading
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from stripwise.errors import NumericalError
from stripwise.risk.probability.face_tables import FaceTables
from stripwise.studies.inventory.check_rows import Faces
from stripwise.studies.inventory.class_tables import (
    class_sample,
    face_covers,
    face_grid,
    solve_before,
    solve_class,
)
from stripwise.studies.inventory.elements import ANSWERS, Elements, SolvedClass, evaluate
from stripwise.studies.inventory.executor import Unprepared
from stripwise.studies.inventory.face_rows import Piece
from stripwise.studies.inventory.inventory_plan import INSPECTED_NAMES, InventoryPlan

__all__ = [
    "PartResult",
    "PlanPlace",
    "compute_part",
    "face_numbers",
    "result_header",
    "shared_draws",
    "solve",
]

Array = NDArray[np.float64]


def _read_only(items: dict[object, object]) -> MappingProxyType[object, object]:
    """Make a mapping that nobody changes, as a message of one has it."""
    return MappingProxyType(items)


copyreg.pickle(MappingProxyType, lambda mapping: (_read_only, (dict(mapping),)))


MOST_KNOWN = 2
"""Plans that a worker keeps: that of the tables and that of the parts."""

PAST, FUTURE = "past service life", "not yet exposed"
"""Statuses of a face beside "ok"."""


@dataclass(frozen=True, slots=True)
class PartResult:
    """A part as it comes back.

    Attributes
    ----------
    csv
        Its rows of elements.csv without the rank.
    faces
        (e,) what ranks, groups and lists need of each, as `face_numbers` has it.
    inspected
        Places in the part of the faces that were inspected.
    direct
        Faces that were computed directly.
    weights
        By class: places, faces and areas of the totals.
    past, met
        As `PartTotals`.
    """

    csv: bytes
    faces: NDArray[np.void]
    inspected: NDArray[np.int64]
    direct: int
    weights: dict[int, tuple[NDArray[np.int64], Array, Array]]
    past: NDArray[np.int32]
    met: NDArray[np.int64]


def face_numbers(plan: InventoryPlan) -> np.dtype[np.void]:
    """Return what is kept of every face: 42 bytes, 8 more an intervention and 9 with inspections.

    P at the target life and now, years left, area [m2], place in `ANSWERS` and among the groups,
    nominal cover [mm], ln of the mean equivalent curing [h] (NaN where a penalty is given), what each
    intervention saves [per m2], and P and answer without inspections.
    """
    numbers = [
        ("probability", "f8"),
        ("now", "f8"),
        ("left", "f8"),
        ("area", "f8"),
        ("answer", "i1"),
        ("group", "u1"),
        ("cover", "f4"),
        ("log_hours", "f4"),
        ("saved", "f8", len(plan.case.interventions)),
    ]
    earlier = [("before", "f8"), ("answer_before", "i1")]
    return np.dtype(numbers if plan.learned is None else [*numbers, *earlier])


@dataclass(frozen=True, slots=True)
class PlanPlace:
    """Where a worker finds a plan and the tables of its classes.

    Attributes
    ----------
    digest
        SHA-256 of their bytes.
    path
        The file of this machine that has them; None on another.
    data
        The bytes; empty for a worker that had them before.
    """

    digest: str
    path: Path | None = None
    data: bytes = b""


_KNOWN: dict[str, tuple[InventoryPlan, dict[int, SolvedClass]]] = {}
"""The last plans of this worker by their digest."""

_LOCK = threading.Lock()


def _plan(where: PlanPlace) -> tuple[InventoryPlan, dict[int, SolvedClass]] | None:
    """Return a plan; None where it did not come along and is not known."""
    with _LOCK:
        if where.digest not in _KNOWN:
            data = where.data if where.path is None else where.path.read_bytes()
            if not data:
                return None
            if hashlib.sha256(data).hexdigest() != where.digest:
                raise NumericalError("the plan of an inventory was replaced by that of another run")
            while len(_KNOWN) >= MOST_KNOWN:
                del _KNOWN[next(iter(_KNOWN))]
            _KNOWN[where.digest] = pickle.loads(data)
        return _KNOWN[where.digest]


def shared_draws(plan: InventoryPlan) -> int:
    """Return how many draws all faces share: as few as the slowest class takes."""
    return min(class_sample(one).draws for one in plan.classes.classes)


def solve(where: PlanPlace, place: int) -> tuple[FaceTables, FaceTables | None] | Unprepared:
    """Compute the tables of a class, and those without inspections where there are any."""
    if (known := _plan(where)) is None:
        return Unprepared()
    plan, _ = known
    one = plan.classes.classes[place]
    grid = face_grid(one, plan.needs[place])
    tables = solve_class(
        one, grid, keys=plan.draw_keys, draws=shared_draws(plan), learned=plan.learned
    )
    return tables, None if plan.learned is None else solve_before(one, grid)


def compute_part(where: PlanPlace, given: Piece | bytes) -> PartResult | Unprepared:
    """Compute the faces of a part, given as rows or as their bytes."""
    if (known := _plan(where)) is None:
        return Unprepared()
    plan, solved = known
    piece = pickle.loads(given) if isinstance(given, bytes) else given
    faces = plan.check(piece)
    draws = max(one.tables.life.shape[-1] for one in solved.values())
    found = evaluate(
        faces,
        solved,
        groups=plan.groups,
        first_cohort=plan.first_cohort,
        cohorts=plan.cohorts,
        draws=draws,
        targets=plan.targets,
    )
    life_of = np.array([one.case.target.service_life for one in plan.classes.classes])
    past = faces.age > life_of[faces.face_class]
    place = {name: k for k, name in enumerate(plan.groups)}
    numbers = np.empty(faces.rows.size, dtype=face_numbers(plan))
    numbers["probability"], numbers["now"] = found.probability, found.probability_now
    numbers["left"], numbers["area"] = found.life - faces.age, faces.area
    numbers["answer"] = found.answer
    numbers["group"] = [place.get(name, 0) for name in faces.group]
    numbers["cover"], numbers["log_hours"] = _drivers(plan, faces)
    numbers["saved"] = found.saved
    if plan.learned is not None:
        numbers["before"], numbers["answer_before"] = found.before, found.answer_before
    return PartResult(
        csv=_csv_rows(plan, piece, faces.age, found, past),
        faces=numbers,
        inspected=np.flatnonzero([name in plan.classes.inspected for name in faces.element]),
        direct=int(found.direct.sum()),
        weights=found.totals.weights,
        past=found.totals.past,
        met=found.totals.met,
    )


def _drivers(plan: InventoryPlan, faces: Faces) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return cover and mean equivalent curing of every face."""
    cover = np.empty(faces.rows.size, dtype=np.float32)
    hours = np.empty(faces.rows.size)
    for at in np.unique(faces.face_class):
        one, rows = plan.classes.classes[at], np.flatnonzero(faces.face_class == at)
        cover[rows] = face_covers(one, faces, rows)[0]
        means = {item.name: item.distribution.mean for item in one.wall.inputs}
        share = np.array(
            [means[name] if name else 0.0 for name in (faces.retention[k] for k in rows)]
        )
        hours[rows] = faces.strip_h[rows] + share * faces.after_h[rows]
        for k, strategy in enumerate(one.wall.plans):
            given = np.nan if strategy.penalty else 24.0 * float(strategy.effective_days(means))
            hours[rows[faces.strategy[rows] == k]] = given
    return cover, np.log(hours).astype(np.float32)


def result_header(plan: InventoryPlan) -> list[str]:
    """Return the head of elements.csv without the rank."""
    given = [name for name in plan.header.names if name != "element"]
    more = () if plan.learned is None else INSPECTED_NAMES
    return ["element", *given, *RESULT_NAMES, *more]


RESULT_NAMES = (
    "probability_now",
    "probability_at_target",
    "know_low",
    "know_high",
    "confidence",
    "confidence_low95",
    "confidence_high95",
    "meets_target",
    "life_at_target_yr",
    "year_reached",
    "status",
)


def _csv_rows(
    plan: InventoryPlan, piece: Piece, age: Array, found: Elements, past: NDArray[np.bool_]
) -> bytes:
    element = plan.header.place("element")
    assert element is not None
    given = [piece.cells[element], *(c for k, c in enumerate(piece.cells) if k != element)]
    reached = found.life - age + (0.0 if plan.year is None else plan.year)
    numbers = [
        found.probability_now,
        found.probability,
        found.know_low,
        found.know_high,
        found.confidence,
        found.confidence_low95,
        found.confidence_high95,
    ]
    words = [ANSWERS[k] for k in found.answer]
    status = [
        FUTURE if a < 0.0 else PAST if gone else "ok" for a, gone in zip(age, past, strict=True)
    ]
    table = [
        *given,
        *(_texts(x) for x in numbers),
        words,
        _texts(found.life),
        _texts(reached),
        status,
    ]
    if plan.learned is not None:
        own = plan.classes.inspected
        table += [
            ["yes" if name in own else "no" for name in given[0]],
            _texts(found.before),
            [ANSWERS[k] for k in found.answer_before],
        ]
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(zip(*table, strict=True))
    return out.getvalue().encode("utf-8", "surrogatepass")


def _texts(values: Array) -> Iterable[str]:
    """Write numbers in single precision, which is beyond their error; NaN is empty."""
    texts: list[str] = values.astype(np.float32).astype(str).tolist()
    return ["" if text == "nan" else text for text in texts]
