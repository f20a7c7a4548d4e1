"""From the table of one input in the file to a distribution in internal units."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from dataclasses import dataclass

from stripwise.distributions.distribution import Distribution, distribution
from stripwise.distributions.families import FAMILIES, FIXED, SAMPLE, family_names
from stripwise.distributions.random_input import KINDS, Input
from stripwise.errors import InputError
from stripwise.published import published_value as published
from stripwise.scenario.empirical_tables import read_empirical, refuse_values
from stripwise.scenario.fields import Bounds, Random
from stripwise.scenario.measures import within
from stripwise.scenario.problems import KeyPath, Problems
from stripwise.scenario.shapes import BETWEEN_WALLS, InputTable
from stripwise.units.names import formula_problem, printable
from stripwise.units.quantities import NUMBER, TEMPERATURE, parse

__all__ = [
    "Converter",
    "default_input",
    "read_input",
]


Converter = Callable[[object, bool], float]
"""Value of the file and whether it is a difference -> internal unit; raises InputError."""


SMALLEST_COV = 1e-4
"""Smallest sd over mean of a random input."""

LARGEST_COV = 10.0
"""Largest sd over mean of a quantity that cannot be negative, even if meant."""

INSIST = "check the unit, or write unusual = true in its table if it is meant"

_law = functools.lru_cache(maxsize=2048)(distribution)
"""A scenario that changes in one key builds the distribution of that key alone."""


@dataclass(slots=True)
class _Moments:
    """Moments and bounds in internal units; NaN where the file's value could not be read."""

    mean: float | None
    sd: float | None
    cov: float | None
    low: float | None
    high: float | None

    @property
    def unreadable(self) -> bool:
        values = (self.mean, self.sd, self.cov, self.low, self.high)
        return any(value is not None and math.isnan(value) for value in values)


def default_input(declared: Random, name: str) -> Input:
    """Return the input that stands in for one that the file leaves out."""
    default = declared.default
    assert default is not None
    entry = published(default.published) if default.published else None
    family, numbers = default.family, dict(default.numbers)
    if entry is not None and not family:
        family, numbers = entry.family, dict(entry.numbers)
    source = default.source or (entry.citation if entry else "")
    return _input(declared, name, _law(family, **numbers), source=source)


def _input(
    declared: Random,
    name: str,
    law: Distribution,
    *,
    kind: str = "",
    source: str = "",
    between_walls: float = 0.0,
    kind_stated: bool = False,
    shared: bool = False,
) -> Input:
    return Input(
        name=name,
        label=declared.label,
        distribution=law,
        unit=declared.unit,
        group=declared.group,
        kind=kind or declared.kind,
        source=source,
        is_temperature=declared.measure.quantity is TEMPERATURE,
        between_walls=between_walls,
        kind_stated=kind_stated,
        shared=shared,
    )


def read_input(
    declared: Random,
    table: InputTable,
    path: KeyPath,
    *,
    name: str,
    problems: Problems,
    converter: Converter | None = None,
) -> Input | None:
    """Build one input and note what is wrong with it; None after a problem.

    `converter` takes the place of the units of the declaration.
    """
    reader = _Reader(declared, table, path, problems, converter or _by_measure(declared))
    before = len(problems)
    share = reader.between_walls()
    kind = reader.kind() if share is None else "knowledge" if share == 1.0 else "scatter"
    source = reader.source()
    law = reader.distribution()
    if law is None or len(problems) > before:
        return None
    partly = share if share is not None and share < 1.0 else 0.0
    return _input(
        declared,
        name,
        law,
        kind=kind,
        source=source,
        between_walls=partly,
        kind_stated=share is not None or table.kind is not None,
        shared=reader.is_shared(),
    )


def _by_measure(declared: Random) -> Converter:
    return lambda raw, difference: declared.measure.number(raw, difference=difference)


