"""Jobs over an executor of `concurrent.futures`, in order, with few in flight and lost workers made good."""

from __future__ import annotations

import multiprocessing
import os
import signal
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

__all__ = [
    "IN_FLIGHT",
    "Job",
    "LostPart",
    "SerialExecutor",
    "Unprepared",
    "process_pool",
    "run_jobs",
]

IN_FLIGHT = 3
"""Most jobs in flight for each worker."""

MOST_KILLED = 3
"""Workers that a job may kill before it is given up."""

T = TypeVar("T")

BLAS_THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


@dataclass(frozen=True, slots=True)
class Job:
    """A call to be made by a worker: a function of a module, and what it takes.

    `whole` is what it takes where the worker says that it is `Unprepared`.
    """

    place: int
    call: Callable[..., Any]
    arguments: tuple[Any, ...]
    whole: tuple[Any, ...] | None = None


@dataclass(frozen=True, slots=True)
class Unprepared:
    """Answer of a worker to which no job has brought what it needs."""


@dataclass(frozen=True, slots=True)
class LostPart:
    """Stands in for the result of a job that killed its workers."""

    place: int


class SerialExecutor(Executor):
    """Makes each call at once, in this process."""

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        """Call a function and return its result as a future that is done."""
        future: Future[T] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as error:
            future.set_exception(error)
        return future


def process_pool(workers: int) -> Executor:
    """Return an executor of fresh processes, each with one thread of linear algebra."""
    if workers <= 1:
        return SerialExecutor()
    for name in BLAS_THREADS:  # read by a fresh process as it starts
        os.environ.setdefault(name, "1")
    return ProcessPoolExecutor(
        workers,
        mp_context=multiprocessing.get_context("spawn"),
        # an interrupt is for the client, which ends the pool
        initializer=signal.signal,
        initargs=(signal.SIGINT, signal.SIG_IGN),
    )


def run_jobs(
    jobs: Iterable[Job],
    *,
    executor: Executor,
    workers: int,
    rebuild: Callable[[], Executor] | None = None,
    broken: tuple[type[BaseException], ...] = (BrokenProcessPool,),
) -> Iterator[tuple[int, Any]]:
    """Yield place and result of every job in order, a `LostPart` for one that kills its workers.

    At most `IN_FLIGHT` jobs a worker are in flight or wait for their turn. When a worker dies, the
    pool is built anew and every job in flight is sent again, one by one, so that the job that
    kills is found.
    """
    most = IN_FLIGHT * max(workers, 1)
    state = _State(iter(jobs), executor, rebuild)
    try:
        while True:
            lost = state.send(most)
            if not state.waiting and not lost and not state.again and not state.done:
                return
            if state.waiting and not lost:
                finished, _ = wait(state.waiting, return_when=FIRST_COMPLETED)
                for future in sorted(finished, key=lambda f: state.waiting[f].place):
                    job = state.waiting.pop(future)
                    try:
                        found = future.result()
                    except broken:
                        lost.append(job)
                        continue
                    if isinstance(found, Unprepared) and job.whole is not None:
                        lost += state.submit(replace(job, arguments=job.whole, whole=None))
                    else:
                        state.done[job.place] = found
            if lost:
                state.make_good(lost)
            while state.order and state.order[0] in state.done:
                place = state.order.popleft()
                yield place, state.done.pop(place)
    finally:
        for future in state.waiting:
            future.cancel()
        if state.own is not executor:
            state.own.shutdown(cancel_futures=True)


@dataclass(slots=True)
class _State:
    """Jobs on their way: in flight, done before their turn, and to be sent again one by one."""

    source: Iterator[Job]
    own: Executor
    rebuild: Callable[[], Executor] | None
    waiting: dict[Future[Any], Job] = field(default_factory=dict)
    done: dict[int, Any] = field(default_factory=dict)
    order: deque[int] = field(default_factory=deque)
    again: deque[Job] = field(default_factory=deque)
    killed: dict[int, int] = field(default_factory=dict)

    def send(self, most: int) -> list[Job]:
        """Send jobs as far as there is room; return one that met a dead pool."""
        while not self.waiting if self.again else len(self.waiting) + len(self.done) < most:
            job = self.again.popleft() if self.again else next(self.source, None)
            if job is None:
                break
            if job.place not in self.order:
                self.order.append(job.place)
            if lost := self.submit(job):
                return lost
        return []

    def submit(self, job: Job) -> list[Job]:
        """Send a job; return it if it met a dead pool."""
        try:
            self.waiting[self.own.submit(job.call, *job.arguments)] = job
        except BrokenProcessPool:
            return [job]
        return []

    def make_good(self, lost: list[Job]) -> None:
        """Have lost jobs sent again, on a fresh pool; give up one that alone killed too often."""
        if self.rebuild is None:
            # a cluster has sent it to several workers, perhaps beside the job that kills: once more
            for job in lost:
                self.killed[job.place] = self.killed.get(job.place, MOST_KILLED - 2) + 1
                self._give_up_or_repeat(job)
            return
        everything = sorted([*lost, *self.waiting.values()], key=lambda job: job.place)
        self.waiting.clear()
        if len(everything) == 1:
            only = everything[0].place
            self.killed[only] = self.killed.get(only, 0) + 1
        before = list(self.again)
        self.again.clear()
        for job in everything:
            self._give_up_or_repeat(job)
        self.again.extend(before)
        self.own.shutdown(wait=False, cancel_futures=True)
        self.own = self.rebuild()

    def _give_up_or_repeat(self, job: Job) -> None:
        if self.killed.get(job.place, 0) >= MOST_KILLED:
            self.done[job.place] = LostPart(job.place)
        else:
            self.again.append(job)
