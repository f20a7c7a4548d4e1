"""How strategies compare in a test: with the reference, and pairs that differ in one condition."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from stripwise.evidence.statistics.simultaneous_intervals import (
    Ratio,
    all_pairs,
    read_groups,
    with_reference,
)
from stripwise.studies.fit.conditions import (
    CONDITION_WORDS,
    STRATEGY,
    Conditions,
)
from stripwise.units.curing_words import strip_age
from stripwise.units.result_columns import columns

__all__ = ["OTHER_PAIR", "WITH_REFERENCE", "ComparedPair", "Comparison", "compare_strategies"]

WITH_REFERENCE, OTHER_PAIR = "reference", "other pair"


@dataclass(frozen=True, slots=True)
class ComparedPair:
    """Two strategies compared.

    Attributes
    ----------
    kind
        "reference", the condition in which alone they differ, or "other pair".
    ratio
        The ratio of their means with its interval.
    name, name_against
        What tells the two apart: their levels of the condition, or their names.
    shared
        What the two have in common, in words; empty where the condition is not the only one.
    """

    kind: str
    ratio: Ratio
    name: str
    name_against: str
    shared: str = ""


@dataclass(frozen=True, slots=True)
class Comparison:
    """All comparisons of one quantity.

    Attributes
    ----------
    quantity
        What was measured.
    means
        Geometric mean by strategy, the lowest first.
    pairs
        The comparisons: with the reference first, then by condition, the highest ratio first.
    left_out
        Strategies with one specimen.
    margin
        The difference that matters, as a share; None unless stated.
    degrees_of_freedom
        Behind the scatter.
    """

    quantity: str
    means: Mapping[str, float]
    pairs: tuple[ComparedPair, ...]
    left_out: tuple[str, ...]
    margin: float | None
    degrees_of_freedom: int

    def of_kind(self, kind: str) -> tuple[ComparedPair, ...]:
        """Return the comparisons of one kind."""
        return tuple(pair for pair in self.pairs if pair.kind == kind)

    @property
    def condition_kinds(self) -> tuple[str, ...]:
        """The conditions in which alone some pair differs."""
        kinds = dict.fromkeys(pair.kind for pair in self.pairs)
        return tuple(kind for kind in kinds if kind not in (WITH_REFERENCE, OTHER_PAIR))

    @property
    def table(self) -> pd.DataFrame:
        """The columns of `comparisons`, a row a pair."""
        rows = [
            {
                "quantity": self.quantity,
                "comparison": pair.kind,
                "strategy": pair.ratio.strategy,
                "against": pair.ratio.against,
                "mean_ratio": pair.ratio.value,
                "low95": pair.ratio.low,
                "high95": pair.ratio.high,
                "method": pair.ratio.method,
                "finding": pair.ratio.finding(self.margin),
                "apart_less_than_pct": 100.0 * pair.ratio.apart,
            }
            for pair in self.pairs
        ]
        return pd.DataFrame(rows, columns=columns("comparisons"))


def compare_strategies(
    values: ArrayLike,
    strategies: Sequence[str],
    *,
    quantity: str,
    reference: str | None = None,
    conditions: Conditions | None = None,
    margin: float | None = None,
) -> Comparison | None:
    """Compare the specimens of strategies; None where too few specimens, or values, allow it."""
    numbers = np.asarray(values, dtype=float)
    if not (np.isfinite(numbers) & (numbers > 0.0)).all():
        return None
    groups = read_groups(numbers, strategies)
    if groups is None:
        return None
    pairs = [
        ComparedPair(WITH_REFERENCE, ratio, ratio.strategy, ratio.against)
        for ratio in (with_reference(groups, reference) if reference is not None else ())
    ]
    pairs += _turned_alike([_pair(ratio, conditions) for ratio in all_pairs(groups)])
    kinds = [WITH_REFERENCE, *CONDITION_WORDS.values(), OTHER_PAIR]
    pairs.sort(key=lambda pair: (kinds.index(pair.kind), pair.shared, -pair.ratio.value))
    order = np.argsort(groups.means, kind="stable")
    return Comparison(
        quantity=quantity,
        means={groups.names[k]: float(np.exp(groups.means[k])) for k in order},
        pairs=tuple(pairs),
        left_out=groups.left_out,
        margin=margin,
        degrees_of_freedom=groups.degrees_of_freedom,
    )


def _pair(ratio: Ratio, conditions: Conditions | None) -> ComparedPair:
    plain = ComparedPair(OTHER_PAIR, ratio, ratio.strategy, ratio.against)
    if conditions is None:
        return plain
    own, other = conditions[ratio.strategy], conditions[ratio.against]
    apart = [name for name, value in own.items() if other[name] != value]
    if len(apart) != 1:
        return plain
    shared = [_level(name, value) for name, value in own.items() if name != apart[0]]
    return ComparedPair(
        CONDITION_WORDS[apart[0]],
        ratio,
        _level(apart[0], own[apart[0]]),
        _level(apart[0], other[apart[0]]),
        ", ".join(shared),
    )


def _turned_alike(pairs: list[ComparedPair]) -> list[ComparedPair]:
    """Turn pairs so that the level that is higher on the whole stands first."""
    sums: dict[tuple[str, str, str], float] = {}
    for pair in pairs:
        log = math.log(pair.ratio.value)
        names = (pair.kind, pair.name, pair.name_against)
        turned = (pair.kind, pair.name_against, pair.name)
        sums[names] = sums.get(names, 0.0) + log
        sums[turned] = sums.get(turned, 0.0) - log
    return [
        pair
        if sums[pair.kind, pair.name, pair.name_against] >= 0.0
        else ComparedPair(pair.kind, pair.ratio.turned(), pair.name_against, pair.name, pair.shared)
        for pair in pairs
    ]


def _level(column: str, value: object) -> str:
    """Write a level of a condition, so that it can be told without its column."""
    if isinstance(value, float):
        return f"stripped at {strip_age(24.0 * value)}"
    if column != STRATEGY and value == "none":
        return "no curing"
    return str(value)
