"""Ten faces or a million: what each comes to, the totals, and which faces go first."""

from __future__ import annotations

import contextlib
import csv
import hashlib
import io
import pickle
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stripwise.errors import NumericalError
from stripwise.risk.probability.face_tables import index_of
from stripwise.scenario.model import Scenario
from stripwise.studies.decision import TOO_CLOSE, YES
from stripwise.studies.inventory.elements import ANSWERS, SolvedClass
from stripwise.studies.inventory.executor import (
    Job,
    LostPart,
    process_pool,
    run_jobs,
)
from stripwise.studies.inventory.face_rows import FaceRows, open_faces
from stripwise.studies.inventory.inventory_plan import InventoryPlan, counted_targets, prepare
from stripwise.studies.inventory.part_jobs import (
    PartResult,
    compute_part,
    result_header,
    solve,
)
from stripwise.studies.inventory.part_store import FolderStore, MemoryStore
from stripwise.studies.inventory.totals import TotalSums, totals_table
from stripwise.units.result_columns import columns

__all__ = ["CRITERIA", "InventoryResult", "inventory"]

Array = NDArray[np.float64]
Progress = Callable[[str, float, int], None]

CRITERIA = ("probability", "area x probability", "years left")
"""What the next faces are chosen by."""

LEAST_FOR_DRIVERS = 10
"""Fewest faces whose differences are split."""

NEXT_FACES = 100
"""Faces listed by each of them."""


@dataclass(frozen=True, slots=True)
class InventoryResult:
    """What an inventory came to.

    Attributes
    ----------
    case
        Its scenario.
    plan
        Its classes, columns and parts.
    totals, next_faces, target_counts, left_out, groups, classes
        Tables, as `stripwise list columns` says.
    faces, meeting, too_close, direct
        Faces computed, meeting their target, too close to call, computed directly.
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
    faces: int
    meeting: int
    too_close: int
    direct: int
    rank: NDArray[np.int64]
    drivers: dict[str, float]
    table_error: float
    notes: tuple[str, ...]
    lost: tuple[tuple[int, int], ...]
    seconds: dict[str, float]
    rows: FaceRows
    _names: tuple[str, ...]
    _store: MemoryStore | FolderStore

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
            ranks = self.rank[start : start + part.probability.size]
            start += part.probability.size
            yield _with_rank(lines, ranks).encode("utf-8", "surrogatepass"), ranks.size

    @property
    def elements(self) -> pd.DataFrame:
        """The elements as one table."""
        head = io.StringIO()
        csv.writer(head, lineterminator="\n").writerow(self.header)
        text = head.getvalue().encode() + b"".join(self.parts())
        own = columns("elements")
        given = {name: str for name in self.header if name not in own or name == "element"}
        return pd.read_csv(io.BytesIO(text), dtype=given, keep_default_na=True)

    def __repr__(self) -> str:
        """Name the inventory."""
        return f"<InventoryResult: {self.faces} faces, {self.meeting} meet the target>"


def _with_rank(lines: str, ranks: NDArray[np.int64]) -> str:
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
        If the table cannot be read or has bad rows.
    """
    report = progress or (lambda _stage, _done, _faces: None)
    seconds: dict[str, float] = {}
    started = time.perf_counter()
    rows = open_faces(table)
    plan, problems = prepare(case, rows, year=year, skip_bad=skip_bad)
    seconds["reading"] = time.perf_counter() - started
    report("reading", 1.0, 0)
    store = MemoryStore() if folder is None else FolderStore(folder)
    with contextlib.ExitStack() as stack:
        place = folder or Path(stack.enter_context(tempfile.TemporaryDirectory()))
        own = executor is None
        pool = stack.enter_context(process_pool(workers)) if executor is None else executor
        rebuild = (lambda: process_pool(workers)) if own and workers > 1 else None
        run = _Run(plan, rows, pool, workers, rebuild, place, remote=not own, report=report)
        solved = run.solve()
        seconds["tables"] = time.perf_counter() - started - sum(seconds.values())
        gathered = run.compute(solved, store)
        seconds["faces"] = time.perf_counter() - started - sum(seconds.values())
    result = _result(plan, rows, solved, gathered, store, problems.table, seconds)
    seconds["totals"] = time.perf_counter() - started - sum(seconds.values())
    return result


