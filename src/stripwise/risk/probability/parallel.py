"""How pure work is spread over threads, with the results in order."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import numpy as np

__all__ = ["run_parallel", "run_prefetched"]

T = TypeVar("T")

KEPT_BYTES = 32 << 20


def run_parallel(work: Callable[[int], T], count: int, *, workers: int) -> Iterator[T]:
    """Yield work(0), work(1), ... in order, computed by some threads."""
    _keep_freed_memory()
    if workers <= 1:
        yield from map(work, range(count))
        return
    pool = ThreadPoolExecutor(workers)
    try:
        yield from pool.map(work, range(count))
    finally:
        pool.shutdown(cancel_futures=True)


def run_prefetched(work: Callable[[int], T], count: int, *, workers: int) -> Iterator[T]:
    """Yield work(0), work(1), ... in order, each computed while the one before is in use.

    For a use that is a run of short array calls: two threads that both make them wait for each
    other more than they gain, while one long call beside them costs nothing. At most one thread is
    started, none for one worker, and at most two results are held at a time.
    """
    _keep_freed_memory()
    if min(workers, count) <= 1:
        yield from map(work, range(count))
        return
    with ThreadPoolExecutor(1) as pool:
        future = pool.submit(work, 0)
        for index in range(1, count + 1):
            result = future.result()
            if index < count:
                future = pool.submit(work, index)
            yield result


def _keep_freed_memory() -> None:
    """Have the allocator keep what one block frees for the next instead of returning it.

    The C library of Linux returns freed memory to the system beyond twice the largest mapped block
    that was ever freed, mallopt(3), and fetching it again costs a quarter of the plain path. One
    block that nothing was written to, and that takes no memory, raises that limit.
    """
    np.empty(KEPT_BYTES // 2, dtype=np.uint8)
