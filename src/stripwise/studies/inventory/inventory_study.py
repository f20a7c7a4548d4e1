"""Ten faces or a million: what each comes to, the totals, and which faces go first."""

# ruff: noqa: PLC0415 - what reads inspections takes 25 MB

from __future__ import annotations

import contextlib
import csv
import io
import tempfile
import time
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.errors import NumericalError
from stripwise.scenario.model import Scenario
from stripwise.studies.decision import TOO_CLOSE, YES
from stripwise.studies.inventory.elements import ANSWERS, SolvedClass
from stripwise.studies.inventory.executor import process_pool
from stripwise.studies.inventory.face_rows import FaceRows, open_faces
from stripwise.studies.inventory.inventory_plan import InventoryPlan, prepare
from stripwise.studies.inventory.inventory_run import Gathered, InventoryRun, Progress
from stripwise.studies.inventory.inventory_tables import (
    class_table,
    drivers,
    group_table,
    inspected_table,
    next_faces,
    target_counts,
)
from stripwise.studies.inventory.part_jobs import result_header, shared_draws
from stripwise.studies.inventory.part_store import FolderStore, MemoryStore
from stripwise.studies.inventory.totals import totals_table
from stripwise.studies.money_saved import intervention_table
from stripwise.studies.shown_results import Reported
from stripwise.units.source_files import SourceFile

if TYPE_CHECKING:
    from stripwise.studies.inventory.inspected_faces import Table
    from stripwise.studies.inventory.learn_from_inspections import Lesson

__all__ = ["InventoryResult", "inventory"]

MOST_THREADS = 16
"""Most threads that learn from inspections; processes and clusters compute faces."""

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, repr=False)
class InventoryResult(Reported):
    """What an inventory came to.

    Attributes
    ----------
    case
        Its scenario.
    plan
        Its classes, columns and parts.
    totals, next_faces, target_counts, left_out, groups, classes
        Tables, as `stripwise list columns` says.
    interventions
        What each intervention saves, a table too; None without any.
    inspected, learned
        What was found on each inspected face beside its answer, and what was learned of what faces
        share, tables too; None without inspections.
    faces, meeting, too_close, direct
        Faces computed, meeting their target, too close to call, computed directly.
    meeting_before, meeting_lost, probability_before
        Faces that meet it without inspections, those of them that no longer do, and mean P at the
        target life of the faces that were not inspected, without and with the inspections of the
        others; 0 and NaN without any.
    learning
        Effective draws, steps and checks of the method that learns from inspections; empty without any.
    rank
        (e,) place of every face by P at its target life.
    drivers
        Share of cover and of curing in the differences of the reliability index between faces; empty
        where they do not differ.
    table_error
        Largest rms error of P in the tables of a class.
    notes
        What a reader must know.
    lost
        First and last line of the parts that killed their workers.
    seconds
        Time of each stage [s].
    """

    case: Scenario
    plan: InventoryPlan
    totals: pd.DataFrame
    next_faces: pd.DataFrame
    target_counts: pd.DataFrame
    left_out: pd.DataFrame
    groups: pd.DataFrame
    classes: pd.DataFrame
    interventions: pd.DataFrame | None
    inspected: pd.DataFrame | None
    learned: pd.DataFrame | None
    faces: int
    meeting: int
    too_close: int
    direct: int
    meeting_before: int
    meeting_lost: int
    probability_before: tuple[float, float]
    learning: dict[str, Any]
    rank: NDArray[np.int32]
    drivers: dict[str, float]
    table_error: float
    notes: tuple[str, ...]
    lost: tuple[tuple[int, int], ...]
    seconds: dict[str, float]
    rows: FaceRows
    _names: tuple[str, ...]
    _store: MemoryStore | FolderStore

    @property
    def title(self) -> str:
        """Name of the data or of the scenario."""
        return self.case.title

    @property
    def sources(self) -> tuple[SourceFile, ...]:
        """The tables, the scenario and what it reads."""
        table = SourceFile(self.rows.name, self.rows.digest)
        return (table, *self.plan.inspection_files, *self.case.sources)

    @property
    def shown(self) -> pd.DataFrame:
        """The table for a notebook."""
        return self.groups

    @property
    def header(self) -> list[str]:
        """Head of the elements."""
        return [*result_header(self.plan), "rank"]

    def parts(self) -> Iterator[bytes]:
        """Go through the rows of the elements as CSV, a part at a time, with their rank."""
        for text, _ in self.sized_parts():
            yield text

    def sized_parts(self) -> Iterator[tuple[bytes, int]]:
        """Go through the same, each part with the number of its faces."""
        start = 0
        for name in self._names:
            part = self._store.get(name)
            if part is None:
                raise NumericalError(f"part {name} was removed while its inventory was computed")
            lines = part.csv.decode("utf-8", "surrogatepass")
            ranks = self.rank[start : start + part.faces.size]
            start += part.faces.size
            yield _with_rank(lines, ranks).encode("utf-8", "surrogatepass"), ranks.size

    @property
    def elements(self) -> pd.DataFrame:
        """The elements as one table."""
        head = io.StringIO()
        csv.writer(head, lineterminator="\n").writerow(self.header)
        text = head.getvalue().encode() + b"".join(self.parts())
        given = dict.fromkeys(self.plan.header.names, str)
        return pd.read_csv(io.BytesIO(text), dtype=given, keep_default_na=True)