@dataclass(slots=True)
class _Gathered:
    """What is kept of every part, in order."""

    sums: TotalSums
    met: NDArray[np.int64]
    names: list[str] = field(default_factory=list)
    probability: list[Array] = field(default_factory=list)
    now: list[Array] = field(default_factory=list)
    left: list[Array] = field(default_factory=list)
    area: list[Array] = field(default_factory=list)
    answer: list[NDArray[np.int8]] = field(default_factory=list)
    group: list[NDArray[np.int64]] = field(default_factory=list)
    cover: list[NDArray[np.float32]] = field(default_factory=list)
    log_hours: list[NDArray[np.float32]] = field(default_factory=list)
    direct: int = 0
    lost: list[tuple[int, int]] = field(default_factory=list)


@dataclass(slots=True)
class _Run:
    plan: InventoryPlan
    rows: FaceRows
    pool: Executor
    workers: int
    rebuild: Callable[[], Executor] | None
    place: Path
    remote: bool
    report: Progress

    def solve(self) -> dict[int, SolvedClass]:
        """Compute the tables of every class."""
        used = [k for k, needs in enumerate(self.plan.needs) if needs.faces]
        where = self._hand_over({}, "unsolved")
        solved = {}
        jobs = (Job(k, solve, (where, k)) for k in used)
        for done, (at, tables) in enumerate(self._jobs(jobs), start=1):
            if isinstance(tables, LostPart):
                raise NumericalError("the tables of a class cannot be computed: its workers died")
            solved[at] = SolvedClass(self.plan.classes.classes[at], self.plan.needs[at], tables)
            self.report("tables of the classes", done / len(used), 0)
        return solved

    def compute(
        self, solved: dict[int, SolvedClass], store: MemoryStore | FolderStore
    ) -> _Gathered:
        """Compute every part, or take it from an earlier run that was cut off."""
        plan = self.plan
        got = _Gathered(TotalSums(plan, solved), np.zeros(len(plan.targets), dtype=np.int64))
        where = self._hand_over(solved, "solved")
        spans: dict[int, tuple[int, int]] = {}
        names = [
            hashlib.sha256(f"{plan.digest}{digest}{k}".encode()).hexdigest()[:32]
            for k, digest in enumerate(plan.parts)
        ]

        def jobs() -> Iterator[Job]:
            for k, piece in enumerate(self.rows.pieces()):
                good = plan.without_bad(piece)
                if not len(good):
                    continue
                spans[k] = (good.lines[0], good.lines[-1])
                if store.get(names[k]) is not None:
                    yield Job(k, _known, ())
                else:
                    yield Job(k, compute_part, (where, good))

        done = 0
        for at, found in self._jobs(jobs()):
            if isinstance(found, LostPart):
                got.lost.append(spans[at])
                continue
            part = store.get(names[at]) if found is None else found
            if part is None:
                raise NumericalError("a part of an earlier run was removed; run again")
            if found is not None:
                store.put(names[at], found)
            _gather(got, names[at], part)
            done += part.probability.size
            self.report("faces", done / plan.faces, done)
        return got

    def _jobs(self, jobs: Iterable[Job]) -> Iterator[tuple[int, object]]:
        return run_jobs(
            jobs,
            executor=self.pool,
            workers=self.workers,
            rebuild=self.rebuild,
            broken=_broken(),
        )

    def _hand_over(self, solved: dict[int, SolvedClass], name: str) -> str | bytes:
        """Return where workers find the plan: a file of this machine, or its bytes."""
        data = pickle.dumps((self.plan, solved))
        if self.remote:
            return data
        path = self.place / f"{name}.plan"
        path.write_bytes(data)
        return f"{path}"


