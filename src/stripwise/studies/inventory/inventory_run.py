"""Sends the jobs of an inventory and gathers what comes back, in order."""

from __future__ import annotations

import hashlib
import pickle
import sys
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stripwise.errors import NumericalError
from stripwise.studies.inventory.elements import SolvedClass
from stripwise.studies.inventory.executor import Job, LostPart, run_jobs
from stripwise.studies.inventory.face_rows import FaceRows
from stripwise.studies.inventory.inventory_plan import InventoryPlan
from stripwise.studies.inventory.part_jobs import (
    PartResult,
    PlanPlace,
    compute_part,
    face_numbers,
    solve,
)
from stripwise.studies.inventory.part_store import FolderStore, MemoryStore
from stripwise.studies.inventory.totals import TotalSums

__all__ = ["Gathered", "InventoryRun", "Progress"]

Array = NDArray[np.float64]
Progress = Callable[[str, float, int], None]


@dataclass(slots=True)
class Gathered:
    """What is kept of every part, in order: sums, and the `face_numbers` of every face."""

    sums: TotalSums
    met: NDArray[np.int64]
    faces: NDArray[np.void]
    names: list[str] = field(default_factory=list)
    starts: list[int] = field(default_factory=lambda: [0])
    inspected: list[NDArray[np.int64]] = field(default_factory=list)
    direct: int = 0
    lost: list[tuple[int, int]] = field(default_factory=list)

    @classmethod
    def empty(cls, plan: InventoryPlan, solved: dict[int, SolvedClass]) -> Gathered:
        """Make room for the faces of a plan."""
        met = np.zeros(len(plan.targets), dtype=np.int64)
        return cls(TotalSums(plan, solved), met, np.empty(plan.faces, dtype=face_numbers(plan)))

    def add(self, name: str, part: PartResult) -> None:
        """Keep what is needed of a part."""
        start = self.starts[-1]
        stop = start + part.faces.size
        self.faces[start:stop] = part.faces
        self.names.append(name)
        self.starts.append(stop)
        self.inspected.append(start + part.inspected)
        self.sums.add(part)
        self.met += part.met
        self.direct += part.direct

    def close(self) -> None:
        """Leave out the faces of lost parts."""
        self.faces = self.faces[: self.starts[-1]]


@dataclass(slots=True)
class InventoryRun:
    """Sends the jobs of an inventory to an executor and gathers what comes back.

    Attributes
    ----------
    pool, workers, rebuild
        The executor, its workers, and what makes it anew; None where it outlives its workers.
    place
        Folder of this machine in which workers find the plan.
    remote
        Whether workers may run elsewhere, so that the plan travels to each.
    """

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
        job = self._hand_over({}, "unsolved")
        solved = {}
        jobs = (job(k, solve, k) for k in used)
        for done, (at, found) in enumerate(self._jobs(jobs), start=1):
            if isinstance(found, LostPart):
                raise NumericalError("the tables of a class cannot be computed: its workers died")
            tables, before = found
            solved[at] = SolvedClass(
                self.plan.classes.classes[at],
                self.plan.needs[at],
                tables,
                before,
                self.plan.learned,
            )
            self.report("tables of the classes", done / len(used), 0)
        return solved

    def compute(self, solved: dict[int, SolvedClass], store: MemoryStore | FolderStore) -> Gathered:
        """Compute every part, or take it from an earlier run that was cut off."""
        plan = self.plan
        got = Gathered.empty(plan, solved)
        job = self._hand_over(solved, "solved")
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
                    # bytes pass through a cluster in a quarter of the time that lists take
                    yield job(k, compute_part, pickle.dumps(good) if self.remote else good)

        for at, found in self._jobs(jobs()):
            if isinstance(found, LostPart):
                got.lost.append(spans[at])
                continue
            part = store.get(names[at]) if found is None else found
            if part is None:
                raise NumericalError("a part of an earlier run was removed; run again")
            if found is not None:
                store.put(names[at], found)
            got.add(names[at], part)
            done = got.starts[-1]
            self.report("faces", done / plan.faces, done)
        got.close()
        return got

    def _jobs(self, jobs: Iterable[Job]) -> Iterator[tuple[int, Any]]:
        return run_jobs(
            jobs,
            executor=self.pool,
            workers=self.workers,
            rebuild=self.rebuild,
            broken=_broken(),
        )

    def _hand_over(self, solved: dict[int, SolvedClass], name: str) -> Callable[..., Job]:
        """Return what makes a job that finds the plan: in a file of this machine, or by its bytes.

        The bytes travel once to each worker, when it says that it lacks them.
        """
        data = pickle.dumps((self.plan, solved))
        digest = hashlib.sha256(data).hexdigest()
        if self.remote:
            known, whole = PlanPlace(digest), PlanPlace(digest, data=data)
            return lambda k, call, given: Job(k, call, (known, given), (whole, given))
        path = self.place / f"{name}.plan"
        path.write_bytes(data)
        where = PlanPlace(digest, path)
        return lambda k, call, given: Job(k, call, (where, given))


def _known() -> None:
    """Stand in for a part that an earlier run has computed."""


def _broken() -> tuple[type[BaseException], ...]:
    """Return the errors that say that a worker died."""
    found: tuple[type[BaseException], ...] = (BrokenProcessPool,)
    if "distributed" in sys.modules:  # whoever has a cluster has imported it
        from distributed.scheduler import KilledWorker  # noqa: PLC0415 - an extra, slow to import

        found = (*found, KilledWorker)
    return found
