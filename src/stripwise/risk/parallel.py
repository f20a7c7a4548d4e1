"""Pure work shared out over threads, results in order."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import numpy as np

__all__ = ["run_parallel"]

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


def _keep_freed_memory() -> None:
    """Have the allocator keep what one cell frees for the next instead of returning it.

    The C library of Linux returns freed memory to the system beyond twice the largest mapped block
    that was ever freed, mallopt(3), and fetching it again costs a quarter of the plain path. One
    block that nothing was written to, and that takes no memory, raises that limit.
    """
    np.empty(KEPT_BYTES // 2, dtype=np.uint8)
