"""Durations in a strategy's name, which must be those of the strategy."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Sequence
from typing import NamedTuple

from stripwise.scenario.as_written import written_mean
from stripwise.scenario.problems import Problems
from stripwise.scenario.sections.strategies import Strategies, StrategyTable

__all__ = ["check_names", "named_durations"]

UNIT = r"minutes?|min|hours?|hrs?|h|days?|d|weeks?|wks?|wk"
DURATION = re.compile(rf"(?<![\w.,])(\d+(?:[.,]\d+)?)[\s-]*({UNIT})\b", re.IGNORECASE)
BETWEEN = re.compile(r"\s*(?:and|\+)?\s*", re.IGNORECASE)
"""What joins two parts of one duration, as in "1 d 12 h"."""

HOURS = {"m": 1.0 / 60.0, "h": 1.0, "d": 24.0, "w": 168.0}
"""Hours in each unit, by its first letter."""

AGREE = 0.02
"""Relative difference up to which a rounded name agrees."""


class NamedDuration(NamedTuple):
    """A duration in a name: its hours, its words, and whether it follows the word "then"."""

    hours: float
    words: str
    then: bool


def named_durations(name: str) -> list[NamedDuration]:
    """Find the durations in a name, in their order.

    Examples
    --------
    >>> [item.hours for item in named_durations("Forms 1 d 12 h, then sheet 3 d")]
    [36.0, 72.0]
    """
    found: list[NamedDuration] = []
    last: re.Match[str] | None = None
    start, size = 0, 0.0
    for match in DURATION.finditer(name):
        unit = HOURS[match[2][0].lower()]
        hours = float(match[1].replace(",", ".")) * unit
        joined = last is not None and BETWEEN.fullmatch(name[last.end() : match.start()])
        if joined and unit < size:
            words = name[start : match.end()]
            found[-1] = found[-1]._replace(hours=found[-1].hours + hours, words=words)
        else:
            start = match.start()
            then = re.search(r"\bthen\b", name[:start], re.IGNORECASE) is not None
            found.append(NamedDuration(hours, match[0], then))
        last, size = match, unit
    return found


def check_names(
    tables: Sequence[StrategyTable], strategies: Strategies, problems: Problems
) -> None:
    """Refuse a name whose durations are not those of its strategy.

    The first is the strip age, unless it follows "then"; each other one is the duration of the
    follow-up. A random strip age agrees with a name within one sd of its mean.
    """
    ages = {item.name: item for item in strategies.inputs}
    slugs = Counter(item.slug for item in strategies.strategies)
    for index, (table, strategy) in enumerate(zip(tables, strategies.strategies, strict=True)):
        path = ("strategy", index)
        item = ages.get(strategy.strip_age_input)
        if item is None or problems.has_error_within(path) or slugs[strategy.slug] > 1:
            continue
        law = item.distribution
        written = written_mean(table.strip_age, item) + " on average" * (not law.is_fixed)
        follow_up = strategy.follow_up
        curing = follow_up.label if follow_up.retention_input else "no curing after stripping"
        for place, named in enumerate(named_durations(strategy.name)):
            hours, slack, what, given = (
                (law.mean, law.sd, "as the strip age", f"strip_age is {written}")
                if place == 0 and not named.then
                else (follow_up.duration_h, 0.0, "of curing after stripping", f"there is {curing}")
            )
            if not math.isclose(named.hours, hours, rel_tol=AGREE, abs_tol=slack):
                problems.add(
                    (*path, "name"),
                    f'names {named.words} {what}, but {given}; mend one of them, or take "'
                    f'{named.words}" out of the name',
                    found=strategy.name,
                )
                break
