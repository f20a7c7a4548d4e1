"""`knowledge = { from = "posterior.csv" }`: joint draws that replace what is epistemic."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated

import numpy as np
from numpy.typing import NDArray
from pydantic import Field as PydanticField

from stripwise.distributions.distribution import from_sample
from stripwise.distributions.independent_draws import independent_draws
from stripwise.distributions.joint_draws import JointDraws, effective_draws
from stripwise.distributions.random_input import Correlation, Input
from stripwise.errors import InputError
from stripwise.scenario import measures
from stripwise.scenario.beside_files import read_beside
from stripwise.scenario.draw_table import DrawTable, read_draw_table
from stripwise.scenario.engine import read_keys
from stripwise.scenario.fields import Choice, Text
from stripwise.scenario.measures import Measure
from stripwise.scenario.posterior_record import (
    SIDECAR,
    changed_since,
    changed_text,
    file_digest,
    read_posterior_record,
)
from stripwise.scenario.problems import KeyPath, Problems
from stripwise.scenario.shapes import String, Table
from stripwise.units.names import nearest_spelling, printable
from stripwise.units.quantities import TEMPERATURE

__all__ = ["LEAST_DRAWS", "KnowledgeTable", "column_head", "read_knowledge"]

Array = NDArray[np.float64]

LEAST_DRAWS = 400
"""Fewest draws of equal weight, repeated ones counted for what they add."""
FILE_LIMIT = 100
"""Largest file in million bytes."""
MOST_SHOWN = 6
FAR = 5.0
"""Standard deviations of its own input from which the middle of the draws is told as far off."""

WALL_SCORE = ".wall_score"
REFUSED, INDEPENDENT = "refused", "independent"
PATH: KeyPath = ("knowledge",)
FROM: KeyPath = ("knowledge", "from")
MEASURES = {
    one.unit: one
    for one in (
        measures.MM,
        measures.HOURS,
        measures.DAYS,
        measures.YEARS,
        measures.KELVIN,
        measures.MM2_PER_YEAR,
        measures.PLAIN,
    )
}
SCALE = Measure(TEMPERATURE, "K")
SPELLED = {"%": "pct"}
"""Units as a head writes them."""


class KnowledgeTable(Table):
    """What is known together of the epistemic inputs."""

    origin: Annotated[
        String | None,
        Text(
            "CSV file of joint draws of every epistemic input, equal weights, a column each: "
            "KEY_UNIT, or KEY.wall_score where between_walls lies between 0 and 1.",
            needed="such as {}",
            example='"posterior.csv"',
        ),
    ] = PydanticField(default=None, alias="from")
    others: Annotated[
        String | None,
        Choice(
            "Random epistemic inputs that the file does not hold: refused, or independent, drawn "
            "from their own distributions.",
            (REFUSED, INDEPENDENT),
            default=REFUSED,
        ),
    ] = None


def read_knowledge(
    table: KnowledgeTable | DrawTable | None,
    inputs: list[Input],
    *,
    scales: Mapping[str, float],
    correlations: Sequence[Correlation],
    aliases: Mapping[str, str],
    folder: Path,
    files: dict[str, str],
    allow_outside: bool,
    problems: Problems,
) -> tuple[list[Input], JointDraws | None, list[str]]:
    """Return the inputs with the marginals of their draws, the joint draws, and what to tell.

    None where there are none, after a problem, and where every draw is the same, which leaves fixed
    inputs. `scales` are per cent of binder over those of the file, by input, where not 1; `aliases`
    are further heads of penalties out of a fit, by the names there; `files` gets the SHA-256 of the
    file.
    """
    given, name = _given(
        table, folder=folder, files=files, allow_outside=allow_outside, problems=problems
    )
    if given is None:
        return inputs, None, []
    random = {item.name: item for item in inputs if item.epistemic_share > 0.0}
    completes = isinstance(table, KnowledgeTable) and _completes(table, problems)
    try:
        given, left_out = _renamed(given, inputs, aliases, drop=completes)
        columns = _columns(given, inputs, scales)
        missing = [item for item in random.values() if item.name not in columns]
        if missing and not completes:
            heads = ", ".join(printable(column_head(item)) for item in missing[:MOST_SHOWN])
            more = f" and {len(missing) - MOST_SHOWN} more" if len(missing) > MOST_SHOWN else ""
            raise InputError(
                "",
                f"lacks {heads}{more}; joint draws must hold every random epistemic input of the "
                f'scenario, or others = "{INDEPENDENT}" lets these have their own distributions',
            )
        if not random:
            raise InputError("", "replaces nothing: no random input of the scenario is epistemic")
        if not columns:
            raise InputError("", "holds no input of the scenario")
        _check_number(np.array(list(columns.values())))
        if missing:
            columns |= independent_draws(missing, columns, correlations)
        values = np.array([columns[n] for n in random])
    except InputError as error:
        problems.add(FROM if name else PATH, error.problem, found=name or None)
        return inputs, None, []
    is_score = [item.epistemic_share < 1.0 for item in random.values()]
    draws = JointDraws.from_rows(list(random), values, is_score, source=name)
    marginals = {
        n: from_sample(column)
        for n, column, score in zip(random, values, is_score, strict=True)
        if not score
    }
    record = read_posterior_record(folder / name) if name else {}
    if record:
        beside = Path(name).parent / SIDECAR
        files[beside.as_posix()] = file_digest(folder / beside)
    draws = dataclasses.replace(draws, changed=changed_since(record, inputs))
    told = [
        *_warnings(random, draws, name),
        *_completion_warnings(missing, left_out),
        *([changed_text(draws.changed, name)] if draws.changed else []),
    ]
    changed = [
        dataclasses.replace(item, distribution=marginals.get(item.name, item.distribution))
        for item in inputs
    ]
    certain = not any(is_score) and all(law.is_fixed for law in marginals.values())
    return changed, None if certain else draws, told


def _completes(table: KnowledgeTable, problems: Problems) -> bool:
    """Whether inputs that the file does not hold are drawn from their own distributions."""
    read_keys(table, PATH, problems, only=("others",))
    return table.others not in (None, REFUSED)


def _renamed(
    given: DrawTable, inputs: Sequence[Input], aliases: Mapping[str, str], *, drop: bool
) -> tuple[DrawTable, list[str]]:
    """Name penalties of a fit as the scenario does; return the heads that were left out, too.

    With `drop` those of strategies that the scenario does not have are left out.
    """
    names = {item.name for item in inputs}
    heads = [head if head in names else aliases.get(head, head) for head in given.heads]
    left_out = [
        head
        for head in heads
        if drop and head not in names and head.startswith("strategy.") and head.endswith(".penalty")
    ]
    kept = [k for k, head in enumerate(heads) if head not in left_out]
    renamed = DrawTable(tuple(heads[k] for k in kept), given.rows[:, kept], given.digest)
    return renamed, left_out


def _completion_warnings(missing: Sequence[Input], left_out: Sequence[str]) -> list[str]:
    told = []
    if missing:
        told.append(
            f"Joint draws do not hold {', '.join(item.name for item in missing)}: drawn from "
            "their own distributions, independent of the rest."
        )
    if left_out:
        told.append(
            f"Columns of joint draws of strategies that the scenario does not have, left out: "
            f"{', '.join(printable(head) for head in left_out)}."
        )
    return told


def _given(
    table: KnowledgeTable | DrawTable | None,
    *,
    folder: Path,
    files: dict[str, str],
    allow_outside: bool,
    problems: Problems,
) -> tuple[DrawTable | None, str]:
    """Return the draws as given and the file's name; None without any or after a problem."""
    if table is None or isinstance(table, DrawTable):
        return table, ""
    if table.origin is None:
        problems.missing(FROM, 'such as from = "posterior.csv"')
        return None, ""
    data = read_beside(
        table.origin,
        FROM,
        folder=folder,
        limit=FILE_LIMIT,
        what="a file of draws",
        allow_outside=allow_outside,
        problems=problems,
    )
    if data is None:
        return None, table.origin
    try:
        given = read_draw_table(data)
    except InputError as error:
        problems.add(FROM, error.problem, found=table.origin)
        return None, table.origin
    files[table.origin] = given.digest
    return given, table.origin


