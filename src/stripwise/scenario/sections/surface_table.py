"""exposure.surface_history: the surface chloride in time."""

from __future__ import annotations

import itertools
from typing import Annotated

from stripwise.distributions.random_input import Input
from stripwise.errors import InputError
from stripwise.ingress.surface_history.surface_chloride import SHAPES, SurfaceHistory
from stripwise.scenario.engine import declared, read_keys
from stripwise.scenario.fields import ABOVE_0, PLAIN, YEARS, Choice, Key, Meant, Quantity, Random
from stripwise.scenario.problems import KeyPath, Problems
from stripwise.scenario.shapes import Constant, RandomInput, String, Table

__all__ = ["SurfaceHistoryTable", "read_history"]

MOST_ROWS = 50
PATH: KeyPath = ("exposure", "surface_history")
SHARE = Quantity("Share of the level.", PLAIN, "0 to 10", usual="0 to 2")


class SurfaceHistoryTable(Table):
    """Surface chloride in time."""

    shape: Annotated[
        String | None,
        Choice(
            "How the surface content rises to its level.",
            SHAPES,
            missing=f"use one of {', '.join(SHAPES)}",
            example='"linear"',
        ),
    ] = None
    duration: Annotated[
        RandomInput | None,
        Random(
            "Duration of the rise.",
            "duration of the rise of surface chloride",
            YEARS,
            "exposure",
            usual=(0.05, 100.0),
            usual_cov=(0.01, 1.5),
            usual_bounds=(0.0, 300.0),
            bounds=ABOVE_0,
            missing="how long the surface content rises, such as {}",
            example='"15 yr"',
        ),
    ] = None
    table: Annotated[
        list[list[Constant]] | None,
        Key(
            "Rows of age and share of the level.",
            missing="rows of age and share of the level, such as {}",
            example='[["0 yr", 0.2], ...]',
        ),
    ] = None


def read_history(
    table: SurfaceHistoryTable, horizon: float, problems: Problems
) -> tuple[SurfaceHistory | None, Input | None]:
    """Read the history, None where the content is constant, and the duration of a rise.

    `horizon` is the last age of the run [yr].
    """
    if table.shape is None:
        problems.missing((*PATH, "shape"), declared(SurfaceHistoryTable, "shape").need)
        return None, None
    before = len(problems)
    shape = read_keys(table, PATH, problems, only=("shape",))["shape"]
    if len(problems) > before:
        return None, None
    used = {"constant": "", "table": "table"}.get(shape, "duration")
    for key in ("duration", "table"):
        if key != used and getattr(table, key) is not None:
            problems.add((*PATH, key), f'is not used by shape = "{shape}"; leave it out')
    if not used:
        return None, None
    if getattr(table, used) is None:
        problems.missing((*PATH, used), declared(SurfaceHistoryTable, used).need)
        return None, None
    if shape == "table":
        return _table(table.table or [], horizon, problems), None
    return SurfaceHistory(shape), read_keys(table, PATH, problems, skip=("shape",))["duration"]


def _table(
    rows: list[list[int | float | str | Meant]], horizon: float, problems: Problems
) -> SurfaceHistory | None:
    path = (*PATH, "table")
    before = len(problems)
    if not 2 <= len(rows) <= MOST_ROWS or any(len(row) != 2 for row in rows):
        problems.add(path, f"must have 2 to {MOST_ROWS} rows of two: an age and a share")
        return None

    def age(raw: object) -> float:
        years = YEARS.number(raw.value if isinstance(raw, Meant) else raw)
        if not 0.0 <= years <= horizon:
            raise InputError("", f"must be between 0 yr and the horizon, {horizon:g} yr")
        return years

    ages, shares = [], []
    for i, row in enumerate(rows):
        ages.append(problems.number(age, row[0], (*path, i)))
        shares.append(problems.number(SHARE.read, row[1], (*path, i)))
    if len(problems) > before:
        return None
    if ages[0] != 0.0:
        problems.add((*path, 0), "the first age must be 0 yr", found=rows[0][0])
    if any(b <= a for a, b in itertools.pairwise(ages)):
        problems.add(path, "the ages must rise from row to row")
    if max(shares) == 0.0:
        problems.add(path, "a share must be above 0")
    if len(problems) > before:
        return None
    return SurfaceHistory("table", tuple(ages), tuple(shares))
