"""The [curing] section: reference curing, maturity, the law's inputs and follow-ups."""

from __future__ import annotations

import math
from collections.abc import Iterable

from stripwise.distributions.distribution import distribution
from stripwise.distributions.random_input import Input
from stripwise.published import PublishedValue, published_value
from stripwise.scenario.input_rules import AFFECTED_DEPTH, EARLY_SLOPE, MODEL_FACTOR
from stripwise.scenario.model import Curing, FollowUp, Strategy
from stripwise.scenario.problems import KeyPath, Problems
from stripwise.scenario.random_inputs import build_input
from stripwise.scenario.schema import CuringPart, FollowUpPart
from stripwise.units.quantities import COEFFICIENT, TEMPERATURE, TIME

__all__ = [
    "FACES",
    "FREEZING",
    "METHODS",
    "cited",
    "cold_warning",
    "concrete_temperature",
    "read_curing",
    "read_follow_up",
    "retention_name",
    "same_cure",
    "same_degree",
    "same_work",
]

METHODS = ("none", "sheet", "membrane", "wet covering", "kept wet")
FACES = ("vertical", "horizontal")
MATURITY = ("arrhenius", "nurse-saul")
WHOLE = "whole cover"

LAW = "curing.law"
EARLY = "curing.early_slope"
DEPTH = "curing.affected_depth"
FACTOR = "curing.model_factor"


FREEZING = 1e-6
"""Temperature up to which a face freezes [degC]; 32 degF converts to a rounding above 0."""


def cited(entry: PublishedValue) -> str:
    """Return the source of a published value with its mark."""
    return entry.citation


def concrete_temperature(raw: object, path: KeyPath, problems: Problems) -> float:
    """Read the temperature of concrete [degC]; NaN after a problem."""
    return problems.quantity(
        raw,
        path,
        kind=TEMPERATURE,
        to="degC",
        low=(-10.0, "-10 degC"),
        high=(80.0, "80 degC"),
    )


def same_degree(one: float, other: float) -> bool:
    """Whether two temperatures [degC] differ by no more than the rounding of their units."""
    return math.isclose(one, other, abs_tol=1e-6)


def same_work(one: FollowUp, other: FollowUp) -> bool:
    """Whether both are the same method for as long on the same face, at whatever temperature."""
    return (one.method, one.duration_h, one.face) == (other.method, other.duration_h, other.face)


def same_cure(one: FollowUp, other: FollowUp) -> bool:
    """Whether both are the same work and as warm, or both none."""
    if one.method == other.method == "none":
        return True
    return same_work(one, other) and same_degree(one.temperature, other.temperature)


def cold_warning(strategies: Iterable[Strategy], *, among_choices: float | None) -> str:
    """Warn of concrete that may freeze in the forms; empty if none does.

    Parameters
    ----------
    strategies
        All strategies.
    among_choices
        Concrete temperature of the choices [degC]; None without any.
    """
    cold = [f'"{item.name}"' for item in strategies if item.temperature <= FREEZING]
    if among_choices is not None and among_choices <= FREEZING:
        cold.append("[choices]")
    if not cold:
        return ""
    return (
        f"Concrete at 0 degC or below in the forms ({', '.join(cold)}): it may freeze, and what "
        "has frozen young is not what these numbers speak of. The Arrhenius function is an "
        "extrapolation there and counts too much; the Nurse-Saul function counts nothing up to its "
        "datum."
    )


def read_curing(part: CuringPart, problems: Problems) -> tuple[Curing, list[Input]]:
    """Read [curing] except the retentions.

    Parameters
    ----------
    part
        The section.
    problems
        Where to note.

    Returns
    -------
    The `Curing`, with NaN where there was a problem, and the inputs of the law, of the affected
    depth and of the model factor.
    """
    inputs = [_law_input(), _early_input(part, problems)]
    depth = _depth_input(part, problems)
    factor = _factor_input(part, problems)
    reference_d, temperature = math.nan, math.nan
    if part.reference is None:
        problems.missing(
            ("curing", "reference"),
            'the curing of the concrete that the diffusivity was measured on, such as "7 d"',
        )
    else:
        reference_d = problems.quantity(
            part.reference,
            ("curing", "reference"),
            kind=TIME,
            to="day",
            low=(0.5, "12 h"),
            high=(365.0, "365 d"),
        )
    where = ("curing", "concrete_temperature")
    if part.concrete_temperature is None:
        problems.missing(where, 'the concrete\'s temperature in the forms, such as "15 degC"')
    else:
        temperature = concrete_temperature(part.concrete_temperature, where, problems)
    activation, datum, reference = _maturity(part, problems)
    curing = Curing(
        reference_d=reference_d,
        maturity=problems.choice(part.maturity, ("curing", "maturity"), allowed=MATURITY),
        activation_temperature=activation,
        datum_temperature=datum,
        reference_temperature=reference,
        temperature=temperature,
        layered=depth is not None,
        law_input=LAW,
        early_slope_input=EARLY,
        affected_depth_input="" if depth is None else DEPTH,
        model_factor_input="" if factor is None else FACTOR,
    )
    return curing, [item for item in (*inputs, depth, factor) if item is not None]


