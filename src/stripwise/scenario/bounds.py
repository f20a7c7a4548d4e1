"""Physical bounds and usual ranges: what an input must not be, and what it hardly ever is."""

from __future__ import annotations

import math
from dataclasses import dataclass

from stripwise.distributions.distribution import Distribution
from stripwise.distributions.random_input import Input
from stripwise.scenario.input_rules import Rule
from stripwise.scenario.problems import KeyPath, Problems
from stripwise.scenario.schema import RandomInput

__all__ = [
    "Numbers",
    "bound_rule",
    "check_possible",
    "check_usual",
    "physical",
    "supported",
    "truncation_warning",
    "within_bounds",
]

CUT = 0.01
"""Relative change of a moment by truncation above which the reader is warned."""

ROUNDING = 1e-12
"""Relative error of a converted unit."""

SMALLEST_COV = 1e-4
"""Smallest sd over mean of a random input."""

LARGEST_COV = 10.0
"""Largest sd over mean of a quantity that cannot be negative, even if meant."""

WIDEST = 3.0
"""Largest usual sd over mean of a quantity that cannot be negative."""


@dataclass(slots=True)
class Numbers:
    """Moments and bounds in internal units; NaN where the file's value could not be read."""

    mean: float | None
    sd: float | None
    cov: float | None
    low: float | None
    high: float | None

    @property
    def unreadable(self) -> bool:
        """Whether a value of the file could not be read."""
        values = (self.mean, self.sd, self.cov, self.low, self.high)
        return any(value is not None and math.isnan(value) for value in values)


def truncation_warning(item: Input) -> str:
    """Return a sentence where cutting a normal at its bounds moved its moments, else "".

    Parameters
    ----------
    item
        Any input.

    Returns
    -------
    The sentence with both pairs of moments, in the internal unit.
    """
    law = item.distribution
    if not law.is_truncated:
        return ""
    moved = abs(law.mean - law.parent_mean) > CUT * abs(law.parent_mean)
    narrowed = abs(law.sd - law.parent_sd) > CUT * law.parent_sd
    if not (moved or narrowed):
        return ""
    unit = f" {item.unit}" if item.unit else ""
    return (
        f"{item.name}: the normal is cut at {_bounds(law, unit)}, which changes its mean from "
        f"{law.parent_mean:.4g} to {law.mean:.4g}{unit} and its sd from {law.parent_sd:.4g} to "
        f"{law.sd:.4g}{unit}."
    )


def _bounds(law: Distribution, unit: str) -> str:
    ends = [f"{end:.4g}{unit}" for end in (law.low, law.high) if math.isfinite(end)]
    return " and ".join(ends)


def within_bounds(
    spec: RandomInput,
    path: KeyPath,
    numbers: Numbers,
    *,
    rule: Rule,
    problems: Problems,
    family: str,
) -> bool:
    """Check the bounds of the file against the physical ones, in the file's own words."""
    before = len(problems.texts)
    for key, end in (("low", numbers.low), ("high", numbers.high)):
        if end is not None and not (rule.low <= end <= rule.high):
            problems.add(
                (*path, key),
                f"{bound_rule(rule)}; move the bound of the {family}",
                found=getattr(spec, key),
            )
    return len(problems.texts) == before


def supported(path: KeyPath, law: Distribution, *, rule: Rule, problems: Problems) -> bool:
    """Refuse a family that reaches beyond the physical bounds."""
    unit = f" {rule.unit}" if rule.unit else ""
    below, above = law.low < rule.low, law.high > rule.high
    if not (below or above):
        return True
    if law.low < rule.low:
        reach = f"reaches down to {law.low:.4g}{unit}, below {rule.low:g}{unit}"
    else:
        top = f"{law.high:.4g}{unit}" if math.isfinite(law.high) else "any height"
        reach = f"reaches up to {top}, above {rule.high:g}{unit}"
    if math.isfinite(rule.high):
        advice = f"use beta with low = {rule.low:g} and high = {rule.high:g}"
    else:
        advice = "use lognormal, or beta with bounds"
    problems.add(
        (*path, "family"), f"{reach}; {advice}, or a normal, which is cut there", found=law.family
    )
    return False


