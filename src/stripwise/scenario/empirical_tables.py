"""An input by values of its own: `{ family = "empirical", values = [...] }`."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.distribution import Distribution
from stripwise.distributions.families import SAMPLE, sample_member
from stripwise.distributions.sample_law import SampleLaw
from stripwise.errors import InputError
from stripwise.scenario.problems import KeyPath, Problems

__all__ = ["LEAST_VALUES", "read_empirical", "refuse_values"]

Array = NDArray[np.float64]

LEAST_VALUES, MOST_VALUES = 2, 10_000
MOMENTS = ("value", "mean", "sd", "cov", "low", "high", "bias")


def refuse_values(table: Any, path: KeyPath, *, family: str, problems: Problems) -> None:
    """Note values or probabilities that stand beside another family."""
    for key in ("values", "probabilities"):
        if getattr(table, key) is not None:
            problems.add((*path, key), f'belongs to family = "{SAMPLE}", not to a {family}')


def read_empirical(
    table: Any, path: KeyPath, convert: Callable[[object, bool], float], *, problems: Problems
) -> Distribution | None:
    """Return the distribution of values, or of quantiles at probabilities; None after a problem.

    Between the values the distribution function is straight. A nominal cover moves them all.
    """
    before, where = len(problems), (*path, "values")
    for key in MOMENTS:
        if getattr(table, key, None) is not None:
            problems.add((*path, key), "is not used beside values, which say it all")
    if table.values is None:
        problems.missing(where, f'family = "{SAMPLE}" needs a list of values')
    elif not LEAST_VALUES <= len(table.values) <= MOST_VALUES:
        rule = f"holds {len(table.values)} values; {LEAST_VALUES} to {MOST_VALUES:,} are allowed"
        problems.add(where, rule)
    if len(problems) > before:
        return None
    values = np.array(
        [
            problems.number(lambda raw: convert(raw, False), raw, (*where, place))
            for place, raw in enumerate(table.values)
        ]
    )
    if len(problems) > before:
        return None
    try:
        law = _law(values, table.probabilities)
    except InputError as error:
        problems.add((*path, error.where), error.problem)
        return None
    nominal = getattr(table, "nominal", None)
    if nominal is not None:
        drawn = problems.number(lambda raw: convert(raw, False), nominal, (*path, "nominal"))
        if np.isnan(drawn):
            return None
        law = law.moved(drawn - law.mean)
    return Distribution.from_member(sample_member(law))


def _law(values: Array, probabilities: list[float] | None) -> SampleLaw:
    if probabilities is None:
        law = SampleLaw.from_sample(values)
    else:
        levels = np.array(probabilities, dtype=float)
        if levels.size != values.size:
            rule = f"are {levels.size} for {values.size} values; give one each"
            raise InputError("probabilities", rule)
        if levels[0] != 0.0 or levels[-1] != 1.0 or np.any(np.diff(levels) <= 0.0):
            raise InputError("probabilities", "must rise from 0 to 1")
        if np.any(np.diff(values) < 0.0):
            raise InputError("values", "must not fall where probabilities stand beside them")
        law = SampleLaw(values, levels)
    if law.values[0] == law.values[-1]:
        raise InputError("values", "are all the same; give a fixed value")
    return law
