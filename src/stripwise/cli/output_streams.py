"""Streams that take every character, and whose reader may leave."""

from __future__ import annotations

import contextlib
import errno
import io
import os
import sys
from collections.abc import Iterator

__all__ = ["open_streams"]


def open_streams() -> None:
    """Write UTF-8 to files and pipes; a character that cannot be written becomes its code."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:  # closed: its number is taken, so that no file of ours gets it
            os.open(os.devnull, os.O_RDWR)
            setattr(sys, name, _ClosedOutput())
        elif isinstance(stream, io.TextIOWrapper):
            # a file name may hold what is no text at all, which no encoding takes
            encoding = stream.encoding if stream.isatty() else "utf-8"
            lines = stream.line_buffering
            output = _Output(
                stream.detach(), encoding, errors="backslashreplace", line_buffering=lines
            )
            setattr(sys, name, output)


class _Output(io.TextIOWrapper):
    """A stream whose reader may leave, as `head` does; what follows is dropped."""

    def write(self, text: str) -> int:
        with self._until_the_reader_leaves():
            super().write(text)
        return len(text)

    def flush(self) -> None:
        with self._until_the_reader_leaves():
            super().flush()

    @contextlib.contextmanager
    def _until_the_reader_leaves(self) -> Iterator[None]:
        try:
            yield
        except BrokenPipeError:
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, self.fileno())
            os.close(nowhere)


class _ClosedOutput(io.TextIOBase):
    """A stream that was closed before the start; it loses what is written, and says so."""

    def write(self, text: str) -> int:
        if text:
            raise OSError(errno.EBADF, os.strerror(errno.EBADF))
        return 0
