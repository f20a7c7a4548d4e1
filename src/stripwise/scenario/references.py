"""Inputs that stand in files of their own: `{ from = "cover.toml" }`."""

from __future__ import annotations

import copy
import hashlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from stripwise.errors import InputError
from stripwise.scenario.engine import model_at
from stripwise.scenario.penalty_files import FittedPenalties, FromFit, fitted_penalties
from stripwise.scenario.problems import KeyPath, Problems
from stripwise.scenario.scenario_table import ScenarioTable
from stripwise.scenario.shapes import InputTable, PenaltyTable
from stripwise.scenario.toml_text import parse_toml
from stripwise.units.names import printable

__all__ = ["References", "expand"]

FILE_LIMIT = 1_000_000
"""Largest file of an input in bytes."""

FROM = "from"
ENTRY = "as"
OWN = ("kind", "source")
"""Keys that may stand beside `from`; they go before those of the file."""


@dataclass(slots=True)
class References:
    """What a scenario takes from other files.

    Attributes
    ----------
    penalties
        Fitted penalty by position of the strategy in the scenario.
    files
        Name and SHA-256 of each file.
    """

    penalties: dict[int, FromFit] = field(default_factory=dict)
    files: dict[str, str] = field(default_factory=dict)


def expand(
    raw: dict[str, Any], *, folder: Path, allow_outside: bool, problems: Problems
) -> tuple[dict[str, Any], References]:
    """Put the inputs of other files in the places that name them.

    `raw` is not changed, and an input whose file could not be used is left out. Paths are relative
    to `folder`, and must stay inside it unless `allow_outside`.
    """
    found = References()
    if next(_places(raw), None) is None:
        return raw, found
    rest = copy.deepcopy(raw)
    reader = _Reader(folder, allow_outside, problems, found)
    for path, holder, key in list(_places(rest)):
        table = holder[key]
        penalty = model_at(ScenarioTable, path) is PenaltyTable
        extra = [
            name for name in table if name not in (FROM, *OWN) and not (name == ENTRY and penalty)
        ]
        for name in extra:
            problems.add(
                (*path, name),
                f"cannot stand beside from, whose file gives the input; allowed are "
                f"{', '.join((*OWN, ENTRY) if penalty else OWN)}",
                found=table[name],
            )
        new = None if extra else reader.table(table, path, penalty=penalty, raw=rest)
        if new is None:
            holder.pop(key)
            problems.excuse(path)
        else:
            if "kind" in table:  # it goes before the share that the file gives
                new = {name: value for name, value in new.items() if name != "between_walls"}
            holder[key] = {**new, **{name: table[name] for name in OWN if name in table}}
    return rest, found


def _places(raw: dict[str, Any]) -> Iterator[tuple[KeyPath, Any, Any]]:
    """Find the tables of inputs that hold a text `from`: path, what holds them, and their key."""
    stack: list[tuple[KeyPath, Any]] = [((), raw)]
    while stack:
        path, value = stack.pop()
        children: list[tuple[Any, Any]] = []
        if isinstance(value, dict):
            children = list(value.items())
        elif isinstance(value, list):
            children = list(enumerate(value))
        for key, child in children:
            if not isinstance(child, dict | list):
                continue
            below = (*path, key)
            if isinstance(child, dict) and isinstance(child.get(FROM), str):
                misplaced = below[:2] == ("curing", "retention") and len(below) != 4
                if issubclass(model_at(ScenarioTable, below), InputTable) and not misplaced:
                    yield below, value, key
                    continue
            stack.append((below, child))