def _known() -> None:
    """Stand in for a part that an earlier run has computed."""


def _broken() -> tuple[type[BaseException], ...]:
    """Return the errors that say that a worker died."""
    from concurrent.futures.process import BrokenProcessPool  # noqa: PLC0415

    found: tuple[type[BaseException], ...] = (BrokenProcessPool,)
    with contextlib.suppress(ImportError):
        from distributed.scheduler import KilledWorker  # noqa: PLC0415 - an extra

        found = (*found, KilledWorker)
    return found


def _gather(got: _Gathered, name: str, part: PartResult) -> None:
    got.names.append(name)
    got.sums.add(part)
    got.probability.append(part.probability)
    got.now.append(part.now)
    got.left.append(part.left)
    got.area.append(part.area)
    got.answer.append(part.answer)
    got.group.append(part.group)
    got.cover.append(part.cover)
    got.log_hours.append(part.log_hours)
    got.met += part.met
    got.direct += part.direct


def _result(
    plan: InventoryPlan,
    rows: FaceRows,
    solved: dict[int, SolvedClass],
    got: _Gathered,
    store: MemoryStore | FolderStore,
    left_out: pd.DataFrame,
    seconds: dict[str, float],
) -> InventoryResult:
    if not got.names:
        raise NumericalError("no part could be computed: every one killed its workers")
    p, answer = np.concatenate(got.probability), np.concatenate(got.answer)
    order = np.argsort(-p, kind="stable")
    rank = np.empty(p.size, dtype=np.int64)
    rank[order] = np.arange(1, p.size + 1)
    totals = totals_table(got.sums)
    notes = list(plan.notes)
    if len(left_out):
        notes.append(f"{left_out['line'].nunique()} rows were left out: see left-out.csv.")
    notes += [
        f"The rows of lines {a} to {b} were not computed: their worker died." for a, b in got.lost
    ]
    return InventoryResult(
        case=plan.case,
        plan=plan,
        totals=totals,
        next_faces=_next_faces(plan, got, store),
        target_counts=_target_counts(plan, got, p.size),
        left_out=left_out,
        groups=_groups(plan, got, totals),
        classes=_classes(solved),
        faces=p.size,
        meeting=int(np.sum(answer == ANSWERS.index(YES))),
        too_close=int(np.sum(answer == ANSWERS.index(TOO_CLOSE))),
        direct=got.direct,
        rank=rank,
        drivers=_drivers(got),
        table_error=max(one.tables.error for one in solved.values()),
        notes=tuple(notes),
        lost=tuple(got.lost),
        seconds=seconds,
        rows=rows,
        _names=tuple(got.names),
        _store=store,
    )


def _drivers(got: _Gathered) -> dict[str, float]:
    """Split the differences of the index between faces into those of cover and of curing.

    Shares of the variance by a straight line in cover and in ln of the equivalent curing; what both
    leave open is concrete, exposure and curvature.
    """
    p, cover, hours = (
        np.concatenate(x).astype(float) for x in (got.probability, got.cover, got.log_hours)
    )
    index = index_of(p)
    known = np.isfinite(hours)
    if known.sum() < LEAST_FOR_DRIVERS or np.std(index[known]) == 0.0:
        return {}
    columns_ = np.column_stack([cover[known], hours[known]])
    spread = columns_.std(axis=0)
    moving = spread > 0.0
    if not moving.any():
        return {}
    centred = columns_[:, moving] - columns_[:, moving].mean(axis=0)
    y = index[known] - index[known].mean()
    slopes = np.linalg.lstsq(centred, y, rcond=None)[0]
    shares = np.zeros(2)
    shares[moving] = slopes * (centred * y[:, np.newaxis]).mean(axis=0) / np.mean(y**2)
    return {"cover": float(max(shares[0], 0.0)), "curing": float(max(shares[1], 0.0))}


