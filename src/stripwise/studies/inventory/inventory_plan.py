"""The first pass over a table of faces: every row checked, what its classes need, how it is cut."""

from __future__ import annotations

import hashlib
import json
from array import array
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from stripwise.errors import EvidenceError, InputError
from stripwise.scenario.model import Scenario
from stripwise.studies.candidate_targets import CandidateTarget, candidate_targets
from stripwise.studies.inventory.check_rows import Faces, check_rows
from stripwise.studies.inventory.class_tables import (
    TOTAL_YEARS,
    ClassNeeds,
    draw_keys,
)
from stripwise.studies.inventory.elements import COHORT_YEARS
from stripwise.studies.inventory.face_classes import FaceClasses
from stripwise.studies.inventory.face_columns import FaceHeader, read_header
from stripwise.studies.inventory.face_problems import FaceProblems
from stripwise.studies.inventory.face_rows import FaceRows, Piece
from stripwise.studies.inventory.learned_scores import Learned
from stripwise.units.formatting import number
from stripwise.units.result_columns import columns
from stripwise.units.software import version
from stripwise.units.source_files import SourceFile

if TYPE_CHECKING:
    from stripwise.studies.inventory.inspected_faces import Inspections

__all__ = ["ALL_FACES", "INSPECTED_NAMES", "InventoryPlan", "counted_targets", "prepare"]

ALL_FACES = "all faces"
"""Name of the total over every group."""

MOST_GROUPS = 50
"""Most groups that get totals of their own."""

SMALLEST_ALLOWED = 1e-3
"""Smallest allowed probability: below it a face needs the rare sampling of a run."""

INSPECTED_NAMES = ("inspected", "probability_before", "meets_target_before")
"""Columns of the results beside inspections."""

RESULTS = frozenset(columns("elements")) - {"element", "strategy"}
"""Columns that only the results have; some of them beside inspections alone."""


@dataclass(slots=True)
class InventoryPlan:
    """What is known of an inventory before a face is computed.

    Attributes
    ----------
    case
        Its scenario.
    header
        Columns of its table.
    year
        Year of the state; None where none is given.
    classes, needs
        Its classes and what the rows of each need.
    groups
        Names of the groups that get totals, in the order of the alphabet.
    faces
        Good rows.
    bad_lines
        Lines of the rows that are left out.
    parts
        Hash of the rows of every part.
    first_cohort, cohorts
        First age of the totals in steps of `COHORT_YEARS`, and how many.
    targets
        Service life [yr] and reliability index of the targets whose faces are counted.
    digest
        SHA-256 of all that the results depend on besides the rows.
    learned
        What inspections say; None without any.
    inspection_files
        The files that say it.
    """

    case: Scenario
    header: FaceHeader
    year: float | None
    classes: FaceClasses
    needs: list[ClassNeeds] = field(default_factory=list)
    groups: list[str] = field(default_factory=list)
    faces: int = 0
    bad_lines: frozenset[int] = frozenset()
    parts: list[str] = field(default_factory=list)
    first_cohort: int = 0
    cohorts: int = 2
    targets: tuple[tuple[float, float], ...] = ()
    digest: str = ""
    notes: list[str] = field(default_factory=list)
    learned: Learned | None = None
    inspection_files: tuple[SourceFile, ...] = ()

    @property
    def draw_keys(self) -> list[str]:
        """Keys of the draws that all faces share."""
        return draw_keys(self.classes.classes)

    def without_bad(self, piece: Piece) -> Piece:
        """Return a piece without the rows that are left out."""
        if not self.bad_lines or not any(line in self.bad_lines for line in piece.lines):
            return piece
        keep = [k for k, line in enumerate(piece.lines) if line not in self.bad_lines]
        return Piece(
            [piece.lines[k] for k in keep], [[cells[k] for k in keep] for cells in piece.cells], []
        )

    def check(self, piece: Piece) -> Faces:
        """Read the rows of a piece that was checked."""
        return check_rows(piece, self.header, self.classes, FaceProblems("table"), year=self.year)


def prepare(
    case: Scenario,
    rows: FaceRows,
    *,
    year: float | None = None,
    skip_bad: bool = False,
    inspections: Inspections | None = None,
) -> tuple[InventoryPlan, FaceProblems]:
    """Go through a table once; EvidenceError with every bad row unless they are to be skipped.

    `inspections` take in the faces that they belong to.
    """
    _refuse_joint_draws(case)
    header = read_header(rows.names, file=rows.name, line=rows.head_line)
    results = RESULTS if inspections is not None else RESULTS.difference(INSPECTED_NAMES)
    if clash := [name for name in header.names if name in results]:
        rule = f"is a column of the results; rename it in the table ({', '.join(clash)})"
        raise EvidenceError([f"{rows.name}: line {rows.head_line}: {rule}"])
    if header.has("built") and year is None:
        raise InputError("--year", "is needed beside a column built: the year of the state")
    plan = InventoryPlan(case, header, year, FaceClasses(case))
    if inspections is not None:
        plan.classes.inspected = inspections.names
    problems = FaceProblems(rows.name)
    names, groups, (youngest, oldest) = _go_through(
        plan, rows, problems, skip_bad=skip_bad, inspections=inspections
    )
    for line, element in names.twice(rows, header):
        problems.add(line, "element", "is used twice", element=element, found=element)
        if skip_bad:
            plan.faces -= 1
    if not skip_bad:
        problems.raise_all()
    if plan.faces == 0:
        raise EvidenceError([f"{rows.name}: has no row that can be used"])
    while len(plan.needs) < len(plan.classes.classes):
        plan.needs.append(ClassNeeds())
    _check_targets(plan)
    dated = header.has("built") or header.has("age")
    if inspections is not None:
        inspections.read(rows, plan.classes, dated=dated)
    plan.bad_lines = problems.lines
    plan.groups = sorted(groups) if len(groups) <= MOST_GROUPS else [""]
    if len(groups) > MOST_GROUPS:
        plan.notes.append(
            f"There are more than {MOST_GROUPS} groups: totals are given for all faces together."
        )
    if not dated:
        plan.notes.append(
            "The table gives neither built nor age_yr: every face counts as first exposed now."
        )
    plan.first_cohort = int(np.floor(youngest / COHORT_YEARS))
    plan.cohorts = int(np.ceil(oldest / COHORT_YEARS)) - plan.first_cohort + 2
    plan.targets = tuple((one.life, one.index) for one in counted_targets(case))
    files = () if inspections is None else inspections.files
    plan.inspection_files = tuple(source for one in files for source in one.sources)
    plan.digest = _digest(plan, [one.sha256 for one in plan.inspection_files])
    return plan, problems


