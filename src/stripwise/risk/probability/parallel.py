"""Pure work shared out over threads, results in order."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import numpy as np

__all__ = ["run_ahead", "run_parallel"]

T = TypeVar("T")

KEPT_BYTES = 32 << 20


def run_parallel(work: Callable[[int], T], count: int, *, workers: int) -> Iterator[T]:
    """Yield work(0), work(1), ... in order, computed by some threads.

    Parameters
    ----------
    work
        A pure function of its index.
    count
        How many.
    workers
        Threads; the results do not depend on it.

    Yields
    ------
    The results, in index order.
    """
    _keep_freed_memory()
    if workers <= 1:
        yield from map(work, range(count))
        return
    pool = ThreadPoolExecutor(workers)
    try:
        yield from pool.map(work, range(count))
    finally:
        pool.shutdown(cancel_futures=True)


def run_ahead(work: Callable[[int], T], count: int, *, workers: int) -> Iterator[T]:
    """Yield work(0), work(1), ... in order, each computed while the one before is in use.

    This serves where the use is a run of short array calls: two threads that both make them wait
    for each other more than they gain, while one long call beside them costs nothing.

    Parameters
    ----------
    work
        A pure function of its index.
    count
        How many.
    workers
        Threads, of which no more than one is put to work beside the caller's; none for 1.

    Yields
    ------
    The results, in index order; at most two are held at a time.
    """
    _keep_freed_memory()
    if min(workers, count) <= 1:
        yield from map(work, range(count))
        return
    with ThreadPoolExecutor(1) as pool:
        coming = pool.submit(work, 0)
        for index in range(1, count + 1):
            result = coming.result()
            if index < count:
                coming = pool.submit(work, index)
            yield result


def _keep_freed_memory() -> None:
    """Have the allocator keep what one cell frees for the next instead of returning it.

    The C library of Linux returns freed memory to the system beyond twice the largest mapped block
    that was ever freed, mallopt(3), and fetching it again costs a quarter of the plain path. One
    block that nothing was written to, and that takes no memory, raises that limit.
    """
    np.empty(KEPT_BYTES // 2, dtype=np.uint8)
