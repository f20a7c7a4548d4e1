"""From the table of one input in the file to a distribution in internal units."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable

from stripwise.distributions.distribution import FAMILIES, Distribution, distribution
from stripwise.distributions.random_input import KINDS, Input
from stripwise.errors import InputError
from stripwise.scenario.bounds import (
    Numbers,
    bound_rule,
    check_usual,
    physical,
    supported,
    within_bounds,
)
from stripwise.scenario.input_rules import Rule
from stripwise.scenario.problems import KeyPath, Problems
from stripwise.scenario.schema import RandomInput
from stripwise.units.names import formula_problem, printable
from stripwise.units.quantities import NUMBER, TEMPERATURE, parse

__all__ = ["Converter", "build_input"]

Converter = Callable[[object, bool], float]
"""Value of the file and whether it is a difference -> internal unit; raises InputError."""


def build_input(
    spec: RandomInput,
    path: KeyPath,
    *,
    name: str,
    rule: Rule,
    problems: Problems,
    converter: Converter | None = None,
    allow_knowledge: bool = True,
) -> Input | None:
    """Build one input and note what is wrong with it.

    Parameters
    ----------
    spec
        The input as the file gives it.
    path
        Where it stands.
    name
        Name of the input.
    rule
        What it may be.
    problems
        Where to note.
    converter
        Conversion to the internal unit; by the units of `rule` unless given.
    allow_knowledge
        Whether `kind = "knowledge"` is possible.

    Returns
    -------
    The input; None after a problem.
    """
    before = len(problems.texts)
    convert = converter or _by_units(rule)
    if spec.mean_doubt is not None and rule.group != "cover":
        problems.add(
            (*path, "mean_doubt"),
            "belongs to reinforcement.cover alone; leave it out",
            found=spec.mean_doubt,
        )
    kind = _kind(spec, path, rule=rule, problems=problems, allow_knowledge=allow_knowledge)
    source = spec.source or ""
    if source and not source.isprintable():
        problems.add((*path, "source"), "must be printable text", found=source)
    elif rule_broken := formula_problem(source):
        problems.add((*path, "source"), rule_broken, found=source)
    law = _distribution(spec, path, rule=rule, problems=problems, convert=convert)
    if law is None or len(problems.texts) > before:
        return None
    return Input(
        name=name,
        label=rule.label,
        distribution=law,
        unit=rule.unit,
        group=rule.group,
        kind=kind,
        source=source,
        is_temperature=rule.quantity is TEMPERATURE,
    )


def _by_units(rule: Rule) -> Converter:
    def convert(raw: object, difference: bool) -> float:
        return parse(raw, rule.quantity, to=rule.pint_unit, difference=difference)

    return convert


def _kind(
    spec: RandomInput, path: KeyPath, *, rule: Rule, problems: Problems, allow_knowledge: bool
) -> str:
    if spec.kind is None:
        return rule.kind
    kind = problems.choice(spec.kind, (*path, "kind"), allowed=KINDS)
    if kind == "knowledge" and not allow_knowledge:
        problems.add(
            (*path, "kind"),
            'must be "scatter": the cover is integrated as it scatters along the wall; what you do '
            'not know about its mean is mean_doubt, such as mean_doubt = "4 mm"',
            found=kind,
        )
    return kind


def _distribution(
    spec: RandomInput, path: KeyPath, *, rule: Rule, problems: Problems, convert: Converter
) -> Distribution | None:
    family = _family(spec, path, problems)
    numbers = _numbers(spec, path, problems=problems, convert=convert, family=family)
    if not family or numbers.unreadable:
        return None
    if family == "fixed":
        return _fixed(spec, path, numbers, rule=rule, problems=problems)
    if not _sound(spec, path, numbers, rule=rule, problems=problems):
        return None
    if family == "normal":
        _cut_at_bounds(numbers, rule)
    elif not within_bounds(spec, path, numbers, rule=rule, problems=problems, family=family):
        return None
    try:
        law = distribution(family, **dataclasses.asdict(numbers))
    except InputError as error:
        key = (*path, error.where) if error.where else path
        unit = f" (in {rule.unit})" if rule.unit and any(c.isdigit() for c in error.problem) else ""
        problems.add(key, error.problem.removeprefix("= ") + unit)
        return None
    if supported(path, law, rule=rule, problems=problems):
        check_usual(spec, path, law, rule=rule, problems=problems)
    return law


def _family(spec: RandomInput, path: KeyPath, problems: Problems) -> str:
    """Return the family, "" after a problem; a table with a value alone is fixed."""
    if spec.family is None:
        if spec.value is not None:
            return "fixed"
        problems.missing((*path, "family"), f"use one of {', '.join(FAMILIES)}")
        return ""
    before = len(problems.texts)
    family = problems.choice(spec.family, (*path, "family"), allowed=FAMILIES)
    return family if len(problems.texts) == before else ""


def _numbers(
    spec: RandomInput, path: KeyPath, *, problems: Problems, convert: Converter, family: str
) -> Numbers:
    def read(key: str, raw: object, difference: bool) -> float | None:
        if raw is None:
            return None
        where = path if spec.bare else (*path, key)
        try:
            return convert(raw, difference)
        except InputError as error:
            problems.add(where, error.problem, found=raw)
            return math.nan

    if family != "fixed" and family and spec.value is not None:
        problems.add((*path, "value"), f"belongs to a fixed input, not to a {family}; use mean")
    value = read("value", spec.value, False)
    mean = read("mean", spec.mean, False)
    nominal, bias = read("nominal", spec.nominal, False), read("bias", spec.bias, True)
    if nominal is not None:
        if mean is not None or value is not None:
            problems.add((*path, "nominal"), "is given beside mean; give one of them")
        mean = nominal + (bias or 0.0)
    elif bias is not None:
        problems.add((*path, "bias"), "needs nominal; mean = nominal + bias")
    cov = None
    if spec.cov is not None:
        cov = problems.quantity(spec.cov, (*path, "cov"), kind=NUMBER, to="")
    return Numbers(
        mean=value if family == "fixed" and value is not None else mean,
        sd=read("sd", spec.sd, True),
        cov=cov,
        low=read("low", spec.low, False),
        high=read("high", spec.high, False),
    )


def _fixed(
    spec: RandomInput, path: KeyPath, numbers: Numbers, *, rule: Rule, problems: Problems
) -> Distribution | None:
    extra = [key for key in ("sd", "cov", "low", "high") if getattr(spec, key) is not None]
    if extra:
        problems.add((*path, extra[0]), "is not used by a fixed input; give a family")
        return None
    value = numbers.mean
    if value is None:
        problems.missing((*path, "value"), "a fixed input needs one")
        return None
    found = spec.value if spec.value is not None else spec.mean
    where = path if spec.bare else (*path, "value")
    if not physical(value, rule):
        problems.add(where, bound_rule(rule), found=found)
        return None
    law = distribution("fixed", mean=value)
    check_usual(spec, path, law, rule=rule, problems=problems)
    return law


def _sound(
    spec: RandomInput, path: KeyPath, numbers: Numbers, *, rule: Rule, problems: Problems
) -> bool:
    """Check what can be said in the words and units of the file."""
    before = len(problems.texts)
    for key, number in (("sd", numbers.sd), ("cov", numbers.cov)):
        if number is not None and number <= 0:
            problems.add((*path, key), "must be above 0", found=getattr(spec, key))
    if numbers.cov is not None and rule.quantity is TEMPERATURE:
        problems.add(
            (*path, "cov"), "a share of a temperature has no meaning; give sd", found=spec.cov
        )
    if numbers.low is not None and numbers.high is not None and numbers.low >= numbers.high:
        problems.add((*path, "low"), f"must be below high = {printable(spec.high)}", found=spec.low)
    return len(problems.texts) == before


def _cut_at_bounds(numbers: Numbers, rule: Rule) -> None:
    """Cut a normal at the physical bounds; bounds of the file that are tighter stay."""
    if math.isfinite(rule.low):
        numbers.low = max(rule.low, -math.inf if numbers.low is None else numbers.low)
    if math.isfinite(rule.high):
        numbers.high = min(rule.high, math.inf if numbers.high is None else numbers.high)
