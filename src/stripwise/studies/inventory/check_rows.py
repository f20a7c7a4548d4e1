"""From rows as texts to faces in internal units, with every bad row told.

Axes: e faces of a piece.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stripwise.risk.model.wall import Plan
from stripwise.scenario.fields import Random
from stripwise.scenario.sections.face_types import TYPE_SECTIONS
from stripwise.studies.inventory.face_classes import ClassKey, FaceClasses
from stripwise.studies.inventory.face_columns import AREA_UNITS, FaceColumn, FaceHeader
from stripwise.studies.inventory.face_problems import FaceProblems
from stripwise.studies.inventory.face_rows import Piece
from stripwise.studies.inventory.row_check import MISSING, RowCheck
from stripwise.studies.inventory.row_curing import read_curing
from stripwise.studies.inventory.row_dates import read_ages
from stripwise.units.names import NAME_LIMIT, formula_problem, name_problem

__all__ = ["Faces", "check_rows", "plan_of"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

YES = frozenset({"yes", "true", "1"})


@dataclass(frozen=True, slots=True)
class Faces:
    """The good rows of a piece.

    Attributes
    ----------
    rows
        (e,) their positions in the piece.
    element, group
        Names; group "" where none is given.
    face_class
        (e,) position of their class.
    strategy
        (e,) position of their strategy in the scenario; -1 for a strip age of their own.
    strip_h, after_h
        (e,) equivalent hours until stripping and of the curing after it; NaN for a strategy.
    retention
        Name of the input with the retention; "" for none.
    cover, cover_sd
        (e,) nominal cover and sd [mm]; NaN for those of the class.
    age
        (e,) age since first exposure [yr], below 0 before it.
    area
        (e,) [m2]; NaN where there is none.
    carried
        Texts of the columns that travel through, by head.
    """

    rows: NDArray[np.intp]
    element: list[str]
    group: list[str]
    face_class: NDArray[np.intp]
    strategy: NDArray[np.intp]
    strip_h: Array
    after_h: Array
    retention: list[str]
    cover: Array
    cover_sd: Array
    age: Array
    area: Array
    carried: dict[str, list[str]]


def check_rows(
    piece: Piece,
    header: FaceHeader,
    classes: FaceClasses,
    problems: FaceProblems,
    *,
    year: float | None,
) -> Faces:
    """Check every row of a piece and return the good ones in internal units.

    `year` is the year of the state, from which ages of dates are counted; None where none is given.
    """
    check = RowCheck(header, piece, problems)
    for row, count in piece.uneven:
        width = len(header.columns)
        rule = f"has another number of cells than the head, which has {width}"
        check.bad(row, "", rule, f"{count} cells")
    element = check.texts("element")
    for row, name in enumerate(element):
        if name.isalnum() and len(name) <= NAME_LIMIT:  # the usual name, without further ado
            continue
        if broken := "has no value; every face needs a name" if not name else name_problem(name):
            check.bad(row, "element", broken, name or None)
    group = check.texts("group")
    broken_groups = {name: name_problem(name) for name in set(group) if name}
    for row, name in enumerate(group):
        if name and broken_groups[name]:
            check.bad(row, "group", broken_groups[name], name)
    meant = np.array([cell.lower() in YES for cell in check.words("unusual", ("yes", "no"))])
    face_class = _classes(check, classes, meant)
    if classes.inspected:
        for row, name in enumerate(element):
            if name in classes.inspected and check.good[row]:
                face_class[row] = classes.find_own(int(face_class[row]), name)
    curing = read_curing(check, classes, face_class, meant)
    cover, sd = check.role_numbers("nominal_cover", meant), check.role_numbers("cover_sd", meant)
    _check_spread(check, classes, face_class, cover, sd, meant)
    age = read_ages(check, meant, year)
    area = _areas(check)
    carried = {}
    for place in header.all("carried"):
        name, cells = header.columns[place].header, piece.cells[place]
        for row, cell in enumerate(cells):
            if broken := _carried_problem(cell):
                check.bad(row, name, broken, cell)
        carried[name] = cells
    rows = np.flatnonzero(check.good)
    strategy, strip, after, retention = curing

    def of(values: Sequence[Any]) -> list[Any]:
        return [values[int(k)] for k in rows]

    return Faces(
        rows=rows,
        element=of(element),
        group=of(group),
        face_class=face_class[rows],
        strategy=strategy[rows],
        strip_h=strip[rows],
        after_h=after[rows],
        retention=of(retention),
        cover=cover[rows],
        cover_sd=sd[rows],
        age=age[rows],
        area=area[rows],
        carried={name: of(cells) for name, cells in carried.items()},
    )


def _carried_problem(cell: str) -> str:
    if len(cell) > 500:
        return "has more than 500 characters"
    if not cell or cell.isalnum():
        return ""
    if not cell.isprintable():
        return "must be printable text"
    if not (broken := formula_problem(cell)):
        return ""
    try:
        float(cell.replace(",", "."))
    except ValueError:
        return broken
    return ""


def _classes(check: RowCheck, classes: FaceClasses, meant: Flags) -> NDArray[np.intp]:
    """Return the class of every row; that of the scenario itself for a bad row."""
    case = classes.case
    types = list(
        zip(
            check.words("concrete_type", case.concrete_types),
            check.words("exposure_type", case.exposure_types),
            strict=True,
        )
    )
    places = check.header.all("key")
    for place in places:
        column = check.header.columns[place]
        if column.check is not None:
            check.numbers(column, place, meant)
    found = np.zeros(len(check.piece), dtype=np.intp)
    texts = [check.piece.cells[place] for place in places]
    heads = [check.header.columns[place] for place in places]
    if not places and not any(check.header.has(kind) for kind in TYPE_SECTIONS):
        if check.good.any():
            found[:] = int(classes.find(ClassKey()))
        return found
    known: dict[tuple[Any, ...], int | str] = {}
    for row in np.flatnonzero(check.good):
        cells = tuple(column[row] for column in texts)
        insists = bool(meant[row]) and any(cell.lower() not in MISSING for cell in cells)
        short = (types[row], cells, insists)
        if short not in known:
            known[short] = classes.find(ClassKey(types[row], _overrides(heads, cells, insists)))
        at = known[short]
        if isinstance(at, str):
            check.bad(int(row), heads[0].header if heads else "concrete_type", at)
        else:
            found[row] = at
    return found


def _overrides(
    heads: list[FaceColumn], cells: tuple[str, ...], meant: bool
) -> tuple[tuple[str, str, bool], ...]:
    return tuple(
        (head.key, f"{cell} {head.unit}".strip(), meant)
        for head, cell in zip(heads, cells, strict=True)
        if cell.lower() not in MISSING
    )


def _check_spread(  # noqa: PLR0917
    check: RowCheck,
    classes: FaceClasses,
    face_class: NDArray[np.intp],
    cover: Array,
    sd: Array,
    meant: Flags,
) -> None:
    place = check.header.place("cover_sd")
    if place is None:
        return
    column = check.header.columns[place]
    assert isinstance(column.check, Random)
    for row in np.flatnonzero(check.good & ~np.isnan(sd)):
        one = classes.classes[face_class[row]]
        mean = one.wall.nominal_cover if np.isnan(cover[row]) else float(cover[row])
        rule = ""
        if one.cover_sd == 0.0:
            rule = "needs a random cover in the scenario, whose family it then has"
        elif not sd[row] > 0.0:
            rule = "must be above 0"
        elif broken := "" if meant[row] else column.check.spread_problem(float(sd[row]), mean):
            rule = f"{broken}; check the unit, or write yes in a column unusual if it is meant"
        if rule:
            check.bad(int(row), column.header, rule, check.piece.cells[place][row])


def _areas(check: RowCheck) -> Array:
    place = check.header.place("area")
    if place is None:
        return np.full(len(check.piece), np.nan)
    column = check.header.columns[place]
    found = check.numbers(column, place, np.zeros(len(check.piece), dtype=bool))
    for row in np.flatnonzero(~(found > 0.0)):
        rule = "must be above 0" if not np.isnan(found[row]) else "has no value"
        check.bad(int(row), column.header, rule, check.piece.cells[place][row])
    return found * AREA_UNITS[column.unit]


def plan_of(faces: Faces, row: int) -> Plan:
    """Return the plan of a face that names no strategy, in equivalent hours."""
    return Plan(
        faces.element[row],
        float(faces.strip_h[row]),
        1.0,
        follow_up_h=float(faces.after_h[row]),
        retention=faces.retention[row],
    )
