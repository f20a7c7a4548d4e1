"""Collect everything that is wrong with a scenario file, each with its key path and line."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping

from stripwise.errors import InputError, ScenarioError
from stripwise.scenario.measures import Meant, UnusualValueError
from stripwise.units.names import nearest_spelling, printable
from stripwise.units.problem_list import ProblemList

__all__ = ["KeyPath", "Problems", "key_lines", "words"]

KeyPath = tuple[str | int, ...]
"""Keys from the root of the file; an integer counts the entries of a list from 0."""

_BARE = r"[A-Za-z0-9_-]+"
_KEY = rf'(?:{_BARE}|"[^"\n]*"|\'[^\'\n]*\')'
_DOTTED = rf"{_KEY}(?:\s*\.\s*{_KEY})*"
_HEADER = re.compile(rf"\s*(\[\[?)\s*({_DOTTED})\s*\]\]?")
_ASSIGNMENT = re.compile(rf"\s*({_DOTTED})\s*=")


LONGEST = 80
"""Longest part of a key path that is shown whole."""
MOST_TOLD = 100
"""Most problems of one file that are told."""


class Problems(ProblemList):
    """What is wrong with one scenario file, each with its key path and, as far as known, line.

    `insist` says how to insist on an unusual value where none can be written into a table.
    """

    error = ScenarioError

    def __init__(self, file: str, lines: Mapping[KeyPath, int], *, insist: str = "") -> None:
        super().__init__(file)
        self._insist = insist
        self._lines = lines
        self._reported: set[KeyPath] = set()
        self._files: dict[KeyPath, str] = {}

    def add(self, path: KeyPath, rule: str, *, found: object = None) -> None:
        """Note one problem: where, what is allowed with the next step, and the value if any."""
        where = words(path)
        value = "" if found is None else f" = {printable(found)}"
        start = f"{where}{value}: " if where else ""
        line = self._line(path)
        ends = (path[:end] for end in range(len(path), 0, -1))
        file = next((self._files[part] for part in ends if part in self._files), "")
        rule += f" (in {printable(file)})" if file else ""
        self.note(f"{start}{rule}" + (f" (line {line})" if line else ""), line=line)
        self._reported.add(path)

    def tell_file(self, path: KeyPath, file: str) -> None:
        """Name the file that a table came from in every problem of that table."""
        self._files[path] = file

    def excuse(self, path: KeyPath) -> None:
        """Do not report a key as missing: a problem already noted explains it."""
        self._reported.add(path)

    def missing(self, path: KeyPath, rule: str) -> None:
        """Note that a key is missing, unless its value was already reported as wrong."""
        if not self.reported(path):
            self.add(path, f"is missing; {rule}")

    def reported(self, path: KeyPath) -> bool:
        """Whether this key or a table around it was already reported."""
        return any(path[:end] in self._reported for end in range(1, len(path) + 1))

    def has_error_within(self, path: KeyPath) -> bool:
        """Whether anything in the table or value at a path was reported."""
        return any(one[: len(path)] == path for one in self._reported) or self.reported(path)

    def number(self, read: Callable[[object], float], raw: object, path: KeyPath) -> float:
        """Return what a reader makes of a value; NaN after a problem."""
        where = (*path, "value") if isinstance(raw, Meant) else path
        try:
            return read(raw)
        except UnusualValueError as error:
            insist = self._insist or f"write {{ value = {printable(raw)}, unusual = true }}"
            rule = f"{error.problem}; check the unit, or {insist} if it is meant"
            self.add(where, rule, found=raw)
        except InputError as error:
            self.add(where, error.problem, found=raw)
        return math.nan

    def choice(
        self,
        raw: str,
        path: KeyPath,
        *,
        allowed: Iterable[str],
        before: str = "",
        after: str = "",
    ) -> str:
        """Read a word out of a list; the first allowed one stands in after a problem.

        `before` and `after` stand around the rule in the message.
        """
        allowed = tuple(allowed)
        if raw in allowed:
            return raw
        nearest = nearest_spelling(raw, allowed)
        options = ", ".join(f'"{option}"' for option in allowed)
        self.add(path, f"{before}must be one of {options}{nearest}{after}", found=raw)
        return allowed[0]

    def raise_all(self) -> None:
        """Raise a ScenarioError with every problem, if anything was noted."""
        if self._notes:
            more = len(self._notes) - MOST_TOLD
            rest = [f"{self.file}: and {more} more; mend these first"] if more > 0 else []
            raise ScenarioError([*self.texts[:MOST_TOLD], *rest])

    def _line(self, path: KeyPath) -> int:
        """Line of the key or of the table around it; 0 if unknown."""
        for end in range(len(path), 0, -1):
            if path[:end] in self._lines:
                return self._lines[path[:end]]
        return 0


def words(path: KeyPath) -> str:
    """Return a key path as text, list entries counted from 1.

    Examples
    --------
    >>> words(("strategy", 0, "follow_up", "wet covering"))
    'strategy[1].follow_up."wet covering"'
    """
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
            continue
        key = part if re.fullmatch(_BARE, part) and len(part) <= LONGEST else printable(part)
        text += f".{key}" if text else key
    return text


def key_lines(text: str) -> dict[KeyPath, int]:
    """Find the line, from 1, of every table and of every key that starts a line of valid TOML."""
    found: dict[KeyPath, int] = {}
    table: KeyPath = ()
    counts: dict[KeyPath, int] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        if header := _HEADER.match(line):
            path = _inside(_parts(header[2]), counts)
            if header[1] == "[[":
                counts[path] = counts.get(path, -1) + 1
                path = (*path, counts[path])
            table = path
            found.setdefault(path, number)
        elif assignment := _ASSIGNMENT.match(line):
            found.setdefault((*table, *_parts(assignment[1])), number)
    return found


def _parts(dotted: str) -> KeyPath:
    return tuple(part.strip("\"'") for part in re.findall(_KEY, dotted))


def _inside(path: KeyPath, counts: Mapping[KeyPath, int]) -> KeyPath:
    """Point a table below an array of tables to the array's last entry."""
    result: KeyPath = ()
    for position, part in enumerate(path):
        result = (*result, part)
        if result in counts and position < len(path) - 1:
            result = (*result, counts[result])
    return result