@dataclass(frozen=True, slots=True)
class _Reader:
    """Reads the table of one input."""

    declared: Random
    table: InputTable
    path: KeyPath
    problems: Problems
    convert: Converter

    def kind(self) -> str:
        if self.table.kind is None:
            return self.declared.kind
        where = (*self.path, "kind")
        kind = self.problems.choice(self.table.kind, where, allowed=KINDS)
        if kind == "knowledge" and self.declared.only_scatter:
            rule = f'must be "scatter": {self.declared.only_scatter}'
            self.problems.add(where, rule, found=kind)
        return kind

    def between_walls(self) -> float | None:
        raw, where = self.table.between_walls, (*self.path, "between_walls")
        if raw is None:
            return None
        if self.table.kind is not None:
            self.problems.add(where, "is given beside kind; give one of them", found=raw)
        share = self.problems.number(BETWEEN_WALLS.read, raw, where)
        if share == 1.0 and self.declared.only_scatter:
            rule = f"must be below 1: {self.declared.only_scatter}"
            self.problems.add(where, rule, found=raw)
        return share

    def is_shared(self) -> bool:
        """Whether what lies between walls is one value for all faces of a block."""
        raw, where = self.table.shared, (*self.path, "shared")
        if raw is None:
            return False
        if self.table.between_walls is None and getattr(self.table, "mean_sd", None) is None:
            rule = "needs between_walls, or mean_sd of a cover: nothing else is a face's own"
            self.problems.add(where, rule, found=raw)
        return self.problems.choice(raw, where, allowed=("element", "block")) == "block"

    def source(self) -> str:
        source, where = self.table.source or "", (*self.path, "source")
        if source and not source.isprintable():
            self.problems.add(where, "must be printable text", found=source)
        elif broken := formula_problem(source):
            self.problems.add(where, broken, found=source)
        return source

    def distribution(self) -> Distribution | None:
        family = self._family()
        return self._empirical() if family == SAMPLE else self._by_moments(family)

    def _by_moments(self, family: str) -> Distribution | None:
        refuse_values(self.table, self.path, family=family, problems=self.problems)
        moments = self._moments(family)
        if not family or moments.unreadable:
            return None
        if family == FIXED:
            return self._fixed(moments)
        if not self._sound(moments):
            return None
        if FAMILIES[family].cut_at_bounds:
            self._cut_at_bounds(moments)
        elif not self._within_bounds(moments, family):
            return None
        try:
            numbers = {key: getattr(moments, key) for key in _Moments.__slots__}
            law = _law(family, **numbers)
        except InputError as error:
            key = (*self.path, error.where) if error.where else self.path
            unit = self.declared.unit
            unit = f" (in {unit})" if unit and any(c.isdigit() for c in error.problem) else ""
            rule = error.problem.removeprefix("= ")
            found = getattr(self.table, error.where, None) if error.where else None
            if found is not None and rule != error.problem and ": " in rule:
                rule = rule.split(": ", 1)[1]  # the value stands there as the file writes it
                self.problems.add(key, rule + unit, found=found)
            else:
                self.problems.add(key, rule + unit)
            return None
        if self._supported(law):
            self._check_usual(law)
        return law

    def _empirical(self) -> Distribution | None:
        law = read_empirical(self.table, self.path, self.convert, problems=self.problems)
        if law is not None and self._supported(law):
            self._check_usual(law)
        return law

    def _family(self) -> str:
        """Return the family, "" after a problem; a table with a value alone is fixed."""
        where = (*self.path, "family")
        if self.table.family is None:
            if self.table.value is not None:
                return FIXED
            self.problems.missing(where, f"use one of {', '.join(family_names())}")
            return ""
        before = len(self.problems)
        family = self.problems.choice(self.table.family, where, allowed=family_names())
        return family if len(self.problems) == before else ""

    def _number(self, key: str, *, difference: bool = False) -> float | None:
        raw = getattr(self.table, key, None)
        if raw is None:
            return None
        where = self.path if self.table.bare else (*self.path, key)
        return self.problems.number(lambda raw: self.convert(raw, difference), raw, where)

    def _moments(self, family: str) -> _Moments:
        table, path = self.table, self.path
        if family != FIXED and family and table.value is not None:
            rule = f"belongs to a fixed input, not to a {family}; use mean"
            self.problems.add((*path, "value"), rule)
        value, mean = self._number("value"), self._number("mean")
        nominal, bias = self._number("nominal"), self._number("bias", difference=True)
        if nominal is not None:
            if mean is not None or value is not None:
                self.problems.add((*path, "nominal"), "is given beside mean; give one of them")
            mean = nominal + (bias or 0.0)
        elif bias is not None:
            self.problems.add((*path, "bias"), "needs nominal; mean = nominal + bias")
        cov = None
        if table.cov is not None:
            where = (*path, "cov")
            cov = self.problems.number(lambda raw: parse(raw, NUMBER, to=""), table.cov, where)
        return _Moments(
            mean=value if family == FIXED and value is not None else mean,
            sd=self._number("sd", difference=True),
            cov=cov,
            low=self._number("low"),
            high=self._number("high"),
        )

    def _fixed(self, moments: _Moments) -> Distribution | None:
        extra = [k for k in ("sd", "cov", "low", "high") if getattr(self.table, k) is not None]
        if extra:
            rule = "is not used by a fixed input; give a family"
            self.problems.add((*self.path, extra[0]), rule)
            return None
        value, where = moments.mean, (*self.path, "value")
        if value is None:
            self.problems.missing(where, "a fixed input needs one")
            return None
        if not self.declared.bounds.hold(value):
            found = self.table.value if self.table.value is not None else self.table.mean
            where = self.path if self.table.bare else where
            self.problems.add(where, self.declared.rule, found=found)
            return None
        law = _law(FIXED, mean=value)
        self._check_usual(law)
        return law

    def _sound(self, moments: _Moments) -> bool:
        """Check what can be said in the words and units of the file."""
        before, table = len(self.problems), self.table
        for key, number in (("sd", moments.sd), ("cov", moments.cov)):
            if number is not None and number <= 0:
                self._add(key, "must be above 0")
        if moments.cov is not None and self.declared.measure.quantity is TEMPERATURE:
            self._add("cov", "a share of a temperature has no meaning; give sd")
        if moments.low is not None and moments.high is not None and moments.low >= moments.high:
            self._add("low", f"must be below high = {printable(table.high)}")
        return len(self.problems) == before

    def _cut_at_bounds(self, moments: _Moments) -> None:
        """Cut a normal at the physical bounds; bounds of the file that are tighter stay."""
        low, high = self._bounds.low, self._bounds.high
        if math.isfinite(low):
            moments.low = max(low, -math.inf if moments.low is None else moments.low)
        if math.isfinite(high):
            moments.high = min(high, math.inf if moments.high is None else moments.high)

    def _within_bounds(self, moments: _Moments, family: str) -> bool:
        """Check the bounds of the file against the physical ones."""
        before = len(self.problems)
        for key, end in (("low", moments.low), ("high", moments.high)):
            if end is not None and not self._bounds.low <= end <= self._bounds.high:
                self._add(key, f"{self.declared.rule}; move the bound of the {family}")
        return len(self.problems) == before

    def _supported(self, law: Distribution) -> bool:
        """Refuse a family that reaches beyond the physical bounds."""
        low, high = self._bounds.low, self._bounds.high
        unit = f" {self.declared.unit}" if self.declared.unit else ""
        if law.low < low:
            reach = f"reaches down to {law.low:.4g}{unit}, below {low:g}{unit}"
        elif law.high > high:
            top = f"{law.high:.4g}{unit}" if math.isfinite(law.high) else "any height"
            reach = f"reaches up to {top}, above {high:g}{unit}"
        else:
            return True
        advice = "use lognormal, or beta with bounds"
        if math.isfinite(high):
            advice = f"use beta with low = {low:g} and high = {high:g}"
        rule = f"{reach}; {advice}, or a normal, which is cut there"
        self.problems.add((*self.path, "family"), rule, found=law.family)
        return False

    def _check_usual(self, law: Distribution) -> None:
        """Refuse a mean or a spread that looks like a slip of units, unless the file insists."""
        insisted = self.table.unusual or self.table.plausible
        if not self._check_possible(law) or insisted:
            return
        declared, mean, sd = self.declared, law.parent_mean, law.parent_sd
        if not within(mean, declared.usual):
            self._add_mean(law, f"the usual mean is {declared.usual_range}; {INSIST}")
        elif not law.is_fixed and (broken := declared.spread_problem(sd, mean)):
            self._add_spread(f"{broken}; {INSIST}")
        for key in ("low", "high"):
            bound = None if self.table.bare else self._given_bound(law, key)
            if bound is not None and (broken := declared.bound_problem(bound)):
                self._add(key, f"{broken}; {INSIST}")

    def _given_bound(self, law: Distribution, key: str) -> float | None:
        """Return a bound that the file gives, in the internal unit."""
        return None if getattr(self.table, key) is None else float(getattr(law, key))

    def _check_possible(self, law: Distribution) -> bool:
        """Refuse a mean or a spread that cannot be computed with, whatever the file insists on."""
        declared, mean, sd = self.declared, law.parent_mean, law.parent_sd
        largest = LARGEST_COV * mean if declared.bounds.low == 0 < mean else math.inf
        largest, least = min(declared.largest_sd, largest), SMALLEST_COV * abs(mean)
        if not (mean == 0.0 == declared.bounds.low) and not within(mean, declared.ends):
            span = declared.possible_range
            self._add_mean(law, f"the mean must be {span}, even if it is meant to be unusual")
            return False
        if not law.is_fixed and not least <= sd <= largest:
            low, high = (f"{end:.4g} {declared.unit}".strip() for end in (least, largest))
            rule = f"the sd must be {low} to {high}; below that give a fixed value"
            self._add_spread(rule)
            return False
        return True

    @property
    def _bounds(self) -> Bounds:
        return self.declared.bounds

    def _add_spread(self, rule: str) -> None:
        """Note a problem where the spread stands in the file; bounds alone may give it."""
        given = [key for key in ("sd", "cov") if getattr(self.table, key) is not None]
        if given:
            self._add(given[0], rule)
        else:
            self.problems.add(self.path, f"its spread: {rule}")

    def _add(self, key: str, rule: str) -> None:
        self.problems.add((*self.path, key), rule, found=getattr(self.table, key))

    def _add_mean(self, law: Distribution, rule: str) -> None:
        """Note a problem where the mean stands in the file."""
        for key in ("value", "nominal", "mean"):
            found = getattr(self.table, key, None)
            if found is not None:
                where = self.path if self.table.bare else (*self.path, key)
                self.problems.add(where, rule, found=found)
                return
        found = f"{law.mean:.4g} {self.declared.unit}".strip()
        self.problems.add((*self.path, "mean"), rule, found=found)
