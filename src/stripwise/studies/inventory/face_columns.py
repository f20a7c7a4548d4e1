"""Which columns a table of faces may have, and what each of them replaces in the scenario."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from stripwise.errors import EvidenceError, InputError
from stripwise.scenario.engine import declared, key_fields, model_at
from stripwise.scenario.fields import Choice, Flag, Key, Quantity, Random, Text
from stripwise.scenario.measures import YEARS
from stripwise.scenario.scenario_table import ScenarioTable
from stripwise.scenario.sections.follow_up_table import CONCRETE_TEMPERATURE, FollowUpTable
from stripwise.scenario.sections.reinforcement import ReinforcementTable
from stripwise.scenario.sections.strategies import FIXED_STRIP_AGE
from stripwise.scenario.shapes import InputTable
from stripwise.units.names import name_problem, printable

__all__ = ["FACE_COLUMNS", "TEXT_COLUMNS", "FaceColumn", "FaceHeader", "read_header"]

AGE = Quantity("Age since first exposure.", YEARS, "-100 yr to 500 yr", usual="-50 yr to 200 yr")
COVER: Random = declared(ReinforcementTable, "cover")

FACE_COLUMNS: Mapping[str, Quantity | Random] = {
    "strip_age": FIXED_STRIP_AGE,
    "concrete_temperature": CONCRETE_TEMPERATURE,
    "follow_up_duration": declared(FollowUpTable, "duration"),
    "follow_up_temperature": declared(FollowUpTable, "temperature"),
    "nominal_cover": COVER,
    "cover_sd": COVER,
    "age": AGE,
}
"""Columns of numbers by name, with the declaration that checks them; the head ends in the unit."""

TEXT_COLUMNS = (
    "element",
    "strategy",
    "follow_up",
    "face",
    "concrete_type",
    "exposure_type",
    "built",
    "group",
    "unusual",
)
"""Columns of texts."""

AREA_UNITS = {"m2": 1.0, "ft2": 0.3048**2}
"""Units of the column of areas in m2."""

ALIASES = {
    "follow_up": "follow_up_duration",
    "reinforcement.cover.nominal": "nominal_cover",
    "reinforcement.cover.sd": "cover_sd",
}
"""Other names of columns of numbers, before their unit."""

OPEN_SECTIONS = (
    "target",
    "exposure",
    "concrete",
    "reinforcement",
    "curing",
    "carbonation",
    "model",
)
"""Sections whose keys a column may replace."""

MOMENTS = ("mean", "sd", "cov", "low", "high", "bias", "mean_sd")
"""Keys of the table of an input that a column may replace."""


@dataclass(frozen=True, slots=True)
class FaceColumn:
    """One column of the table.

    Attributes
    ----------
    header
        As the table names it.
    role
        A name of `FACE_COLUMNS` or `TEXT_COLUMNS`, "area", "key" for a key of the scenario, or
        "carried".
    unit
        Unit at the end of the head, as scenarios spell it; empty for none.
    key
        The dotted key that it replaces; empty for none.
    check
        The declaration that checks its numbers; None for texts, and for what is checked as a
        scenario alone.
    difference
        Whether its numbers are differences, as an sd is.
    """

    header: str
    role: str
    unit: str = ""
    key: str = ""
    check: Key | None = None
    difference: bool = False


@dataclass(frozen=True, slots=True)
class FaceHeader:
    """The columns of a table in their order."""

    columns: tuple[FaceColumn, ...]

    def place(self, role: str) -> int | None:
        """Return where the column of a role stands, None where there is none."""
        return next((k for k, c in enumerate(self.columns) if c.role == role), None)

    def has(self, role: str) -> bool:
        """Whether there is a column of a role."""
        return self.place(role) is not None

    def all(self, role: str) -> list[int]:
        """Return where the columns of a role stand."""
        return [k for k, c in enumerate(self.columns) if c.role == role]

    @property
    def names(self) -> list[str]:
        """Heads in their order."""
        return [column.header for column in self.columns]


def read_header(names: Sequence[str], *, file: str, line: int = 1) -> FaceHeader:
    """Say what each column of a table is; EvidenceError with every problem of the head."""
    columns, problems = [], []
    for name in names:
        try:
            columns.append(_column(name))
        except InputError as error:
            problems.append(f"{file}: line {line}, {printable(name)}: {error.problem}")
    seen: dict[tuple[str, str], str] = {}
    for column in columns:
        place = (column.role, column.key or (column.header if column.role == "carried" else ""))
        if place in seen:
            rule = f"stands beside {printable(seen[place])}; give one of them"
            problems.append(f"{file}: line {line}, {printable(column.header)}: {rule}")
        seen.setdefault(place, column.header)
    header = FaceHeader(tuple(columns))
    if not problems:
        problems = [f"{file}: line {line}: {text}" for text in _missing(header)]
    if problems:
        raise EvidenceError(problems)
    return header


def _missing(header: FaceHeader) -> list[str]:
    found = []
    if not header.has("element"):
        found.append("needs a column element, a name of its own for every face")
    if not header.has("strategy") and not header.has("strip_age"):
        found.append("needs a column strategy, a name of the scenario, or strip_age_h")
    if header.has("built") and header.has("age"):
        found.append("has built and age; give one of them")
    return found


def _column(name: str) -> FaceColumn:
    header = name.strip()
    if broken := name_problem(header):
        raise InputError("", broken)
    if header in TEXT_COLUMNS:
        return FaceColumn(header, header)
    for area in AREA_UNITS:
        if header == f"area_{area}":
            return FaceColumn(header, "area", area)
    if header == "area" or header.startswith("area_"):
        raise InputError("", "needs the unit of an area: area_m2 or area_ft2")
    stems = {**{stem: stem for stem in FACE_COLUMNS}, **ALIASES}
    for stem in sorted(stems, key=len, reverse=True):
        role = stems[stem]
        check = FACE_COLUMNS[role]
        if header == stem or header.startswith(f"{stem}_"):
            unit = _unit(check, header[len(stem) + 1 :])
            if unit is None and "." not in header and _looks_like_text(header):
                continue
            if unit is None or not unit:
                example = f"{stem}_{check.measure.unit or 'yr'}"
                kind = check.measure.quantity
                rule = f"needs the unit of {kind.words} at its end, such as {example}"
                raise InputError("", f"{rule}; {kind.spellings}")
            return FaceColumn(header, role, unit, "", check, role == "cover_sd")
    if "." in header:
        return _key_column(header)
    known = [*TEXT_COLUMNS, "area_m2", *(f"{s}_{c.measure.unit}" for s, c in FACE_COLUMNS.items())]
    near = difflib.get_close_matches(header.casefold(), known, n=1, cutoff=0.85)
    if near:
        raise InputError("", f"unknown column; the nearest spelling is {near[0]!r}")
    return FaceColumn(header, "carried")


def _looks_like_text(header: str) -> bool:
    """Whether a head only happens to begin like a column, as age_class does."""
    return not difflib.get_close_matches(header, list(TEXT_COLUMNS), n=1, cutoff=0.9)


def _unit(check: Quantity | Random, suffix: str) -> str | None:
    """Return a unit as scenarios spell it, "" for none, None for one that does not fit."""
    if not suffix:
        return ""
    spellings = {
        unit.replace("^", "").replace("/", "_").casefold(): unit
        for unit in check.measure.quantity.units
    }
    spellings |= {unit.casefold(): unit for unit in check.measure.quantity.units}
    spellings |= {"pct": "%"} if "%" in check.measure.quantity.units else {}
    return spellings.get(suffix.casefold())


def _key_column(header: str) -> FaceColumn:
    """Return the column of a dotted key of the scenario, its unit at the end."""
    parts = header.split(".")
    section = parts[0]
    if section not in OPEN_SECTIONS:
        allowed = ", ".join(OPEN_SECTIONS)
        raise InputError(
            "", f"is one for the whole inventory; a column may replace keys of {allowed}"
        )
    model = model_at(ScenarioTable, tuple(parts[:-1]))
    moment = len(parts) > 2 and issubclass(model, InputTable)
    fields = {field.key: field for field in key_fields(model)}
    for end in range(len(parts[-1]), 0, -1):
        key, suffix = parts[-1][:end], parts[-1][end + 1 :]
        if key not in fields or (end < len(parts[-1]) and parts[-1][end] != "_"):
            continue
        holder: Any = fields[key].declared
        checked: Key | None = None
        unit: str | None = suffix
        difference = False
        if moment:
            if key not in MOMENTS:
                break
            holder = declared(model_at(ScenarioTable, tuple(parts[:-2])), parts[-2])
            difference = key in ("sd", "bias", "mean_sd")
            unit = _unit(holder, suffix) if key != "cov" else ""
            checked = holder if key == "mean" else None
        elif isinstance(holder, Quantity | Random):
            difference = isinstance(holder, Quantity) and holder.difference
            unit, checked = _unit(holder, suffix), holder
        elif not isinstance(holder, Choice | Text | Flag):
            break
        if _is_content(checked):  # per cent of a basis that the scenario names
            checked = None
        dotted = ".".join([*parts[:-1], key])
        if unit is None or (not unit and _needs_unit(holder, key)):
            kind = holder.measure.quantity
            raise InputError("", f"needs the unit of {kind.words} at its end: {kind.spellings}")
        return FaceColumn(header, "key", unit, dotted, checked, difference)
    near = difflib.get_close_matches(parts[-1], fields, n=1, cutoff=0.4)
    nearest = f"; the nearest spelling is {near[0]!r}" if near else ""
    raise InputError("", f"is no key of the scenario with its unit at the end{nearest}")


def _is_content(check: Key | None) -> bool:
    """Whether a key is a chloride content, whose basis only a scenario knows."""
    return isinstance(check, Random) and check.unit == "%"


def _needs_unit(check: Key | None, key: str) -> bool:
    return (
        key != "cov"
        and isinstance(check, Quantity | Random)
        and not check.measure.quantity.dimensionless
    )