class _Reader:
    """Reads each file once."""

    def __init__(
        self, folder: Path, allow_outside: bool, problems: Problems, found: References
    ) -> None:
        self._folder = folder
        self._allow_outside = allow_outside
        self._problems = problems
        self._found = found
        self._files: dict[str, dict[str, Any] | str] = {}
        self._fits: dict[str, FittedPenalties] = {}

    def table(
        self, table: dict[str, Any], path: KeyPath, *, penalty: bool, raw: dict[str, Any]
    ) -> dict[str, Any] | None:
        """Return the keys of the input that a table names, or None after a problem."""
        name = table[FROM]
        where = (*path, FROM)
        if name not in self._files:
            try:
                self._files[name] = self._read(name)
            except InputError as error:
                self._files[name] = error.problem
        content = self._files[name]
        if isinstance(content, str):
            self._problems.add(where, content, found=name)
            return None
        if penalty and "penalties" in content:
            return self._penalty(table, content, path, raw=raw)
        self._problems.tell_file(path, name)
        return self._input(table, content, where)

    def _input(
        self, table: dict[str, Any], content: dict[str, Any], where: KeyPath
    ) -> dict[str, Any] | None:
        name, rule = table[FROM], ""
        inner = content.get("input")
        if "penalties" in content:
            rule = "holds penalty factors, which only the penalty of a strategy can take"
        elif list(content) != ["input"] or not isinstance(inner, dict):
            have = ", ".join(content) or "nothing"
            rule = f"must hold one table [input] and nothing else; it has {printable(have)}"
        elif FROM in inner:
            rule = "names a further file; give the input itself"
        elif ENTRY in table:
            rule = "holds one input without a name; leave out as"
        if rule or not isinstance(inner, dict):
            self._problems.add(where, rule, found=name)
            return None
        return inner

    def _penalty(
        self, table: dict[str, Any], content: dict[str, Any], path: KeyPath, *, raw: dict[str, Any]
    ) -> dict[str, Any] | None:
        name, where = table[FROM], (*path, FROM)
        if name not in self._fits:
            try:
                self._fits[name] = fitted_penalties(content)
            except InputError as error:
                found = f"{error.where}: " if error.where else ""
                self._problems.add(where, f"{found}{error.problem}", found=name)
                self._files[name] = "cannot be used; see above"
                return None
        fit = self._fits[name]
        position = path[1]
        strategy = raw["strategy"][position].get("name")
        key = (*path, ENTRY) if ENTRY in table else where
        entry = table.get(ENTRY, strategy)
        if not isinstance(entry, str):
            if ENTRY in table:
                self._problems.add(key, "must be a text in quotation marks", found=entry)
            return None  # a strategy without a name is told elsewhere
        names = (fit.reference, *fit.strategies)
        if entry not in names:
            before = "" if ENTRY in table else f"{printable(name)} has no strategy of this name; "
            after = '; write as = "..." where it goes by another name'
            self._problems.choice(entry, key, allowed=names, before=before, after=after)
            return None
        assert isinstance(position, int)
        self._found.penalties[position] = FromFit(name, fit, entry)
        return fit.table(entry)

    def _read(self, name: str) -> dict[str, Any]:
        """Return the tables of a file; raise InputError with the rule that it breaks."""
        data = self._bytes(name)
        try:
            content = parse_toml(data.decode("utf-8-sig"))
        except UnicodeDecodeError as error:
            raise InputError("", "is not UTF-8 text; a file of an input is TOML") from error
        except RecursionError as error:
            raise InputError("", "is nested too deeply to be an input") from error
        except ValueError as error:
            reason = printable(str(error), 200).strip('"')
            raise InputError("", f"is not valid TOML: {reason}") from error
        self._found.files[name] = hashlib.sha256(data).hexdigest()
        return content

    def _bytes(self, name: str) -> bytes:
        if not name.strip() or not name.isprintable():
            raise InputError("", "must be the path of a TOML file")
        try:
            home = self._folder.resolve()
            place = (home / name).resolve()
            if not (self._allow_outside or place.is_relative_to(home)):
                raise InputError(
                    "",
                    "leads out of the scenario's folder; move the file there, or allow it with "
                    "--allow-outside",
                )
            if not place.exists():
                raise InputError("", "there is no such file beside the scenario; check the path")
            if not place.is_file():
                raise InputError("", "is no regular file; give a TOML file")
            with place.open("rb") as stream:
                data = stream.read(FILE_LIMIT + 1)
        except InputError:
            raise
        except (OSError, RuntimeError, ValueError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            raise InputError("", f"cannot be read: {reason}") from error
        if len(data) > FILE_LIMIT:
            raise InputError("", "is larger than 1 MB, the limit of a file of an input")
        return data