def column_head(item: Input) -> str:
    """Return the head of an input's column in a file of draws, in its internal unit.

    Examples
    --------
    >>> from stripwise.distributions.distribution import fixed
    >>> column_head(Input("curing.affected_depth", "", fixed(20.0), "mm", "curing", "knowledge"))
    'curing.affected_depth_mm'
    """
    if 0.0 < item.epistemic_share < 1.0:
        return item.name + WALL_SCORE
    unit = SPELLED.get(item.unit, item.unit)
    return f"{item.name}_{unit}" if unit else item.name


def _warnings(before: Mapping[str, Input], draws: JointDraws, name: str) -> list[str]:
    """Say what replaces what, and which draws lie far from the distribution they replace."""
    part = (
        f" Of {', '.join(draws.score_names)} they give what the whole wall shares; the distribution shown is "
        "that before them."
        if draws.score_names
        else ""
    )
    told = [
        f"{draws.count:,} joint draws{f' of {name}' if name else ''} replace the distributions of "
        f"the epistemic inputs.{part} Intervals of curves count how few they are; those of Sobol' "
        "indices do not, and are too narrow where they are few."
    ]
    for n, column, score in zip(draws.names, draws.values, draws.is_score, strict=True):
        middle = float(np.median(column))
        away = middle if score else float(before[n].distribution.to_normal(middle))
        if abs(away) > FAR:
            told.append(
                f"{n}: the middle of its draws lies more than {FAR:g} standard deviations from the "
                "distribution that the scenario gives it. Check the unit of the column."
            )
    return told


