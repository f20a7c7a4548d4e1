"""Rank correlations between inputs, checked to be possible together."""

from __future__ import annotations

import math

import numpy as np

from stripwise.distributions.random_input import Correlation, Input
from stripwise.errors import InputError
from stripwise.scenario.problems import KeyPath, Problems
from stripwise.scenario.schema import CorrelationPart
from stripwise.units.names import printable
from stripwise.units.quantities import NUMBER, parse

__all__ = ["read_correlations", "smallest_eigenvalue"]

CORRELATION_LIMIT = 200
SMALLEST = 1e-9
"""Smallest eigenvalue of a usable correlation matrix."""


def read_correlations(
    parts: list[CorrelationPart],
    inputs: list[Input],
    *,
    shared: tuple[Correlation, ...],
    fitted: tuple[Correlation, ...] = (),
    problems: Problems,
) -> tuple[Correlation, ...]:
    """Read all correlations and check that they can hold together.

    Parameters
    ----------
    parts
        The [[correlation]] tables.
    inputs
        All inputs of the scenario.
    shared
        Correlations of 1 that shared penalties bring.
    fitted
        Correlations that penalties out of a fit bring.
    problems
        Where to note.

    Returns
    -------
    The shared ones first, then the fitted, then those of the file that could be read.
    """
    if len(parts) > CORRELATION_LIMIT:
        problems.add(
            ("correlation",), f"stands {len(parts)} times; at most {CORRELATION_LIMIT} are allowed"
        )
        return (*shared, *fitted)
    by_name = {item.name: item for item in inputs}
    found: list[Correlation] = []
    complete = {name for item in fitted for name in (item.first, item.second)}
    for index, part in enumerate(parts):
        item = _read(part, ("correlation", index), by_name, problems)
        if item is None:
            continue
        where: KeyPath = ("correlation", index, "between")
        followers = {entry.second: entry.first for entry in shared}
        for name in (item.first, item.second):
            if name in followers:
                problems.add(where, f"{name} is shared; name the first of them, {followers[name]}")
            if name in complete:
                problems.add(where, f"{name} comes out of a fit with all its correlations")
        if any({item.first, item.second} == {other.first, other.second} for other in found):
            problems.add(where, "this pair stands twice", found=" and ".join(part.between or ()))
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
    part: CorrelationPart, path: KeyPath, by_name: dict[str, Input], problems: Problems
) -> Correlation | None:
    before = len(problems.texts)
    names = part.between or []
    if part.between is None:
        problems.missing((*path, "between"), "the names of two inputs")
    elif len(names) != 2 or names[0] == names[1]:
        problems.add((*path, "between"), "must name two different inputs", found=part.between)
    rank = _rank(part, (*path, "rank"), problems)
    if len(problems.texts) > before or len(names) != 2 or math.isnan(rank):
        return None  # the last two: reported with the shape of the file
    if any(name not in by_name and problems.spoilt(tuple(name.split("."))) for name in names):
        return None  # the input itself could not be read, and that was told
    for name in names:
        if name not in by_name:
            problems.choice(name, (*path, "between"), allowed=tuple(by_name))
        elif by_name[name].distribution.is_fixed:
            problems.add((*path, "between"), "is fixed; only random inputs correlate", found=name)
    if len(problems.texts) > before:
        return None
    first, second = (by_name[name] for name in names)
    if first.kind != second.kind:
        problems.add(
            (*path, "between"),
            f"{first.name} is {first.kind} and {second.name} is {second.kind}; what scatters "
            "along the wall cannot correlate with what we do not know",
        )
        return None
    return Correlation(first.name, second.name, rank)


def _rank(part: CorrelationPart, path: KeyPath, problems: Problems) -> float:
    if part.rank is None:
        problems.missing(path, "a number between -1 and 1")
        return math.nan
    try:
        rank = parse(part.rank, NUMBER, to="")
    except InputError as error:
        problems.add(path, error.problem, found=part.rank)
        return math.nan
    if not -1.0 < rank < 1.0:
        problems.add(
            path,
            f"must lie between -1 and 1, without the ends; {printable(part.rank)} does not",
            found=part.rank,
        )
    return rank
