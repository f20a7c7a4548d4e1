"""Which faces of an inventory were inspected, and what was found on each."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from stripwise.errors import EvidenceError
from stripwise.evidence.inspections.element_rows import ELEMENT, element_set, read_element_files
from stripwise.evidence.inspections.inspection_sets import InspectionSet, refuse_repeats
from stripwise.evidence.tables.data_file import LINE, DataFile
from stripwise.risk.model.wall import Plan, Wall
from stripwise.risk.probability.nominal_covers import with_nominal_cover
from stripwise.risk.probability.shared_draws import is_own
from stripwise.studies.inventory.check_rows import Faces, plan_of
from stripwise.studies.inventory.face_classes import FaceClass, FaceClasses
from stripwise.studies.inventory.face_columns import FaceHeader
from stripwise.studies.inventory.face_rows import FaceRows, Piece
from stripwise.studies.inventory.row_dates import built_date
from stripwise.studies.update.evidence_of_sets import misfits, points_on_face
from stripwise.units.formatting import count, number
from stripwise.units.names import printable

__all__ = ["MOST_NAMED", "InspectedFace", "Inspections", "Table"]

Table = str | Path | pd.DataFrame

ROUNDING = 1.0
"""Years by which an inspection may lie after the age of its face: ages are often whole years."""

MOST_UNKNOWN = 20
"""Elements without a row that are told each by itself: each is sought in the whole table."""

MOST_NAMED = 3
"""Faces named in a sentence."""

LIKE = 0.6
"""Least likeness of a spelling that is worth a hint."""


@dataclass(frozen=True, slots=True)
class InspectedFace:
    """A face that was inspected, as its row says.

    Attributes
    ----------
    name, line
        Its name and the line of its row.
    place
        Position of its class, of which it is the one face.
    plan
        How it was stripped and cured.
    named
        Whether that is a strategy of the scenario.
    cover, sd
        Nominal cover and its sd [mm]; NaN for those of the class.
    age
        Age since first exposure at the state [yr].
    built
        Date of first exposure; None where the table gives none.
    """

    name: str
    line: int
    place: int
    plan: Plan
    named: bool
    cover: float
    sd: float
    age: float
    built: date | None

    def wall(self, one: FaceClass) -> Wall:
        """Return the wall of its class with its own cover and plan."""
        cover = one.wall.nominal_cover if np.isnan(self.cover) else self.cover
        sd = None if np.isnan(self.sd) else self.sd
        return with_nominal_cover(one.wall.with_plans((self.plan,)), cover, sd)


@dataclass(slots=True)
class Inspections:
    """The inspections of an inventory.

    Attributes
    ----------
    files
        As they were read.
    as_scatter
        Whether a measured input that only varies along a face stays so.
    faces
        The faces in the order of the table.
    sets
        What was found on each, by name.
    notes
        What a reader must know.
    """

    files: tuple[DataFile, ...]
    as_scatter: bool = False
    faces: list[InspectedFace] = field(default_factory=list)
    sets: dict[str, tuple[InspectionSet, ...]] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    @classmethod
    def from_tables(cls, tables: Sequence[Table], *, as_scatter: bool = False) -> Inspections:
        """Read the files."""
        return cls(read_element_files(tables), as_scatter)

    @property
    def names(self) -> frozenset[str]:
        """Names of the elements that the files hold."""
        return frozenset(str(name) for one in self.files for name in one.data[ELEMENT].unique())

    def add(self, faces: Faces, piece: Piece, header: FaceHeader, classes: FaceClasses) -> None:
        """Take in the inspected ones of some faces."""
        built = header.place("built")
        wanted = {*classes.inspected}.difference(face.name for face in self.faces)
        for k, name in enumerate(faces.element):
            if name not in wanted:
                continue
            wanted.remove(name)  # a name that stands twice is left out the second time
            place = int(faces.face_class[k])
            strategy = int(faces.strategy[k])
            self.faces.append(
                InspectedFace(
                    name=name,
                    line=piece.lines[faces.rows[k]],
                    place=place,
                    plan=plan_of(faces, k)
                    if strategy < 0
                    else classes.classes[place].wall.plans[strategy],
                    named=strategy >= 0,
                    cover=float(faces.cover[k]),
                    sd=float(faces.cover_sd[k]),
                    age=float(faces.age[k]),
                    built=None if built is None else built_date(piece.cells[built][faces.rows[k]]),
                )
            )

    def read(self, rows: FaceRows, classes: FaceClasses, *, dated: bool) -> None:
        """Check what was found on each face; EvidenceError with all that is wrong.

        `dated` says whether the table of faces tells how old they are.
        """
        texts = [*self._unknown(rows), *_split_correlations(classes)]
        told: dict[str, list[str]] = {}
        by_file: dict[str, dict[str, list[str]]] = {one.name: {} for one in self.files}
        for face in self.faces:
            case = classes.classes[face.place].case
            found = []
            for one in self.files:
                if not (one.data[ELEMENT] == face.name).any():
                    continue
                try:
                    found.append(
                        element_set(
                            one,
                            face.name,
                            strategy=face.plan.name,
                            named=face.named,
                            effective=points_on_face(case),
                            first_exposure=face.built,
                        )
                    )
                except EvidenceError as error:
                    for text in error.problems:
                        by_file[one.name].setdefault(text, []).append(face.name)
            self.sets[face.name] = tuple(found)
            texts += self._problems(face, dated=dated)
            wrong, notes = misfits(
                self.sets[face.name],
                case,
                face.wall(classes.classes[face.place]),
                as_scatter=self.as_scatter,
            )
            texts += wrong
            for note in notes:
                told.setdefault(note, []).append(face.name)
        for one in self.files:
            texts += _told_by_face(one, by_file[one.name])
        if texts:
            raise EvidenceError(list(dict.fromkeys(texts)))
        self.notes = [_of_faces(note, names) for note, names in told.items()]

    def _problems(self, face: InspectedFace, *, dated: bool) -> Iterator[str]:
        sets = self.sets[face.name]
        try:
            refuse_repeats(sets)
        except EvidenceError as error:
            yield from (f"element {printable(face.name)}: {text}" for text in error.problems)
        for found in sets:
            if found.last_age > max(face.age, 0.0) + ROUNDING:
                yield (
                    f"{found.data_file.name}: element {printable(face.name)}: was inspected "
                    f"{number(found.last_age)} yr after first exposure, and the table of faces makes it "
                    f"{number(max(face.age, 0.0))} yr old"
                    f"{'' if dated else ', since it gives neither built nor age_yr'}"
                )

    def _unknown(self, rows: FaceRows) -> Iterator[str]:
        """Name the elements that are no row of the table, with the nearest spelling."""
        known = {face.name for face in self.faces}
        missing = self.names - known
        if not missing:
            return
        places: dict[str, str] = {}
        for one in self.files:
            data = one.data.drop_duplicates(ELEMENT)
            for name, line in zip(data[ELEMENT], data[LINE], strict=True):
                if name in missing:
                    places.setdefault(name, f"{one.name}: line {line}, element = {printable(name)}")
        named = list(places)[:MOST_UNKNOWN]
        near = _nearest(frozenset(named), rows)
        yield from (f"{places[name]}: {near[name]}" for name in named)
        if more := len(places) - len(named):
            yield f"{count(more)} more elements of the inspections have no row in {rows.name} that can be used"


def _split_correlations(classes: FaceClasses) -> Iterator[str]:
    """Name the pairs of which one is shared by faces and one each face's own.

    They are sampled apart, so that their correlation would be lost, and with it some of the risk.
    """
    for one in classes.classes:
        between = {
            item.name: is_own(item) for item in one.wall.inputs if item.epistemic_share > 0.0
        }
        for pair in one.wall.correlations:
            if {pair.first, pair.second} <= {*between} and between[pair.first] != between[
                pair.second
            ]:
                yield (
                    f"{classes.case.path.name}: correlation: {pair.first} and {pair.second}: one is "
                    "shared by the faces of a block and one is each face's own, which inspections do not "
                    'take; write `shared = "block"` for both or for neither'
                )


def _of_faces(note: str, names: list[str]) -> str:
    """Name the faces that a note is about."""
    more = len(names) - MOST_NAMED
    end = f" and {count(more)} more" if more > 0 else ""
    return f"{', '.join(map(printable, names[:MOST_NAMED]))}{end}: {note}"


def _told_by_face(one: DataFile, problems: dict[str, list[str]]) -> Iterator[str]:
    """Name the faces whose rows are wrong where neither a line tells them nor all of a file are."""
    start, every = f"{one.name}: ", one.data[ELEMENT].nunique()
    for text, names in problems.items():
        if not text.startswith(start) or text.startswith(f"{start}line ") or len(names) == every:
            yield text
        else:
            rule = text.removeprefix(start)
            yield from (f"{start}element {printable(name)}: {rule}" for name in names)


def _nearest(missing: frozenset[str], rows: FaceRows) -> dict[str, str]:
    """Say of each name what is wrong, by another pass over the table, whatever its size."""
    best = dict.fromkeys(missing, (LIKE, ""))
    there: set[str] = set()
    matchers = {name: difflib.SequenceMatcher(b=name.casefold()) for name in missing}
    place = rows.names.index(ELEMENT)
    for piece in rows.pieces():
        names = piece.cells[place]
        there |= missing.intersection(names)
        for name, matcher in matchers.items():
            for other in names:
                matcher.set_seq1(other.casefold())
                if (
                    matcher.real_quick_ratio() > best[name][0]
                    and matcher.quick_ratio() > best[name][0]
                    and matcher.ratio() > best[name][0]
                ):
                    best[name] = (matcher.ratio(), other)
    found = {}
    for name in missing:
        if name in there:
            found[name] = f"its row in {rows.name} cannot be used"
        else:
            other = best[name][1]
            hint = f"; the nearest spelling is {printable(other)}" if other else ""
            found[name] = f"is no face of {rows.name}{hint}"
    return found