def _with_rank(lines: str, ranks: NDArray[np.int32]) -> str:
    """Put the rank at the end of every row; a row with a line break in a cell takes longer."""
    rows = lines.split("\n")[:-1]
    if len(rows) == ranks.size:
        return "".join(f"{row},{rank}\n" for row, rank in zip(rows, ranks.tolist(), strict=True))
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    for row, rank in zip(csv.reader(io.StringIO(lines)), ranks.tolist(), strict=True):
        writer.writerow([*row, rank])
    return out.getvalue()


def inventory(
    case: Scenario,
    table: str | Path | pd.DataFrame | Iterable[pd.DataFrame],
    *,
    executor: Executor | None = None,
    year: float | None = None,
    inspections: Table | Sequence[Table] | None = None,
    as_scatter: bool = False,
    skip_bad: bool = False,
    workers: int = 1,
    folder: Path | None = None,
    progress: Progress | None = None,
) -> InventoryResult:
    """Assess every face of a table.

    Parameters
    ----------
    case
        The scenario: what a row does not say.
    table
        Path of a CSV or Parquet file, a frame, or an iterable of frames; one row per face.
    executor
        Where parts are computed, such as that of a cluster; `workers` processes unless given.
    year
        Year of the state, needed beside a column `built`.
    inspections
        Files or frames of what was found on some faces, as `update` takes them, with a column
        `element`: they change what all faces share, what a block shares, and what is each such face's own.
    as_scatter
        Whether a measured input that only varies along a face stays so.
    skip_bad
        Whether rows that cannot be used are left out and listed, in place of an error.
    workers
        Processes, or workers of the executor; the results do not depend on it.
    folder
        Where finished parts are kept, so that a killed run goes on from them; memory unless given.
    progress
        Called with a stage, the share done and the faces done.

    Returns
    -------
    The `InventoryResult`.

    Raises
    ------
    EvidenceError
        If the table cannot be read or has bad rows, or inspections do not fit it.
    NumericalError
        If inspections leave fewer than 400 effective draws.

    Examples
    --------
    >>> import pandas as pd, stripwise
    >>> case = stripwise.load("scenarios/garage-wall.toml")
    >>> table = pd.DataFrame({"element": ["a", "b"], "strip_age_h": [14, 30], "age_yr": [3, 8]})
    >>> table = table.assign(concrete_temperature_degC=12, nominal_cover_mm=60)
    >>> stripwise.inventory(case, table).elements["element"].tolist()
    ['a', 'b']
    """
    report = progress or (lambda _stage, _done, _faces: None)
    seconds: dict[str, float] = {}
    started = time.perf_counter()
    rows = open_faces(table)
    found = None
    if inspections is not None:
        from stripwise.studies.inventory.inspected_faces import Inspections

        many = [inspections] if isinstance(inspections, str | Path | pd.DataFrame) else inspections
        if tables := list(many):
            found = Inspections.from_tables(tables, as_scatter=as_scatter)
    plan, problems = prepare(case, rows, year=year, skip_bad=skip_bad, inspections=found)
    seconds["reading"] = time.perf_counter() - started
    report("reading", 1.0, 0)
    lesson = None
    if found is not None:
        from stripwise.studies.inventory.learn_from_inspections import learn

        lesson = learn(
            plan.classes,
            found,
            keys=plan.draw_keys,
            totals=shared_draws(plan),
            workers=min(workers, MOST_THREADS),
            progress=lambda done: report("inspections", done, 0),
        )
        plan.learned = lesson.learned
        seconds["inspections"] = time.perf_counter() - started - sum(seconds.values())
    store = MemoryStore() if folder is None else FolderStore(folder)
    with contextlib.ExitStack() as stack:
        place = folder or Path(stack.enter_context(tempfile.TemporaryDirectory()))
        own = executor is None
        pool = stack.enter_context(process_pool(workers)) if executor is None else executor
        rebuild = (lambda: process_pool(workers)) if own and workers > 1 else None
        run = InventoryRun(plan, rows, pool, workers, rebuild, place, remote=not own, report=report)
        solved = run.solve()
        seconds["tables"] = time.perf_counter() - started - sum(seconds.values())
        gathered = run.compute(solved, store)
        seconds["faces"] = time.perf_counter() - started - sum(seconds.values())
    result = _result(plan, rows, solved, gathered, store, problems.table, seconds, lesson)
    seconds["totals"] = time.perf_counter() - started - sum(seconds.values())
    return result


