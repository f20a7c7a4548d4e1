"""Collect everything that is wrong with one file, to be told together."""

from __future__ import annotations

from typing import ClassVar

from stripwise.errors import EvidenceError, ScenarioError

__all__ = ["ProblemList"]


class ProblemList:
    """The list of what is wrong with one file, in the order of its lines.

    Parameters
    ----------
    file
        Name of the file for the messages.
    """

    error: ClassVar[type[ScenarioError | EvidenceError]]
    """What `raise_all` raises."""

    def __init__(self, file: str) -> None:
        self.file = file
        self._notes: list[tuple[int, str]] = []

    def __len__(self) -> int:
        """Count the notes so far."""
        return len(self._notes)

    def note(self, text: str, *, line: int = 0) -> None:
        """Note one problem at a line, 0 for the file as a whole."""
        self._notes.append((line, f"{self.file}: {text}"))

    @property
    def texts(self) -> tuple[str, ...]:
        """The problems so far, one line each, in the order of the file."""
        return tuple(text for _, text in sorted(self._notes, key=lambda note: note[0]))

    def raise_all(self) -> None:
        """Raise `error` with every problem, if anything was noted."""
        if self._notes:
            raise self.error(list(self.texts))
