"""From rows as texts to faces in internal units, with every bad row told.

Axes: e faces of a piece.
"""

from __future__ import annotations

import calendar
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.curing.curing_law import UNCURED_H
from stripwise.curing.follow_up import (
    FACES,
    FOLLOW_UPS,
    NO_FOLLOW_UP,
    REFERENCE_FACE,
    method_names,
    retention_name,
)
from stripwise.risk.model.wall import Plan
from stripwise.scenario.fields import Quantity, Random
from stripwise.scenario.sections.follow_up_table import FREEZING
from stripwise.studies.inventory.face_classes import ClassKey, FaceClasses
from stripwise.studies.inventory.face_columns import AREA_UNITS, FaceColumn, FaceHeader
from stripwise.studies.inventory.face_problems import FaceProblems
from stripwise.studies.inventory.face_rows import Piece
from stripwise.units.names import formula_problem, name_problem, nearest_spelling

__all__ = ["Faces", "check_rows", "plan_of"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

MISSING = frozenset({"", "-", "na", "n/a", "nan", "null", "none given"})
YES = frozenset({"yes", "true", "1"})

DATE = re.compile(r"(\d{4})(?:-(\d{1,2})(?:-(\d{1,2}))?)?")


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


@dataclass(slots=True)
class _Check:
    """Checks one piece: `good` says which rows are sound so far."""

    header: FaceHeader
    piece: Piece
    problems: FaceProblems
    good: Flags = field(init=False)

    def __post_init__(self) -> None:
        self.good = np.ones(len(self.piece), dtype=bool)

    def bad(self, row: int, column: str, rule: str, found: str | None = None) -> None:
        """Note a problem of a row."""
        self.good[row] = False
        place = self.header.place("element")
        element = "" if place is None else self.piece.cells[place][row]
        self.problems.add(self.piece.lines[row], column, rule, element=element, found=found)

    def texts(self, role: str) -> list[str]:
        """Return the cells of a role, "" where there is none."""
        place = self.header.place(role)
        if place is None:
            return [""] * len(self.piece)
        return ["" if c.lower() in MISSING else c for c in self.piece.cells[place]]

    def words(self, role: str, allowed: Sequence[str]) -> list[str]:
        """Return the cells of a role that must be one of some words, or empty."""
        cells, known = self.texts(role), {"", *allowed}
        for row, cell in enumerate(cells):
            if cell not in known:
                options = ", ".join(allowed) if allowed else "nothing: the scenario has none"
                shown = options if len(options) < 300 else f"the {len(allowed)} of the scenario"
                self.bad(
                    row, role, f"must be one of {shown}{nearest_spelling(cell, allowed)}", cell
                )
        return cells

    def numbers(self, column: FaceColumn, place: int, meant: Flags) -> Array:
        """Return a column of numbers in its internal unit; NaN where the cell is empty or bad."""
        cells = self.piece.cells[place]
        values = pd.to_numeric(pd.Series(cells, dtype=object), errors="coerce").to_numpy(
            dtype=float
        )
        blank = np.zeros(len(cells), dtype=bool)
        for row in np.flatnonzero(~np.isfinite(values)):
            if cells[row].lower() in MISSING:
                blank[row] = True
                continue
            hint = "; write decimals with a point" if re.match(r"[+-]?\d+,\d", cells[row]) else ""
            self.bad(int(row), column.header, f"must be a finite number{hint}", cells[row])
        values[~np.isfinite(values)] = np.nan
        check = column.check
        if not isinstance(check, Quantity | Random):
            return values
        if column.difference:
            return check.measure.column(values, column.unit, difference=True)
        found, allowed = check.column(values, column.unit)
        insisted = check.column(values, column.unit, unusual=True)[1]
        fine = np.where(meant, insisted, allowed) | np.isnan(values)
        for row in np.flatnonzero(~fine):
            self.bad(int(row), column.header, _rule(check, float(found[row])), cells[row])
        return np.where(fine, found, np.nan)

    def role_numbers(self, role: str, meant: Flags) -> Array:
        """Return the numbers of a role, NaN where there is no column."""
        place = self.header.place(role)
        if place is None:
            return np.full(len(self.piece), np.nan)
        return self.numbers(self.header.columns[place], place, meant)


def _rule(check: Quantity | Random, value: float) -> str:
    """Say which of the declared ranges a number misses."""
    insist = "check the unit, or write yes in a column unusual if it is meant"
    if isinstance(check, Quantity):
        if not bool(check.limits.hold(value)):
            return check.rule
        return f"the usual value is {check.usual}; {insist}"
    if not bool(check.bounds.hold(value)):
        return check.rule
    if not bool(check.allowed(value, unusual=True)):
        return f"must be {check.possible_range}"
    return f"the usual value is {check.usual_range}; {insist}"


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
    check = _Check(header, piece, problems)
    for row, count in piece.uneven:
        width = len(header.columns)
        rule = f"has another number of cells than the head, which has {width}"
        check.bad(row, "", rule, f"{count} cells")
    element = check.texts("element")
    for row, name in enumerate(element):
        if broken := "has no value; every face needs a name" if not name else name_problem(name):
            check.bad(row, "element", broken, name or None)
    group = check.texts("group")
    for row, name in enumerate(group):
        if name and (broken := name_problem(name)):
            check.bad(row, "group", broken, name)
    meant = np.array([cell.lower() in YES for cell in check.words("unusual", ("yes", "no"))])
    face_class, keys = _classes(check, classes, meant)
    curing = _curing(check, classes, face_class, meant)
    cover, sd = check.role_numbers("nominal_cover", meant), check.role_numbers("cover_sd", meant)
    _check_spread(check, classes, face_class, cover, sd, meant)
    age = _ages(check, meant, year)
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
        return [values[k] for k in rows]

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


def _classes(
    check: _Check, classes: FaceClasses, meant: Flags
) -> tuple[NDArray[np.intp], list[ClassKey]]:
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
    keys: list[ClassKey] = []
    texts = [check.piece.cells[place] for place in places]
    heads = [check.header.columns[place] for place in places]
    known: dict[tuple[Any, ...], int | str] = {}
    for row in range(len(check.piece)):
        cells = tuple(column[row] for column in texts)
        short = (types[row], cells, bool(meant[row]) if cells else False)
        if short not in known:
            key = ClassKey(types[row], _overrides(heads, cells, bool(meant[row])))
            known[short] = classes.find(key) if check.good[row] else 0
        place = known[short]
        if isinstance(place, str):
            if check.good[row]:
                column = heads[0].header if heads else "concrete_type"
                check.bad(row, column, place)
        else:
            found[row] = place
    return found, keys


def _overrides(
    heads: list[FaceColumn], cells: tuple[str, ...], meant: bool
) -> tuple[tuple[str, str, bool], ...]:
    return tuple(
        (head.key, f"{cell} {head.unit}".strip(), meant)
        for head, cell in zip(heads, cells, strict=True)
        if cell.lower() not in MISSING
    )


def _curing(
    check: _Check, classes: FaceClasses, face_class: NDArray[np.intp], meant: Flags
) -> tuple[NDArray[np.intp], Array, Array, list[str]]:
    """Return strategy, equivalent hours until stripping and after it, and the retention."""
    names = [item.name for item in classes.case.strategies]
    wanted = check.words("strategy", names)
    position = {name: k for k, name in enumerate(names)}
    strategy = np.array([position.get(name, -1) for name in wanted], dtype=np.intp)
    strip = check.role_numbers("strip_age", meant)
    own = check.role_numbers("concrete_temperature", meant)
    duration = check.role_numbers("follow_up_duration", meant)
    warmth = check.role_numbers("follow_up_temperature", meant)
    method = check.words("follow_up", method_names())
    face = check.words("face", FACES)
    size = len(check.piece)
    retention = [""] * size
    strip_h, after_h = np.full(size, np.nan), np.full(size, np.nan)
    for row in np.flatnonzero(check.good):
        extra = next(
            (
                name
                for name, there in (
                    ("strip_age", not np.isnan(strip[row])),
                    ("concrete_temperature", not np.isnan(own[row])),
                    ("follow_up", bool(method[row])),
                    ("follow_up_duration", not np.isnan(duration[row])),
                    ("follow_up_temperature", not np.isnan(warmth[row])),
                )
                if there
            ),
            "",
        )
        if wanted[row]:
            if extra:
                rule = "is given beside strategy, which says it; leave one of them empty"
                check.bad(int(row), _head(check, extra), rule)
            continue
        if np.isnan(strip[row]):
            column = "strategy" if check.header.has("strategy") else _head(check, "strip_age")
            check.bad(int(row), column, "has no value; every face needs a strategy or a strip age")
            continue
        duration[row], rule = _duration(method[row], float(duration[row]))
        if rule:
            check.bad(int(row), _head(check, "follow_up_duration"), rule)
        if method[row] not in ("", NO_FOLLOW_UP):
            retention[row] = retention_name(method[row], face[row] or REFERENCE_FACE)
    lawful = check.good & (strategy < 0)
    for place in np.unique(face_class[lawful]):
        rows = np.flatnonzero(lawful & (face_class == place))
        one = classes.classes[place]
        warm = np.where(np.isnan(own[rows]), one.case.curing.temperature, own[rows])
        if np.isnan(warm).any():
            for row in rows[np.isnan(warm)]:
                rule = "has no value, and neither the scenario has [curing] concrete_temperature"
                check.bad(int(row), _head(check, "concrete_temperature"), rule)
            warm = np.where(np.isnan(warm), 20.0, warm)
        after = np.where(np.isnan(warmth[rows]), warm, warmth[rows])
        strip_h[rows] = strip[rows] * one.maturity_factor(warm)
        after_h[rows] = duration[rows] * one.maturity_factor(after)
        for row in rows[strip_h[rows] < UNCURED_H]:
            rule = (
                f"is less than {UNCURED_H:g} equivalent hour at its temperature: no curing at all"
            )
            check.bad(int(row), _head(check, "strip_age"), rule)
        for k, row in enumerate(rows):
            if retention[row] and after[k] <= FREEZING:
                rule = "must be above 0 degC: no follow-up cures a face that freezes"
                check.bad(int(row), _head(check, "follow_up_temperature"), rule)
    return strategy, strip_h, after_h, retention


def _head(check: _Check, role: str) -> str:
    place = check.header.place(role)
    return role if place is None else check.header.columns[place].header


def _duration(method: str, hours: float) -> tuple[float, str]:
    """Return the duration of a follow-up [h] and what is wrong with it, "" for nothing."""
    if method in ("", NO_FOLLOW_UP):
        rule = "is given without a follow_up; leave it empty or name the method"
        return 0.0, "" if np.isnan(hours) else rule
    if not np.isnan(hours):
        return hours, ""
    published = FOLLOW_UPS[method].duration_d
    if published is None:
        return 0.0, f"has no value: how long the {method} stays"
    return 24.0 * published, ""


def _check_spread(
    check: _Check,
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


def _ages(check: _Check, meant: Flags, year: float | None) -> Array:
    """Return ages since first exposure [yr], 0 where nothing is said."""
    place = check.header.place("built")
    if place is None:
        return np.nan_to_num(check.role_numbers("age", meant))
    found = np.zeros(len(check.piece))
    known: dict[str, float | str] = {}
    for row, cell in enumerate(check.texts("built")):
        if cell not in known:
            known[cell] = _year(cell)
        at = known[cell]
        if isinstance(at, str):
            check.bad(row, "built", at, cell)
        elif year is not None and not np.isnan(at):
            found[row] = year - at
            if found[row] > 500.0:
                check.bad(row, "built", "lies more than 500 yr before the year of the state", cell)
    return found


def _year(cell: str) -> float | str:
    """Return a date as a year with its fraction; a year alone is its first day."""
    if not cell:
        return "has no value; every face needs the date of its first exposure"
    match = DATE.fullmatch(cell)
    rule = "must be a date such as 1998, 1998-05 or 1998-05-31"
    if match is None:
        return rule
    year, month, day = int(match[1]), int(match[2] or 1), int(match[3] or 1)
    if not (1500 <= year <= 2200 and 1 <= month <= 12):
        return rule
    if not 1 <= day <= calendar.monthrange(year, month)[1]:
        return rule
    before = sum(calendar.monthrange(year, m)[1] for m in range(1, month)) + day - 1
    return year + before / (366.0 if calendar.isleap(year) else 365.0)


def _areas(check: _Check) -> Array:
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
