"""Rank correlations between inputs, checked to be possible together."""

from __future__ import annotations

from typing import Annotated

import numpy as np

from stripwise.distributions.random_input import Correlation, Input
from stripwise.errors import InputError
from stripwise.scenario.engine import declared, read_keys
from stripwise.scenario.fields import PLAIN, Key, Meant, Quantity
from stripwise.scenario.problems import KeyPath, Problems
from stripwise.scenario.shapes import Constant, String, Table
from stripwise.units.names import printable
from stripwise.units.quantities import NUMBER, parse

__all__ = ["CorrelationTable", "read_correlations", "smallest_eigenvalue"]

CORRELATION_LIMIT = 200
SMALLEST = 1e-9
"""Smallest eigenvalue of a usable correlation matrix."""


class CorrelationTable(Table):
    """[[correlation]]."""

    between: Annotated[
        list[String] | None,
        Key(
            "Names of the two inputs.",
            needed="the names of two inputs",
            example='["concrete.diffusivity", "exposure.surface_chloride"]',
        ),
    ] = None
    rank: Annotated[
        Constant | None,
        Quantity(
            "Spearman's rank correlation, between -1 and 1 without the ends.",
            PLAIN,
            usual="-1 to 1",
            needed="a number between -1 and 1",
            example="0.4",
        ),
    ] = None


def read_correlations(
    tables: list[CorrelationTable],
    inputs: list[Input],
    *,
    shared: tuple[Correlation, ...],
    fitted: tuple[Correlation, ...] = (),
    problems: Problems,
) -> tuple[Correlation, ...]:
    """Read all correlations and check that they can hold together.

    `shared` are those of 1 that shared penalties bring and `fitted` those of penalties out of a
    fit; both go before those of the file.
    """
    if len(tables) > CORRELATION_LIMIT:
        rule = f"stands {len(tables)} times; at most {CORRELATION_LIMIT} are allowed"
        problems.add(("correlation",), rule)
        return (*shared, *fitted)
    by_name = {item.name: item for item in inputs}
    found: list[Correlation] = []
    complete = {name for item in fitted for name in (item.first, item.second)}
    followers = {entry.second: entry.first for entry in shared}
    for index, table in enumerate(tables):
        item = _read(table, ("correlation", index), by_name, problems)
        if item is None:
            continue
        where: KeyPath = ("correlation", index, "between")
        for name in (item.first, item.second):
            if name in followers:
                problems.add(where, f"{name} is shared; name the first of them, {followers[name]}")
            if name in complete:
                problems.add(where, f"{name} comes out of a fit with all its correlations")
        if any({item.first, item.second} == {other.first, other.second} for other in found):
            pair = " and ".join(table.between or ())
            problems.add(where, "this pair stands twice", found=pair)
            continue
        found.append(item)
    eigenvalue = smallest_eigenvalue(found)
    if eigenvalue < SMALLEST:
        problems.add(
            ("correlation",),
            "the correlations cannot hold together: the smallest eigenvalue of the matrix "
            f"2 sin(pi rank / 6) is {eigenvalue:.3g} and must be above 0; weaken some of them",
        )
    return (*shared, *fitted, *found)


def smallest_eigenvalue(correlations: list[Correlation]) -> float:
    """Return the smallest eigenvalue of the normal scores' correlation matrix.

    Parameters
    ----------
    correlations
        Rank correlations, each pair once.

    Returns
    -------
    The eigenvalue; 1 without correlations.

    Notes
    -----
    A rank correlation rho of two normals is 2 sin(pi rho / 6) of their values (Pearson 1907).

    Examples
    --------
    >>> round(smallest_eigenvalue([Correlation("a", "b", 0.5)]), 4)
    0.4824
    """
    names = sorted({name for item in correlations for name in (item.first, item.second)})
    place = {name: position for position, name in enumerate(names)}
    matrix = np.eye(max(len(names), 1))
    for item in correlations:
        value = 2.0 * np.sin(np.pi * item.rank / 6.0)
        first, second = place[item.first], place[item.second]
        matrix[first, second] = matrix[second, first] = value
    return float(np.linalg.eigvalsh(matrix)[0])


def _read(
    table: CorrelationTable, path: KeyPath, by_name: dict[str, Input], problems: Problems
) -> Correlation | None:
    before, where = len(problems), (*path, "between")
    names = table.between or []
    if table.between is None:
        problems.missing(where, declared(CorrelationTable, "between").need)
    elif len(names) != 2 or names[0] == names[1]:
        problems.add(where, "must name two different inputs", found=table.between)
    rest = read_keys(table, path, problems, skip=("between",), readers={"rank": _rank})
    if len(problems) > before or len(names) != 2 or table.rank is None:
        return None  # the last two: reported with the shape of the file
    if any(
        name not in by_name and problems.has_error_within(tuple(name.split("."))) for name in names
    ):
        return None  # the input itself could not be read, and that was told
    for name in names:
        if name not in by_name:
            problems.choice(name, where, allowed=tuple(by_name))
        elif by_name[name].distribution.is_fixed:
            problems.add(where, "is fixed; only random inputs correlate", found=name)
    if len(problems) > before:
        return None
    first, second = (by_name[name] for name in names)
    if first.kind != second.kind:
        problems.add(
            where,
            f"{first.name} is {first.kind} and {second.name} is {second.kind}; what scatters "
            "along the wall cannot correlate with what we do not know",
        )
        return None
    if first.epistemic_share != second.epistemic_share:
        problems.add(
            where,
            f"between_walls is {first.epistemic_share:g} for {first.name} and "
            f"{second.epistemic_share:g} for {second.name}; correlated inputs need the same",
        )
        return None
    return Correlation(first.name, second.name, rest["rank"])


def _rank(raw: object) -> float:
    raw = raw.value if isinstance(raw, Meant) else raw
    rank = parse(raw, NUMBER, to="")
    if not -1.0 < rank < 1.0:
        rule = f"must lie between -1 and 1, without the ends; {printable(raw)} does not"
        raise InputError("", rule)
    return rank