def _columns(
    given: DrawTable, inputs: Sequence[Input], scales: Mapping[str, float]
) -> dict[str, Array]:
    """Return the columns in internal units by input; InputError names the first that is wrong."""
    columns: dict[str, Array] = {}
    for head, column in zip(given.heads, given.rows.T, strict=True):
        try:
            item, unit = _match(head, inputs)
            if item.name in columns:
                raise InputError("", "is a second column of that input")
            columns[item.name] = _convert(column, unit, item, scales.get(item.name, 1.0))
        except InputError as error:
            raise InputError("", f"column {printable(head)}: {error.problem}") from error
    return columns


def _match(head: str, inputs: Sequence[Input]) -> tuple[Input, str]:
    """Return the input of a column and its unit as written; InputError if there is none."""
    ends = (".", "_", " ", "[", "(")
    fits = [i for i in inputs if head == i.name or head.startswith(tuple(i.name + e for e in ends))]
    if not fits:
        heads = [column_head(i) for i in inputs if i.epistemic_share > 0.0]
        near = nearest_spelling(head, heads)
        raise InputError("", f"names no input of the scenario{near}")
    item = max(fits, key=lambda i: len(i.name))
    rest = head[len(item.name) :]
    if item.distribution.is_fixed:
        raise InputError("", "is fixed in the scenario; give it a distribution, or leave it out")
    if item.epistemic_share == 0.0:
        raise InputError(
            "",
            "is aleatory in the scenario: it varies along the wall, so draws of the whole wall do "
            'not replace it; leave it out, or write kind = "knowledge" or between_walls',
        )
    if (rest == WALL_SCORE) != (item.epistemic_share < 1.0):
        want = column_head(item)
        raise InputError("", f"does not fit the input's between_walls; write {printable(want)}")
    return item, "" if rest == WALL_SCORE else rest.strip(" _[]()")


def _convert(column: Array, unit: str, item: Input, scale: float) -> Array:
    """Return a column in the input's internal unit, every value finite and possible."""
    if not np.isfinite(column).all():
        row = int(np.flatnonzero(~np.isfinite(column))[0])
        raise InputError("", f"has {column[row]:g} in draw {row + 1}; must be a finite number")
    if item.epistemic_share < 1.0:
        return column
    if item.unit == "%":
        if unit not in ("%", "pct"):
            raise InputError("", f"needs its unit; write {printable(column_head(item))}")
        values = scale * column
    else:
        measure = SCALE if item.is_temperature else MEASURES.get(item.unit)
        if measure is None or (not unit and item.unit):
            if unit != item.unit:
                head = printable(column_head(item))
                raise InputError("", f"needs its unit {item.unit}; write {head}")
            values = column
        else:
            values = measure.column(column, unit)
    law = item.distribution
    outside = (values < law.low) | (values > law.high)
    if np.any(outside):
        row = int(np.flatnonzero(outside)[0])
        raise InputError(
            "",
            f"has {column[row]:g} in draw {row + 1}, outside the bounds {law.low:g} to {law.high:g}"
            f"{' ' if item.unit else ''}{item.unit} of the scenario's distribution",
        )
    return values


def _check_number(values: Array) -> None:
    """Raise InputError where draws (j, m) are too few, unless all are the same."""
    count = values.shape[1]
    if count < LEAST_DRAWS:
        raise InputError("", f"holds {count} draws; at least {LEAST_DRAWS} are needed")
    if np.all(np.ptp(values, axis=1) == 0.0):
        return
    worth = effective_draws(values)
    if worth < LEAST_DRAWS:
        raise InputError(
            "",
            f"repeats draws so often that its {count:,} are worth {worth:.0f} different ones; at "
            f"least {LEAST_DRAWS} are needed",
        )
