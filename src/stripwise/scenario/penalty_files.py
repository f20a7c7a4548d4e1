"""The file of penalty factors that a fit writes and a scenario reads."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.random_input import KINDS
from stripwise.errors import InputError
from stripwise.units.names import formula_problem, name_problem, printable

__all__ = ["FittedPenalties", "FromFit", "fitted_penalties", "fitted_text"]

Array = NDArray[np.float64]

KEYS = ("reference", "kind", "source", "strategy", "correlation")
LIMIT = 200
SLACK = 1e-6


@dataclass(frozen=True, slots=True)
class FittedPenalties:
    """Penalty factors of s strategies against a reference strategy.

    Attributes
    ----------
    reference
        Name of the strategy whose penalty is 1.
    kind, source
        As of any random input.
    strategies
        s names, without the reference.
    mean, sd
        (s,) of the lognormal penalty factors; an sd of 0 is a fixed one.
    correlation
        (s, s) correlation of their logarithms.
    """

    reference: str
    kind: str
    source: str
    strategies: tuple[str, ...]
    mean: Array
    sd: Array
    correlation: Array

    def table(self, entry: str) -> dict[str, Any]:
        """Return one of them as a scenario would write it."""
        told = {"kind": self.kind, "source": self.source}
        if entry == self.reference:
            return {"family": "fixed", "value": 1.0, **told}
        at = self.strategies.index(entry)
        mean, sd = float(self.mean[at]), float(self.sd[at])
        if sd == 0.0:
            return {"family": "fixed", "value": mean, **told}
        return {"family": "lognormal", "mean": mean, "sd": sd, **told}

    def rank(self, first: str, second: str) -> float:
        """Return the rank correlation of two of them, 1 with itself.

        A correlation r of the logarithms, which are normal, is a rank correlation of
        6/pi asin(r/2) (Pearson 1907, recalled).
        """
        i, j = self.strategies.index(first), self.strategies.index(second)
        return 1.0 if i == j else 6.0 / math.pi * math.asin(0.5 * float(self.correlation[i, j]))


@dataclass(frozen=True, slots=True)
class FromFit:
    """The penalty of one strategy out of a fit: the file, its penalties, and its name there."""

    file: str
    fit: FittedPenalties
    entry: str


def fitted_penalties(content: dict[str, Any]) -> FittedPenalties:
    """Read the tables of a file of penalty factors; raise InputError with the key that is wrong."""
    part = content["penalties"]
    if list(content) != ["penalties"] or not isinstance(part, dict):
        raise InputError("", "must hold [penalties] and nothing else")
    if unknown := [key for key in part if key not in KEYS]:
        raise InputError(f"penalties.{unknown[0]}", f"unknown key; allowed here: {', '.join(KEYS)}")
    reference = _name(part.get("reference"), "penalties.reference")
    kind = part.get("kind", "knowledge")
    if kind not in KINDS:
        raise InputError("penalties.kind", f'must be "{KINDS[0]}" or "{KINDS[1]}"')
    source = part.get("source", "")
    if not isinstance(source, str) or not source.isprintable() or len(source) > 500:
        raise InputError("penalties.source", "must be printable text of at most 500 characters")
    if rule_broken := formula_problem(source):
        raise InputError("penalties.source", rule_broken)
    rows = part.get("strategy")
    if not isinstance(rows, list) or not 1 <= len(rows) <= LIMIT:
        raise InputError(
            "penalties.strategy", f"must stand 1 to {LIMIT} times, with name, mean, sd"
        )
    names, mean, sd = [], [], []
    for number, row in enumerate(rows, start=1):
        where = f"penalties.strategy[{number}]"
        if not isinstance(row, dict) or set(row) - {"name", "mean", "sd", "specimens"}:
            raise InputError(where, "must hold name, mean and sd (and specimens)")
        names.append(_name(row.get("name"), f"{where}.name"))
        mean.append(_number(row.get("mean"), f"{where}.mean"))
        sd.append(_number(row.get("sd"), f"{where}.sd", zero=True))
    if len({reference, *names}) <= len(names):
        raise InputError(
            "penalties.strategy", "every strategy stands once, the reference not at all"
        )
    return FittedPenalties(
        reference,
        str(kind),
        source,
        tuple(names),
        np.array(mean),
        np.array(sd),
        _matrix(part.get("correlation"), len(names)),
    )


def fitted_text(fit: FittedPenalties, *, specimens: list[int], head: list[str]) -> str:
    """Write penalty factors as `fitted_penalties` reads them.

    `specimens` says how many stand behind each, and `head` are lines of comment on top.
    """
    lines = [f"# {line}".rstrip() for line in head]
    lines += ["", "[penalties]", f"reference = {_quoted(fit.reference)}"]
    lines += [f"kind = {_quoted(fit.kind)}", f"source = {_quoted(fit.source)}"]
    lines += ["correlation = [  # of the logarithms, strategies in the order below"]
    lines += [f"  [{', '.join(f'{x:.6f}' for x in row)}]," for row in fit.correlation]
    lines += ["]"]
    for name, mean, sd, count in zip(fit.strategies, fit.mean, fit.sd, specimens, strict=True):
        lines += ["", "[[penalties.strategy]]", f"name = {_quoted(name)}"]
        lines += [f"mean = {mean:.6g}", f"sd = {sd:.6g}", f"specimens = {count}"]
    return "\n".join(lines) + "\n"


def _name(raw: object, where: str) -> str:
    if not isinstance(raw, str):
        raise InputError(where, "is missing or no text; it names a strategy")
    if problem := name_problem(raw):
        raise InputError(where, problem)
    return raw


def _number(raw: object, where: str, *, zero: bool = False) -> float:
    good = isinstance(raw, int | float) and not isinstance(raw, bool) and math.isfinite(raw)
    if not good or raw < 0 or (raw == 0 and not zero):  # type: ignore[operator]
        found = "is missing" if raw is None else f"is {printable(raw)}"
        raise InputError(where, f"{found}; must be a number {'of at least' if zero else 'above'} 0")
    return float(raw)  # type: ignore[arg-type]


def _matrix(raw: object, size: int) -> Array:
    where = "penalties.correlation"
    if raw is None:
        raise InputError(where, "is missing; give a row per strategy, 1 on the diagonal")
    try:
        matrix = np.array(raw, dtype=float)
    except (TypeError, ValueError) as error:
        raise InputError(where, "must be a list of lists of numbers") from error
    if matrix.shape != (size, size):
        raise InputError(where, f"must have {size} rows of {size} numbers, one per strategy")
    off = matrix - np.diag(np.diag(matrix))
    symmetric = bool(np.isfinite(matrix).all()) and np.allclose(matrix, matrix.T, atol=SLACK)
    if (
        not symmetric
        or np.abs(off).max(initial=0.0) >= 1.0
        or not np.allclose(np.diag(matrix), 1.0)
    ):
        raise InputError(where, "must be symmetric, 1 on the diagonal, between -1 and 1 elsewhere")
    if np.linalg.eigvalsh(matrix)[0] < SLACK**2:
        raise InputError(where, "cannot hold together: it has no positive smallest eigenvalue")
    return matrix


def _quoted(text: str) -> str:
    """Write a text as a TOML basic string."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\U{ord(c):08X}" for c in escaped) + '"'
