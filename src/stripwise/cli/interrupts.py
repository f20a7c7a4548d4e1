"""Interrupts and requests to end, each taken once."""

from __future__ import annotations

import contextlib
import signal
from collections.abc import Iterator
from typing import Any

from stripwise.report.held_signals import SIGNALS

__all__ = ["Terminated", "interruptible"]


class Terminated(KeyboardInterrupt):
    """The process was asked to end; what was begun is taken back as after an interrupt."""

    def __init__(self, number: int) -> None:
        super().__init__()
        self.number = number


@contextlib.contextmanager
def interruptible() -> Iterator[None]:
    """Take an interrupt or a request to end once: a second would break what takes things back."""

    def stop(number: int, _frame: object) -> None:
        for name in SIGNALS:
            signal.signal(name, signal.SIG_IGN)
        raise KeyboardInterrupt if number == signal.SIGINT else Terminated(number)

    before = {}
    for name in SIGNALS:
        # outside the main thread there are no signals to handle, and an ignored one stays so
        with contextlib.suppress(ValueError):
            if signal.getsignal(name) is not signal.SIG_IGN:
                before[name] = signal.signal(name, stop)
    try:
        yield
    except KeyboardInterrupt:
        raise  # still ignored while threads end
    except BaseException:
        _restore(before)
        raise
    else:
        _restore(before)


def _restore(handlers: dict[signal.Signals, Any]) -> None:
    for name, handler in handlers.items():
        signal.signal(name, handler)
