"""Interrupts and requests to end that wait until files are whole again."""

from __future__ import annotations

import contextlib
import signal
from collections.abc import Iterator

__all__ = ["SIGNALS", "held_signals"]

SIGNALS = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
)
"""Signals that ask a process to end, as far as the system has them."""


@contextlib.contextmanager
def held_signals() -> Iterator[None]:
    """Hold the signals that ask to end; the first that came is raised again after the block.

    Outside the main thread there is nothing to hold. An ignored signal stays ignored.
    """
    arrived: list[int] = []
    before = {}
    try:
        for number in SIGNALS:
            if signal.getsignal(number) not in (signal.SIG_IGN, None):
                # only the main thread may; elsewhere no handler of ours runs in this thread
                with contextlib.suppress(ValueError):
                    before[number] = signal.signal(number, lambda got, _: arrived.append(got))
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        if arrived:
            signal.raise_signal(arrived[0])