def _result(  # noqa: PLR0917
    plan: InventoryPlan,
    rows: FaceRows,
    solved: dict[int, SolvedClass],
    got: Gathered,
    store: MemoryStore | FolderStore,
    left_out: pd.DataFrame,
    seconds: dict[str, float],
    lesson: Lesson | None,
) -> InventoryResult:
    if not got.names:
        raise NumericalError("no part could be computed: every one killed its workers")
    size, p, answer = got.faces.size, got.faces["probability"], got.faces["answer"]
    met = answer == ANSWERS.index(YES)
    met_before = np.zeros_like(met)
    if lesson is not None:
        met_before = got.faces["answer_before"] == ANSWERS.index(YES)
    rank = np.empty(size, dtype=np.int32)
    rank[np.argsort(-p, kind="stable")] = np.arange(1, size + 1, dtype=np.int32)
    totals = totals_table(got.sums)
    notes = [*plan.notes, *(() if lesson is None else lesson.notes)]
    if len(left_out):
        notes.append(f"{left_out['line'].nunique()} rows were left out: see left-out.csv.")
    notes += [
        f"The rows of lines {a} to {b} were not computed: their worker died." for a, b in got.lost
    ]
    return InventoryResult(
        case=plan.case,
        plan=plan,
        totals=totals,
        next_faces=next_faces(plan, got, store),
        target_counts=target_counts(plan, got, size),
        left_out=left_out,
        groups=group_table(plan, got),
        classes=class_table(solved),
        interventions=intervention_table(plan.case, got.faces["saved"], got.faces["area"])
        if plan.case.interventions
        else None,
        inspected=None if lesson is None else inspected_table(plan, got, store, lesson.checks),
        learned=None if lesson is None else lesson.inputs,
        faces=size,
        meeting=int(met.sum()),
        too_close=int(np.sum(answer == ANSWERS.index(TOO_CLOSE))),
        direct=got.direct,
        meeting_before=int(met_before.sum()),
        meeting_lost=int(np.sum(met_before & ~met)),
        probability_before=(np.nan, np.nan) if lesson is None else _means_of_others(got),
        learning={} if lesson is None else lesson.record,
        rank=rank,
        drivers=drivers(got),
        table_error=max(one.tables.error for one in solved.values()),
        notes=tuple(notes),
        lost=tuple(got.lost),
        seconds=seconds,
        rows=rows,
        _names=tuple(got.names),
        _store=store,
    )


def _means_of_others(got: Gathered) -> tuple[float, float]:
    """Return the mean P of the faces that were not inspected, without and with inspections."""
    others = np.ones(got.faces.size, dtype=bool)
    others[np.concatenate(got.inspected)] = False
    if not others.any():
        return np.nan, np.nan
    before, after = (float(got.faces[name][others].mean()) for name in ("before", "probability"))
    return before, after