def check_usual(
    spec: RandomInput, path: KeyPath, law: Distribution, *, rule: Rule, problems: Problems
) -> None:
    """Refuse a mean or a spread that looks like a slip of units, unless the file insists."""
    insisted = spec.unusual or spec.plausible
    if not check_possible(spec, path, law, rule=rule, problems=problems) or insisted:
        return
    insist = "check the unit, or write unusual = true in its table if it is meant"
    if not _within(law.parent_mean, rule.usual):
        key, found = _mean_of(spec, path, law, rule)
        problems.add(key, f"the usual mean is {rule.usual_words}; {insist}", found=found)
    elif rule.low == 0 and law.parent_mean > 0 and law.parent_sd > WIDEST * law.parent_mean:
        problems.add(
            (*path, "sd" if spec.sd is not None else "cov"),
            f"is {law.parent_sd / law.parent_mean:.3g} times the mean; {insist}",
            found=spec.sd if spec.sd is not None else spec.cov,
        )


def check_possible(
    spec: RandomInput, path: KeyPath, law: Distribution, *, rule: Rule, problems: Problems
) -> bool:
    """Refuse a mean or a spread that cannot be computed with, whatever the file insists on."""
    before = len(problems.texts)
    mean, sd = law.parent_mean, law.parent_sd
    if not (mean == 0.0 == rule.low) and not _within(mean, rule.ends):
        key, found = _mean_of(spec, path, law, rule)
        span = rule.possible_words or " to ".join(
            f"{end:.4g} {rule.unit}".strip() for end in rule.ends
        )
        problems.add(
            key, f"the mean must be {span}, even if it is meant to be unusual", found=found
        )
    elif not law.is_fixed and not SMALLEST_COV * abs(mean) <= sd <= _largest_sd(mean, rule):
        high = f"{_largest_sd(mean, rule):.4g} {rule.unit}".strip()
        low = f"{SMALLEST_COV * abs(mean):.4g} {rule.unit}".strip()
        problems.add(
            (*path, "sd" if spec.sd is not None else "cov"),
            f"the sd must be {low} to {high}; below that give a fixed value",
            found=spec.sd if spec.sd is not None else spec.cov,
        )
    return len(problems.texts) == before


def _largest_sd(mean: float, rule: Rule) -> float:
    return min(rule.largest_sd, LARGEST_COV * mean if rule.low == 0 < mean else math.inf)


def _within(value: float, ends: tuple[float, float]) -> bool:
    """Whether a value lies between two ends, which the conversion of units may miss by a bit."""
    slack = ROUNDING * max(abs(end) for end in ends)
    return ends[0] - slack <= value <= ends[1] + slack


def _mean_of(
    spec: RandomInput, path: KeyPath, law: Distribution, rule: Rule
) -> tuple[KeyPath, object]:
    """Return where the mean stands in the file, and what stands there."""
    for key in ("value", "nominal", "mean"):
        found = getattr(spec, key)
        if found is not None:
            return (path if spec.bare else (*path, key)), found
    return (*path, "mean"), f"{law.mean:.4g} {rule.unit}".strip()


def physical(value: float, rule: Rule) -> bool:
    """Return whether a constant is within the physical bounds."""
    above = value > rule.low if rule.open_low else value >= rule.low
    return above and value <= rule.high


def bound_rule(rule: Rule) -> str:
    """Return the physical bounds as words, in the internal unit."""
    unit = f" {rule.unit}" if rule.unit else ""
    if math.isfinite(rule.high):
        return f"must be between {rule.low:g} and {rule.high:g}{unit}"
    return f"must be {'above' if rule.open_low else 'at least'} {rule.low:g}{unit}"
