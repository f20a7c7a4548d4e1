"""Which kind a file is by its header, and which column is which."""

from __future__ import annotations

from collections.abc import Container, Sequence
from dataclasses import dataclass, field, replace

from stripwise.errors import EvidenceError
from stripwise.evidence.tables.columns import (
    UNUSUAL,
    Column,
    FileKind,
    Measure,
    closest_match,
    normalise_name,
)
from stripwise.evidence.tables.table_problems import TableProblems
from stripwise.units.names import printable

__all__ = ["Headers", "detect_kind", "match_headers"]

REMARK_COLUMNS = frozenset({"note", "notes", "remark", "remarks", "comment", "comments"})
"""Columns that any file may have besides those of its kind."""


UNIT_WORDS = {"": "", "pct": " %", "m2_s": " m2/s", "mm2_yr": " mm2/yr"}
"""Units of columns in messages, where they are not written as they stand."""


@dataclass(frozen=True, slots=True)
class Headers:
    """The columns of a file.

    Attributes
    ----------
    kind
        What the file holds.
    width
        Number of columns.
    used
        Column and its name in the file, by position from 0.
    scales
        Factor and offset to the internal unit, by stem.
    units
        Unit as the file has it, by stem; empty where the column has none.
    bases
        Unit of columns without a single internal unit, by stem.
    notes
        Columns that are not used.
    """

    kind: FileKind
    width: int
    used: dict[int, tuple[Column, str]] = field(default_factory=dict)
    scales: dict[str, tuple[float, float]] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    bases: dict[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    def header_names(self) -> dict[str, str]:
        """Return the file's name of each column by its canonical name."""
        return {column.canonical(): header for column, header in self.used.values()}

    def typed(self, column: Column, value: float, digits: int = 6) -> str:
        """Write a value in the internal unit as the file would, without its unit."""
        factor, offset = self.scales[column.stem]
        return f"{(value - offset) / factor:.{digits}g}"

    def unit_words(self, column: Column) -> str:
        """Return the unit of a column as the file has it, after a space; empty where none is known."""
        internals = column.measure.internal_units
        unit = self.units.get(column.stem, "") if len(internals) == 1 else ""
        return UNIT_WORDS.get(unit, f" {unit}")


def detect_kind(names: list[str], *, kinds: Sequence[FileKind], file: str) -> FileKind:
    """Return the kind whose key column and most other columns a file has.

    `names` are the columns as `normalise_name` writes them. Without any key column an
    EvidenceError says what each kind needs.
    """
    if len(kinds) == 1:
        return kinds[0]

    def matched_columns(kind: FileKind) -> int:
        return sum(any(_matches(name, column) for name in names) for column in kind.columns)

    candidates = [
        kind
        for kind in kinds
        if any(_matches(name, kind.column(kind.key_column)) for name in names)
    ]
    if candidates:
        return max(candidates, key=matched_columns)
    names_text = ", ".join(name for name in names if name)
    lines = [
        f"{file}: its columns tell no kind of data: {printable(names_text, 200).strip(chr(34))}"
    ]
    for kind in kinds:
        key = kind.column(kind.key_column).example
        closest = next((name for name in names if closest_match(name, [key])), "")
        hint = f"; is {printable(closest)} meant for {key}?" if closest else ""
        lines.append(f"  {kind.description} ({kind.name}) needs {kind.requirements}{hint}")
    raise EvidenceError(lines)


def match_headers(
    header: list[str],
    *,
    filled: Container[int],
    line: int,
    kind: FileKind,
    problems: TableProblems,
) -> Headers:
    """Match the columns of a file with those of its kind, and collect what does not fit.

    `header` is the first row, on line `line` of the file; `filled` are the positions, from 0, of
    the columns that are not empty.
    """
    result = Headers(kind, len(header))
    notes: list[str] = []
    unused: list[str] = []
    missing = {column.stem: column for column in kind.columns if column.required}
    for position, own_header in enumerate(header):
        empty = position not in filled
        name = normalise_name(own_header)
        if not name:
            if not empty:
                rule = "has no name; name the column or take it out"
                problems.add(rule, line=line, column=f"column {position + 1}")
            continue
        column, suffix = _find_column(name, kind)
        if column is None:
            if _report_misspelling(
                own_header, name, kind=kind, line=line, empty=empty, problems=problems
            ):
                missing.pop(_closest_stem(name, kind), None)
            elif name not in REMARK_COLUMNS and not empty:
                unused.append(printable(own_header))
            continue
        missing.pop(column.stem, None)
        if empty and not (column.required or any(column.stem in s for s in kind.one_of)):
            notes.append(f"Column {printable(own_header)} is empty and not used.")
        elif rule := _column_problem(column, suffix, empty=empty, headers=result):
            problems.add(rule, line=line, column=own_header)
        else:
            _use_column(column, suffix, header=own_header, position=position, headers=result)
    if unused:
        notes.append(f"Not used: column {', '.join(unused[:8])}{' ...' * (len(unused) > 8)}.")
    for column in missing.values():
        problems.add(
            f"the column is missing; {kind.description} needs {kind.requirements}",
            line=line,
            column=column.example,
        )
    _check_sets(result, line, problems)
    _check_bases(result, line, problems)
    return replace(result, notes=tuple(notes))


def _column_problem(column: Column, suffix: str, *, empty: bool, headers: Headers) -> str:
    """Return what is wrong with a known column, "" if nothing is."""
    if empty:
        return "the column is empty"
    if column.measure.units and suffix not in (unit.casefold() for unit in column.measure.units):
        return _unit_problem(column, suffix)
    duplicate = next((header for other, header in headers.used.values() if other == column), "")
    if duplicate:
        return (
            f"stands beside {printable(duplicate)}, which says the same; keep one of them and convert "
            "the values of the other"
        )
    return ""


def _use_column(
    column: Column, suffix: str, *, header: str, position: int, headers: Headers
) -> None:
    headers.used[position] = (column, header)
    headers.scales[column.stem] = (1.0, 0.0)
    for spelling, unit in column.measure.units.items():
        if spelling.casefold() == suffix:
            headers.scales[column.stem] = unit.scale()
            headers.units[column.stem] = spelling
            if len(column.measure.internal_units) > 1:
                headers.bases[column.stem] = unit.internal


def _matches(name: str, column: Column) -> bool:
    if not column.measure.units:
        return name == column.stem
    return name == column.stem or any(
        name == f"{column.stem}_{unit}".casefold() for unit in column.measure.units
    )


def _find_column(name: str, kind: FileKind) -> tuple[Column | None, str]:
    """Return the column that a name means, and its unit in lower case."""
    if name == UNUSUAL.stem:
        return UNUSUAL, ""
    for column in kind.columns:
        if _matches(name, column):
            return column, name[len(column.stem) + 1 :]
    for column in sorted(kind.columns, key=lambda c: -len(c.stem)):
        # a known column with an unknown unit
        if column.measure.units and name.startswith(f"{column.stem}_"):
            others = [c.example for c in kind.columns]
            if not closest_match(name, others) or closest_match(name, others) == column.example:
                return column, name[len(column.stem) + 1 :]
    return None, ""


def _spellings(kind: FileKind) -> list[str]:
    return [
        f"{column.stem}_{unit}" if unit else column.stem
        for column in kind.columns
        for unit in (column.measure.units or ("",))
    ]


def _closest_stem(name: str, kind: FileKind) -> str:
    closest = closest_match(name, _spellings(kind))
    column, _ = _find_column(normalise_name(closest), kind) if closest else (None, "")
    return column.stem if column else ""


def _report_misspelling(
    header: str, name: str, *, kind: FileKind, line: int, empty: bool, problems: TableProblems
) -> bool:
    """Report a column that looks like a misspelling of a known one; return whether it does."""
    closest = closest_match(name, _spellings(kind))
    if not closest or name in REMARK_COLUMNS:
        return False
    state = "unknown and empty column" if empty else "unknown column"
    problems.add(f"{state}; the nearest spelling is {closest!r}", line=line, column=header)
    return True


def _unit_problem(column: Column, suffix: str) -> str:
    measure: Measure = column.measure
    allowed = ", ".join(f"{column.stem}_{unit}" for unit in measure.units)
    if not suffix:
        return f"needs the unit of {measure.description} at the end of its name: {allowed}"
    return f"{printable(suffix)} is no unit of {measure.description}; use {allowed}"


def _check_sets(headers: Headers, line: int, problems: TableProblems) -> None:
    sets = headers.kind.one_of
    if not sets or problems.texts:
        return
    have = {column.stem for column, _ in headers.used.values()}
    choice = " or ".join(
        " and ".join(headers.kind.column(stem).example for stem in stems) for stems in sets
    )
    complete = [stems for stems in sets if set(stems) <= have]
    started = [stems for stems in sets if set(stems) & have]
    if len(complete) != 1 or len(started) != 1:
        present = ", ".join(
            header
            for column, header in headers.used.values()
            if any(column.stem in stems for stems in sets)
        )
        problems.add(f"needs {choice}, and has {present or 'neither'}", line=line)


def _check_bases(headers: Headers, line: int, problems: TableProblems) -> None:
    """Refuse contents by mass beside contents by volume."""
    if len(set(headers.bases.values())) > 1:
        names = " and ".join(
            header for column, header in headers.used.values() if column.stem in headers.bases
        )
        problems.add(
            f"{names} have different bases; give all contents in one unit (by mass of concrete, "
            "by mass of binder, or by volume)",
            line=line,
        )
