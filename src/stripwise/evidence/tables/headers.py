"""Tell the kind of a file by its header, and match its columns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from stripwise.errors import EvidenceError
from stripwise.evidence.tables.columns import Column, Kind, Measure, nearest, normal_name
from stripwise.evidence.tables.table_problems import TableProblems
from stripwise.units.names import printable

__all__ = ["Headers", "match_headers", "recognise"]

REMARKS = frozenset({"note", "notes", "remark", "remarks", "comment", "comments"})
"""Columns that any file may have beside those of its kind."""


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
    bases
        Unit of columns without a single internal unit, by stem.
    notes
        Columns that are not used.
    """

    kind: Kind
    width: int
    used: dict[int, tuple[Column, str]] = field(default_factory=dict)
    scales: dict[str, tuple[float, float]] = field(default_factory=dict)
    bases: dict[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    def own_names(self) -> dict[str, str]:
        """Return the file's name of each column by its canonical name."""
        return {column.canonical(): header for column, header in self.used.values()}


def recognise(names: list[str], *, kinds: Sequence[Kind], file: str) -> Kind:
    """Tell the kind of a file by the names of its columns.

    Parameters
    ----------
    names
        The columns as `normal_name` writes them.
    kinds
        The kinds it may be.
    file
        Name of the file for the message.

    Returns
    -------
    The kind whose mark it has and of whose columns it has most.

    Raises
    ------
    EvidenceError
        If it has the mark of none; the message says what each kind needs.
    """
    if len(kinds) == 1:
        return kinds[0]

    def found(kind: Kind) -> int:
        return sum(any(_matches(name, column) for name in names) for column in kind.columns)

    marked = [
        kind for kind in kinds if any(_matches(name, kind.column(kind.mark)) for name in names)
    ]
    if marked:
        return max(marked, key=found)
    have = ", ".join(name for name in names if name)
    lines = [f"{file}: its columns tell no kind of data: {printable(have, 200).strip(chr(34))}"]
    for kind in kinds:
        mark = kind.column(kind.mark).example
        near = next((name for name in names if nearest(name, [mark])), "")
        hint = f"; is {printable(near)} meant for {mark}?" if near else ""
        lines.append(f"  {kind.words} ({kind.name}) needs {kind.needs}{hint}")
    raise EvidenceError(lines)


def match_headers(
    header: list[str],
    rows: list[list[str]],
    *,
    line: int,
    kind: Kind,
    problems: TableProblems,
) -> Headers:
    """Match the columns of a file with those of its kind, and note what does not fit.

    Parameters
    ----------
    header
        First row.
    rows
        The others, to see which columns are empty.
    line
        Line of the header.
    kind
        What the file holds.
    problems
        Where to note.

    Returns
    -------
    The columns that can be used.
    """
    result = Headers(kind, len(header))
    notes: list[str] = []
    unused: list[str] = []
    missing = {column.stem: column for column in kind.columns if column.required}
    for position, own in enumerate(header):
        empty = not any(row[position].strip() for row in rows if position < len(row))
        name = normal_name(own)
        if not name:
            if not empty:
                rule = "has no name; name the column or take it out"
                problems.add(rule, line=line, column=f"column {position + 1}")
            continue
        column, suffix = _find(name, kind)
        if column is None:
            if _note_unknown(own, name, kind=kind, line=line, empty=empty, problems=problems):
                missing.pop(_stem_of(name, kind), None)
            elif name not in REMARKS and not empty:
                unused.append(printable(own))
            continue
        missing.pop(column.stem, None)
        if empty and not (column.required or any(column.stem in s for s in kind.one_of)):
            notes.append(f"Column {printable(own)} is empty and not used.")
        elif rule := _wrong(column, suffix, empty=empty, headers=result):
            problems.add(rule, line=line, column=own)
        else:
            _take(column, suffix, own=own, position=position, headers=result)
    if unused:
        notes.append(f"Not used: column {', '.join(unused[:8])}{' ...' * (len(unused) > 8)}.")
    for column in missing.values():
        problems.add(
            f"the column is missing; {kind.words} needs {kind.needs}",
            line=line,
            column=column.example,
        )
    _check_sets(result, line, problems)
    _check_bases(result, line, problems)
    return Headers(kind, len(header), result.used, result.scales, result.bases, tuple(notes))


def _wrong(column: Column, suffix: str, *, empty: bool, headers: Headers) -> str:
    """Return what is wrong with a column that is known, "" if nothing is."""
    if empty:
        return "the column is empty"
    if column.measure.units and suffix not in (unit.casefold() for unit in column.measure.units):
        return _unit_rule(column, suffix)
    twin = next((own for other, own in headers.used.values() if other == column), "")
    if twin:
        return (
            f"stands beside {printable(twin)}, which says the same; keep one of them and convert "
            "the values of the other"
        )
    return ""


def _take(column: Column, suffix: str, *, own: str, position: int, headers: Headers) -> None:
    headers.used[position] = (column, own)
    headers.scales[column.stem] = (1.0, 0.0)
    for spelling, unit in column.measure.units.items():
        if spelling.casefold() == suffix:
            headers.scales[column.stem] = unit.scale()
            if len(column.measure.internals) > 1:
                headers.bases[column.stem] = unit.internal


def _matches(name: str, column: Column) -> bool:
    if not column.measure.units:
        return name == column.stem
    return name == column.stem or any(
        name == f"{column.stem}_{unit}".casefold() for unit in column.measure.units
    )


def _find(name: str, kind: Kind) -> tuple[Column | None, str]:
    """Return the column that a name means, and its unit in lower case."""
    for column in kind.columns:
        if _matches(name, column):
            return column, name[len(column.stem) + 1 :]
    for column in sorted(kind.columns, key=lambda c: -len(c.stem)):
        # a known column with an unknown unit
        if column.measure.units and name.startswith(f"{column.stem}_"):
            others = [c.example for c in kind.columns]
            if not nearest(name, others) or nearest(name, others) == column.example:
                return column, name[len(column.stem) + 1 :]
    return None, ""


def _spellings(kind: Kind) -> list[str]:
    return [
        f"{column.stem}_{unit}" if unit else column.stem
        for column in kind.columns
        for unit in (column.measure.units or ("",))
    ]


def _stem_of(name: str, kind: Kind) -> str:
    near = nearest(name, _spellings(kind))
    found, _ = _find(normal_name(near), kind) if near else (None, "")
    return found.stem if found else ""


def _note_unknown(
    own: str, name: str, *, kind: Kind, line: int, empty: bool, problems: TableProblems
) -> bool:
    """Note a column that looks like a slip of a known one; return whether it does."""
    near = nearest(name, _spellings(kind))
    if not near or name in REMARKS:
        return False
    state = "unknown and empty column" if empty else "unknown column"
    problems.add(f"{state}; the nearest spelling is {near!r}", line=line, column=own)
    return True


def _unit_rule(column: Column, suffix: str) -> str:
    measure: Measure = column.measure
    allowed = ", ".join(f"{column.stem}_{unit}" for unit in measure.units)
    if not suffix:
        return f"needs the unit of {measure.words} at the end of its name: {allowed}"
    return f"{printable(suffix)} is no unit of {measure.words}; use {allowed}"


def _check_sets(headers: Headers, line: int, problems: TableProblems) -> None:
    sets = headers.kind.one_of
    if not sets or problems.texts:
        return
    have = {column.stem for column, _ in headers.used.values()}
    choice = " or ".join(
        " and ".join(headers.kind.column(stem).example for stem in stems) for stems in sets
    )
    whole = [stems for stems in sets if set(stems) <= have]
    parts = [stems for stems in sets if set(stems) & have]
    if len(whole) != 1 or len(parts) != 1:
        found = ", ".join(
            own
            for column, own in headers.used.values()
            if any(column.stem in stems for stems in sets)
        )
        problems.add(f"needs {choice}, and has {found or 'neither'}", line=line)


def _check_bases(headers: Headers, line: int, problems: TableProblems) -> None:
    """Refuse contents by mass beside contents by volume."""
    if len(set(headers.bases.values())) > 1:
        names = " and ".join(
            own for column, own in headers.used.values() if column.stem in headers.bases
        )
        problems.add(
            f"{names} have different bases; give all contents in one unit (by mass of concrete, "
            "by mass of binder, or by volume)",
            line=line,
        )