def _go_through(
    plan: InventoryPlan,
    rows: FaceRows,
    problems: FaceProblems,
    *,
    skip_bad: bool,
    inspections: Inspections | None,
) -> tuple[_Names, set[str], tuple[float, float]]:
    """Check every row; return the names, the groups, and the least and largest age [yr]."""
    groups: set[str] = set()
    names = _Names()
    youngest, oldest = np.inf, -np.inf
    for piece in rows.pieces():
        before = problems.count
        faces = check_rows(piece, plan.header, plan.classes, problems, year=plan.year)
        names.add(faces.element, [piece.lines[k] for k in faces.rows])
        plan.parts.append(_rows_digest(piece))
        if problems.count > before and not skip_bad:
            continue
        for at in np.unique(faces.face_class):
            while len(plan.needs) < len(plan.classes.classes):
                plan.needs.append(ClassNeeds())
            own = np.flatnonzero(faces.face_class == at)
            plan.needs[at].add(plan.classes.classes[at], faces, own)
        if inspections is not None:
            inspections.add(faces, piece, plan.header, plan.classes)
        if len(groups) <= MOST_GROUPS:
            groups |= set(faces.group)
        if faces.age.size:
            youngest = min(youngest, float(faces.age.min()))
            oldest = max(oldest, float(faces.age.max()))
        plan.faces += faces.rows.size
    return names, groups, (youngest, oldest)


def _refuse_joint_draws(case: Scenario) -> None:
    if case.draws is not None:
        rule = (
            "joint draws are not taken by an inventory, whose faces share what is not known block by "
            "block; leave it out and give what was found itself, with `--inspections`, or assess one "
            "face at a time with `stripwise run`"
        )
        raise InputError("knowledge", rule)


def counted_targets(case: Scenario) -> tuple[CandidateTarget, ...]:
    """List the targets whose faces are counted: those that the tables can tell."""
    return tuple(one for one in candidate_targets(case) if one.probability >= SMALLEST_ALLOWED)


def _check_targets(plan: InventoryPlan) -> None:
    for one in plan.classes.classes:
        allowed = one.case.target.probability
        if allowed < SMALLEST_ALLOWED:
            rule = (
                f"= {number(allowed)}: an inventory takes {number(SMALLEST_ALLOWED)} or more; below it a "
                "face needs the rare sampling of `stripwise run`"
            )
            raise InputError("target.probability", rule)


def _rows_digest(piece: Piece) -> str:
    found = hashlib.sha256()
    for cells in piece.cells:
        found.update("\x1f".join(cells).encode("utf-8", "surrogatepass"))
        found.update(b"\x1e")
    return found.hexdigest()


def _digest(plan: InventoryPlan, inspections: list[str]) -> str:
    record = [
        version("stripwise"),
        plan.case.digest,
        dict(plan.case.data_files),
        plan.header.names,
        plan.year,
        plan.groups,
        [plan.first_cohort, plan.cohorts, TOTAL_YEARS],
        [repr(one.key) for one in plan.classes.classes],
        [repr(need) for need in plan.needs],
        sorted(plan.bad_lines)[:1000],
        inspections,
    ]
    return hashlib.sha256(json.dumps(record, default=str, sort_keys=True).encode()).hexdigest()


class _Names:
    """Finds names that stand twice by their hashes: 16 bytes a name, in blocks that are given back."""

    def __init__(self) -> None:
        self._hashes, self._lines = array("Q"), array("q")

    def add(self, names: list[str], lines: list[int]) -> None:
        found = pd.util.hash_array(np.array(names, dtype=object), categorize=False)
        self._hashes.frombytes(found.tobytes())
        self._lines.extend(lines)

    def twice(self, rows: FaceRows, header: FaceHeader) -> list[tuple[int, str]]:
        """Return line and name of every face whose name stands on an earlier line too."""
        hashes = np.frombuffer(self._hashes, dtype=np.uint64)
        ordered = np.sort(hashes)
        repeated = np.unique(ordered[1:][ordered[1:] == ordered[:-1]])
        if not repeated.size:
            return []
        lines = np.frombuffer(self._lines, dtype=np.int64)
        suspects = set(lines[np.isin(hashes, repeated)].tolist())
        place, seen, found = header.place("element"), set[str](), []
        assert place is not None
        for piece in rows.pieces():
            for line, name in zip(piece.lines, piece.cells[place], strict=True):
                if line in suspects:
                    if name in seen:
                        found.append((line, name))
                    seen.add(name)
        return found
