"""Pure work shared out over threads, results in order."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

__all__ = ["run_parallel"]

T = TypeVar("T")


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
    if workers <= 1:
        yield from map(work, range(count))
        return
    pool = ThreadPoolExecutor(workers)
    try:
        yield from pool.map(work, range(count))
    finally:
        pool.shutdown(cancel_futures=True)
