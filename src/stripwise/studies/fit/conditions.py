"""Which specimens differ in one thing alone: the face of the form, the curing or the strip age."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from typing import Any

from stripwise.evidence.tables.data_file import LINE, DataFile
from stripwise.evidence.tables.data_kinds import CONDITIONS
from stripwise.scenario.sections.strategy_names import named_durations
from stripwise.units.curing_words import strip_age
from stripwise.units.names import name_problem

__all__ = ["CONDITION_WORDS", "STRATEGY", "Conditions", "read_conditions", "with_conditions"]

STRATEGY = "strategy"
CONDITION_WORDS = {
    "form_face": "form face",
    "follow_up": "curing after stripping",
    "strip_age_d": "strip age",
    STRATEGY: "strategy",
}
"""What a comparison of two strategies that differ in it alone is called, by column."""

NAMED = "named_strategy"
"""Column of the strategies as the file names them, where conditions were added to the names."""

Conditions = Mapping[str, Mapping[str, object]]
"""By strategy its conditions by column."""


def with_conditions(data_file: DataFile) -> DataFile:
    """Make strategies of their own of specimens whose form face, curing or strip age differ.

    Where the names of the strategies tell them apart already nothing is changed; else "Forms 24 h"
    becomes "Forms 24 h, steel" and "Forms 24 h, plywood".

    Raises
    ------
    EvidenceError
        If a row does not give its condition, or a name becomes too long.
    """
    columns = [name for name in _columns() if data_file.has(name)]
    if not columns:
        return data_file
    data, problems = data_file.data, data_file.problems()
    for name in columns:
        for line in data.loc[data[name].isna() | data[name].eq(""), LINE]:
            rule = "has no value; where the column stands every row needs one"
            problems.add(
                rule + (", none for no curing" * (name == "follow_up")),
                line=int(line),
                column=data_file.headers[name],
            )
    problems.raise_all()
    counts = data.groupby(STRATEGY, sort=False)[columns].nunique()
    apart = [name for name in columns if (counts[name] > 1).any()]
    if not apart:
        return data_file
    parts = [data[name].map(_written(name)) for name in apart]
    names = [", ".join(row) for row in zip(data[STRATEGY], *parts, strict=True)]
    added = " and ".join(CONDITION_WORDS[name] for name in apart)
    lines = dict(zip(reversed(names), reversed(data[LINE].tolist()), strict=True))
    for name, line in lines.items():
        if problem := name_problem(name):
            rule = f"the strategy with its {added} {problem}"
            problems.add(rule, line=line, found=name)
    problems.raise_all()
    named = data[STRATEGY].to_numpy()
    return dataclasses.replace(data_file, data=data.assign(strategy=names, named_strategy=named))


def read_conditions(data_file: DataFile) -> Conditions | None:
    """Return the conditions of each strategy of a file `with_conditions`; None without such columns.

    The strip age is that of the name where the file has no column of it.
    """
    columns = [name for name in _columns() if data_file.has(name)]
    if not columns:
        return None
    further = [NAMED] if data_file.has(NAMED) else []
    first = data_file.data.groupby(STRATEGY, sort=False)[[*columns, *further]].first()
    found: dict[str, Mapping[str, object]] = {}
    for name, row in first.to_dict("index").items():
        own: dict[str, object] = {STRATEGY: row[NAMED]} if further else {}
        own |= {column: row[column] for column in columns}
        if (
            not further
            and "strip_age_d" not in own
            and not math.isnan(age := _named_age(str(name)))
        ):
            own["strip_age_d"] = age
        found[str(name)] = own
    if len({frozenset(own) for own in found.values()}) > 1:  # only some names state an age
        found = {n: {c: own[c] for c in columns} for n, own in found.items()}
    return found


def _columns() -> list[str]:
    return [column.canonical() for column in CONDITIONS]


def _written(column: str) -> Callable[[Any], str]:
    return (lambda days: strip_age(24.0 * days)) if column == "strip_age_d" else str


def _named_age(name: str) -> float:
    """Return the strip age [d] that a name states, NaN if none."""
    named = named_durations(name)
    return named[0].hours / 24.0 if named and not named[0].then else math.nan