def read_follow_up(
    part: FollowUpPart | None, path: KeyPath, *, temperature: float, problems: Problems
) -> FollowUp:
    """Read a follow-up curing.

    Parameters
    ----------
    part
        The table; None where the file has none.
    path
        Where it stands.
    temperature
        Concrete temperature [degC] unless the table gives one.
    problems
        Where to note.

    Returns
    -------
    The `FollowUp`, with NaN where there was a problem.
    """
    if part is None:
        return FollowUp("none", 0.0, temperature, "vertical", "")
    if part.method is None:
        problems.missing((*path, "method"), f"use one of {', '.join(METHODS)}")
        return FollowUp("none", 0.0, temperature, "vertical", "")
    method = problems.choice(part.method, (*path, "method"), allowed=METHODS)
    face = problems.choice(part.face, (*path, "face"), allowed=FACES)
    if part.temperature is not None:
        temperature = concrete_temperature(part.temperature, (*path, "temperature"), problems)
    if method == "none":
        if part.duration is not None and method == part.method:
            problems.add(
                (*path, "duration"),
                'is not used by method = "none"; leave it out',
                found=part.duration,
            )
        return FollowUp("none", 0.0, temperature, face, "")
    if temperature <= FREEZING:
        problems.add(
            (*path, "temperature"),
            "must be above 0 degC: no follow-up cures a face that freezes. Give the temperature of "
            "the protected concrete, not that of the forms or the air",
            found=part.temperature,
        )
    hours = _duration(part, path, method=method, problems=problems)
    return FollowUp(method, hours, temperature, face, retention_name(method, face))


def retention_name(method: str, face: str) -> str:
    """Return the name of the input with the moisture retention of a method on a face."""
    return f"curing.retention.{method}.{face}"


def _law_input() -> Input:
    published = published_value("duracrete.curing_factor.1d").citation
    source = f"{published}; place in the distributions, as a normal score"
    law = distribution("normal", mean=0.0, sd=1.0)
    return Input(LAW, "curing law", law, "", "curing", "knowledge", source)


def _early_input(part: CuringPart, problems: Problems) -> Input | None:
    if part.early_slope is not None:
        return build_input(
            part.early_slope,
            ("curing", "early_slope"),
            name=EARLY,
            rule=EARLY_SLOPE,
            problems=problems,
        )
    law = distribution("normal", mean=0.0, sd=1.0)
    source = cited(published_value("curing.early_slope_sd"))
    return Input(EARLY, EARLY_SLOPE.label, law, "", "curing", "knowledge", source)


def _depth_input(part: CuringPart, problems: Problems) -> Input | None:
    spec, path = part.affected_depth, ("curing", "affected_depth")
    if spec is None:
        problems.missing(path, f'write "{WHOLE}", or a depth such as "30 mm"')
        return None
    if spec.bare and isinstance(spec.value, str) and spec.value.strip() == WHOLE:
        return None
    return build_input(spec, path, name=DEPTH, rule=AFFECTED_DEPTH, problems=problems)


def _factor_input(part: CuringPart, problems: Problems) -> Input | None:
    if part.model_factor is None:
        return None
    path = ("curing", "model_factor")
    return build_input(part.model_factor, path, name=FACTOR, rule=MODEL_FACTOR, problems=problems)


def _maturity(part: CuringPart, problems: Problems) -> tuple[float, float, float]:
    """Return Q [K], datum and reference temperature [degC]."""
    activation = published_value("maturity.activation_temperature").number
    if part.activation_temperature is not None:
        activation = problems.quantity(
            part.activation_temperature,
            ("curing", "activation_temperature"),
            kind=COEFFICIENT,
            to="K",
            low=(1000.0, "1000 K"),
            high=(15000.0, "15000 K"),
        )
    datum = published_value("maturity.datum_temperature").number
    if part.datum_temperature is not None:
        datum = problems.quantity(
            part.datum_temperature,
            ("curing", "datum_temperature"),
            kind=TEMPERATURE,
            to="degC",
            low=(-20.0, "-20 degC"),
            high=(10.0, "10 degC"),
        )
    reference = published_value("maturity.reference_temperature.europe").number
    if part.reference_temperature is not None:
        reference = problems.quantity(
            part.reference_temperature,
            ("curing", "reference_temperature"),
            kind=TEMPERATURE,
            to="degC",
            low=(15.0, "15 degC"),
            high=(30.0, "30 degC"),
        )
    return activation, datum, reference


def _duration(part: FollowUpPart, path: KeyPath, *, method: str, problems: Problems) -> float:
    where = (*path, "duration")
    if part.duration is None:
        if method == "membrane":
            return 24.0 * published_value("curing.membrane_duration").number
        problems.missing(where, f'how long the {method} stays, such as "3 d"')
        return math.nan
    return problems.quantity(
        part.duration, where, kind=TIME, to="hour", low=(1.0, "1 h"), high=(1440.0, "60 d")
    )