def _next_faces(
    plan: InventoryPlan, got: _Gathered, store: MemoryStore | FolderStore
) -> pd.DataFrame:
    """List the faces that go first by each criterion."""
    p, left, area = (np.concatenate(x) for x in (got.probability, got.left, got.area))
    values = {CRITERIA[0]: -p, CRITERIA[1]: -p * area, CRITERIA[2]: left}
    if not plan.header.has("area"):
        del values[CRITERIA[1]]
    chosen = {name: np.argsort(x, kind="stable")[:NEXT_FACES] for name, x in values.items()}
    wanted = np.unique(np.concatenate(list(chosen.values())))
    sizes = np.cumsum([0, *(x.size for x in got.probability)])
    cells: dict[int, list[str]] = {}
    for k, name in enumerate(got.names):
        own = wanted[(wanted >= sizes[k]) & (wanted < sizes[k + 1])]
        if own.size and (part := store.get(name)) is not None:
            text = io.StringIO(part.csv.decode("utf-8", "surrogatepass"))
            rows = list(csv.reader(text))
            cells |= {int(at): rows[int(at - sizes[k])] for at in own}
    head = result_header(plan)
    group = head.index("group") if "group" in head else None
    records = []
    for name, places in chosen.items():
        for place, at in enumerate(places.tolist(), start=1):
            row = dict(zip(head, cells[at], strict=True))
            records.append(
                {
                    "criterion": name,
                    "place": place,
                    "element": row["element"],
                    "group": "" if group is None else row["group"],
                    "area_m2": area[at],
                    "probability_now": float(row["probability_now"]),
                    "probability_at_target": p[at],
                    "meets_target": row["meets_target"],
                    "years_left": left[at],
                    "value": -values[name][at] if name != CRITERIA[2] else left[at],
                }
            )
    return pd.DataFrame(records, columns=columns("next_faces"))


def _target_counts(plan: InventoryPlan, got: _Gathered, size: int) -> pd.DataFrame:
    records = [
        {
            "service_life_yr": one.life,
            "allowed_probability": one.probability,
            "reliability_index": one.index,
            "source": one.source,
            "faces_meeting": int(count),
            "share_meeting": count / size,
        }
        for one, count in zip(counted_targets(plan.case), got.met, strict=True)
    ]
    return pd.DataFrame(records, columns=columns("target_counts"))


def _groups(plan: InventoryPlan, got: _Gathered, totals: pd.DataFrame) -> pd.DataFrame:
    """Put the groups side by side."""
    p, answer, group = (np.concatenate(x) for x in (got.probability, got.answer, got.group))
    area, now = np.concatenate(got.area), np.concatenate(got.now)
    records = []
    for g, name in enumerate(plan.groups):
        own = group == g
        if not own.any():
            continue
        records.append(
            {
                "group": name,
                "faces": int(own.sum()),
                "area_m2": float(area[own].sum()),
                "faces_meeting": int(np.sum(answer[own] == 0)),
                "share_meeting": float(np.mean(answer[own] == 0)),
                "probability_now": float(now[own].mean()),
                "probability_at_target": float(p[own].mean()),
            }
        )
    del totals
    return pd.DataFrame(records, columns=columns("groups"))


def _classes(solved: dict[int, SolvedClass]) -> pd.DataFrame:
    records = []
    for one in solved.values():
        key = one.one.key
        records.append(
            {
                "concrete_type": key.types[0],
                "exposure_type": key.types[1],
                "keys": "; ".join(f"{dotted} = {text}" for dotted, text, _ in key.overrides),
                "faces": one.needs.faces,
                "rms_error": one.tables.error,
            }
        )
    return pd.DataFrame(records, columns=columns("classes"))
