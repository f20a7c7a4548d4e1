"""The options of the physics: mechanisms, surface chloride in time, carbonation, cracking."""

from __future__ import annotations

import itertools
import math

from stripwise.distributions.distribution import distribution, fixed
from stripwise.distributions.random_input import Input
from stripwise.ingress.season import MONTHS
from stripwise.ingress.surface_history.surface_chloride import SHAPES, SurfaceHistory
from stripwise.published import constant, published_value
from stripwise.risk.model.service_conditions import CARBONATION_INPUTS
from stripwise.scenario.model import Cracking, Curing, Extent, Service
from stripwise.scenario.problems import KeyPath, Problems
from stripwise.scenario.random_inputs import build_input
from stripwise.scenario.schema import (
    CrackingPart,
    ExtentPart,
    HistoryPart,
    RandomInput,
    ScenarioFile,
)
from stripwise.scenario.sections.curing import cited
from stripwise.scenario.service_rules import (
    CARBONATION_RULES,
    CRACKING_RULES,
    FRONT_FACTOR,
    RISE_DURATION,
)
from stripwise.units.names import name_problem
from stripwise.units.quantities import LENGTH, NUMBER, TIME

__all__ = ["MECHANISMS", "read_mechanisms", "read_service", "without_chloride"]

MECHANISMS = ("chloride", "carbonation")
DURATION = "exposure.surface_history.duration"
FACTOR = "model.front_factor"
PUBLISHED_RATES = ("rarely dry", "cyclic", "airborne", "tidal")
DEFAULTS = ("test_factor", "test_error", "co2", "curing_exponent", "weather_exponent")
"""Inputs of carbonation that the published model itself gives."""

CHLORIDE_KEYS = {
    "exposure": ("surface_chloride", "de_icing", "surface_history", "first_exposure"),
    "concrete": ("diffusivity", "ageing_exponent"),
    "reinforcement": ("critical_chloride",),
}
MOST_ROWS = 50


def read_mechanisms(file: ScenarioFile, problems: Problems) -> tuple[bool, bool]:
    """Return whether chloride and whether carbonation is at work; chloride alone by default."""
    path: KeyPath = ("exposure", "mechanisms")
    named = file.exposure.mechanisms
    if named is None:
        named = ["chloride"]
    elif not named:
        problems.add(path, f"must name one of {', '.join(MECHANISMS)}", found=named)
    for item in named:
        problems.choice(item, path, allowed=MECHANISMS)
    chloride, carbonation = (item in named for item in MECHANISMS)
    if carbonation and file.carbonation is None:
        problems.missing(
            ("carbonation",),
            "exposure.mechanisms names carbonation: write relative_humidity and "
            "inverse_resistance under it",
        )
    if file.carbonation is not None and not carbonation:
        problems.add(
            ("carbonation",),
            'is given, but exposure.mechanisms does not name it; write mechanisms = ["chloride", '
            '"carbonation"], or ["carbonation"] for a wall without chloride',
        )
    if not chloride:
        _refuse_chloride(file, problems)
    return chloride, carbonation


def _refuse_chloride(file: ScenarioFile, problems: Problems) -> None:
    for section, keys in CHLORIDE_KEYS.items():
        for key in keys:
            if getattr(getattr(file, section), key) is not None:
                problems.add(
                    (section, key),
                    "belongs to chloride, which exposure.mechanisms does not name; name it there "
                    "or leave this out",
                )


def read_service(
    file: ScenarioFile, *, chloride: bool, carbonation: bool, horizon: float, problems: Problems
) -> tuple[Service, list[Input]]:
    """Read the options of the physics.

    Parameters
    ----------
    file
        The file in its shape.
    chloride, carbonation
        From `read_mechanisms`.
    horizon
        Last age of the run [yr].
    problems
        Where to note.

    Returns
    -------
    The `Service` and its inputs, as far as they could be read.
    """
    inputs: list[Input | None] = []
    history, duration = None, ""
    if chloride and file.exposure.surface_history is not None:
        history, rise = _history(file.exposure.surface_history, horizon, problems)
        inputs.append(rise)
        duration = DURATION if history is not None and history.shape != "table" else ""
        _refuse_layered_fall(file, history, problems)
    if carbonation and file.carbonation is not None:
        inputs += [_carbonation(file, name, problems) for name in CARBONATION_INPUTS]
    cracking = None
    if file.cracking is not None:
        cracking, more = _cracking(file.cracking, problems)
        inputs += more
    factor = ""
    if file.model is not None and file.model.front_factor is not None:
        factor = FACTOR
        inputs.append(
            build_input(
                file.model.front_factor,
                ("model", "front_factor"),
                name=FACTOR,
                rule=FRONT_FACTOR,
                problems=problems,
            )
        )
    service = Service(
        chloride=chloride,
        carbonation=carbonation,
        history=history,
        duration_input=duration,
        first_month=_first_month(file, problems) if chloride else None,
        factor_input=factor,
        cracking=cracking,
        extent=None if file.extent is None else _extent(file.extent, problems),
    )
    return service, [item for item in inputs if item is not None]


def _refuse_layered_fall(
    file: ScenarioFile, history: SurfaceHistory | None, problems: Problems
) -> None:
    spec = file.curing.affected_depth
    whole = spec is None or (spec.bare and spec.value == "whole cover")
    if history is not None and history.falls and not whole:
        problems.add(
            ("exposure", "surface_history", "table"),
            "falls again, which cannot be combined with a penalty on a skin; let the shares stay "
            "at their highest, which is on the safe side, or write curing.affected_depth = "
            '"whole cover"',
        )


def _history(
    part: HistoryPart, horizon: float, problems: Problems
) -> tuple[SurfaceHistory | None, Input | None]:
    path: KeyPath = ("exposure", "surface_history")
    if part.shape is None:
        problems.missing((*path, "shape"), f"use one of {', '.join(SHAPES)}")
        return None, None
    before = len(problems.texts)
    shape = problems.choice(part.shape, (*path, "shape"), allowed=SHAPES)
    if len(problems.texts) > before:
        return None, None
    for key, there, used in (
        ("duration", part.duration, shape in ("linear", "square root")),
        ("table", part.table, shape == "table"),
    ):
        if there is not None and not used:
            problems.add((*path, key), f'is not used by shape = "{shape}"; leave it out')
    if shape == "constant":
        return None, None
    if shape == "table":
        return _table(part.table, (*path, "table"), horizon, problems), None
    if part.duration is None:
        problems.missing((*path, "duration"), 'how long the surface content rises, such as "15 yr"')
        return None, None
    rise = build_input(
        part.duration, (*path, "duration"), name=DURATION, rule=RISE_DURATION, problems=problems
    )
    return SurfaceHistory(shape), rise


def _table(
    rows: list[list[int | float | str]] | None, path: KeyPath, horizon: float, problems: Problems
) -> SurfaceHistory | None:
    if rows is None:
        problems.missing(path, 'rows of age and share of the level, such as [["0 yr", 0.2], ...]')
        return None
    before = len(problems.texts)
    if not 2 <= len(rows) <= MOST_ROWS or any(len(row) != 2 for row in rows):
        problems.add(path, f"must have 2 to {MOST_ROWS} rows of two: an age and a share")
        return None
    ages, shares = [], []
    for i, (age, share) in enumerate(rows):
        ages.append(
            problems.quantity(
                age,
                (*path, i),
                kind=TIME,
                to="year",
                low=(0.0, "0 yr"),
                high=(horizon, f"the horizon, {horizon:g} yr"),
            )
        )
        shares.append(
            problems.quantity(
                share, (*path, i), kind=NUMBER, to="", low=(0.0, "0"), high=(10.0, "10")
            )
        )
    if len(problems.texts) > before:
        return None
    if ages[0] != 0.0:
        problems.add((*path, 0), "the first age must be 0 yr", found=rows[0][0])
    if any(b <= a for a, b in itertools.pairwise(ages)):
        problems.add(path, "the ages must rise from row to row")
    if max(shares) == 0.0:
        problems.add(path, "a share must be above 0")
    if len(problems.texts) > before:
        return None
    return SurfaceHistory("table", tuple(ages), tuple(shares))


def _first_month(file: ScenarioFile, problems: Problems) -> int | None:
    raw, path = file.exposure.first_exposure, ("exposure", "first_exposure")
    if raw is None:
        return None
    before = len(problems.texts)
    month = problems.choice(raw, path, allowed=MONTHS)
    if file.exposure.monthly_temperature is None and file.exposure.temperature_series is None:
        problems.add(
            path, "needs monthly_temperature or temperature_series to integrate", found=raw
        )
    return None if len(problems.texts) > before else MONTHS.index(month)


def _carbonation(file: ScenarioFile, name: str, problems: Problems) -> Input | None:
    assert file.carbonation is not None
    spec: RandomInput | None = getattr(file.carbonation, name)
    rule, path = CARBONATION_RULES[name], ("carbonation", name)
    full = f"carbonation.{name}"
    if spec is not None:
        return build_input(spec, path, name=full, rule=rule, problems=problems)
    if name in DEFAULTS:
        entry = published_value(f"fib34.carbonation.{name}")
        law = distribution(entry.family, **dict(entry.numbers))
        return Input(full, rule.label, law, rule.unit, rule.group, rule.kind, cited(entry))
    if name in ("rain_share", "wet_share"):
        law = fixed(0.0)
        source = "default: a face sheltered from rain, the cautious reading"
        return Input(full, rule.label, law, rule.unit, rule.group, rule.kind, source)
    problems.missing(path, f'such as "{rule.quantity.example}", or a distribution')
    return None


def _cracking(part: CrackingPart, problems: Problems) -> tuple[Cracking, list[Input | None]]:
    rate, wet = _published_rate(part, problems)
    inputs: list[Input | None] = []
    for name, rule in CRACKING_RULES.items():
        spec: RandomInput | None = getattr(part, name)
        path: KeyPath = ("cracking", name)
        default = {"corrosion_rate": rate, "wet_share": wet}.get(name)
        if spec is not None:
            inputs.append(
                build_input(spec, path, name=".".join(map(str, path)), rule=rule, problems=problems)
            )
        elif default is not None:
            inputs.append(default)
        else:
            example = "0.75" if rule.quantity.dimensionless else f'"{rule.quantity.example}"'
            hint = "; or give published_rate" if name in ("corrosion_rate", "wet_share") else ""
            problems.missing(path, f"a value such as {example}, or a distribution{hint}")
    steel = part.steel
    if steel and (problem := name_problem(steel)):
        problems.add(("cracking", "steel"), problem, found=steel)
    return Cracking(steel, part.coated), inputs


def _published_rate(part: CrackingPart, problems: Problems) -> tuple[Input | None, Input | None]:
    if part.published_rate is None:
        return None, None
    path = ("cracking", "published_rate")
    before = len(problems.texts)
    problems.choice(part.published_rate, path, allowed=PUBLISHED_RATES)
    if part.corrosion_rate is not None:
        problems.add(path, "is given beside corrosion_rate; give one of them")
    if len(problems.texts) > before:
        for key in ("corrosion_rate", "wet_share"):
            problems.excuse(("cracking", key))
        return None, None
    entry = published_value(f"duracrete.corrosion_rate.{part.published_rate.replace(' ', '_')}")
    rule, wet = CRACKING_RULES["corrosion_rate"], CRACKING_RULES["wet_share"]
    # the source gives moments; a lognormal keeps the rate above zero
    law = distribution("lognormal", mean=entry.numbers["mean"], sd=entry.numbers["sd"])
    source = f"{cited(entry)}; lognormal is this project's choice"
    return (
        Input("cracking.corrosion_rate", rule.label, law, rule.unit, rule.group, rule.kind, source),
        Input(
            "cracking.wet_share",
            wet.label,
            fixed(entry.numbers["wet_share"]),
            wet.unit,
            wet.group,
            wet.kind,
            cited(entry),
        ),
    )


def _extent(part: ExtentPart, problems: Problems) -> Extent | None:
    sizes = {}
    for key, high in (("width", 1000.0), ("height", 1000.0), ("correlation_length", 1000.0)):
        raw, path = getattr(part, key), ("extent", key)
        if raw is None:
            problems.missing(path, 'a length such as "2 m"')
            sizes[key] = math.nan
            continue
        sizes[key] = problems.quantity(
            raw, path, kind=LENGTH, to="m", low=(0.05, "0.05 m"), high=(high, f"{high:g} m")
        )
    raw_shares = part.shares if part.shares is not None else [0.05, 0.1, 0.2]
    shares = [
        problems.quantity(
            raw,
            ("extent", "shares", i),
            kind=NUMBER,
            to="",
            low=(0.001, "0.001"),
            high=(0.999, "0.999"),
        )
        for i, raw in enumerate(raw_shares)
    ]
    for i, share in enumerate(shares):
        if share in shares[:i]:
            problems.add(("extent", "shares", i), "stands there twice", found=raw_shares[i])
    if any(math.isnan(x) for x in (*sizes.values(), *shares)):
        return None
    return Extent(
        sizes["width"], sizes["height"], sizes["correlation_length"], tuple(sorted(shares))
    )


def without_chloride(
    file: ScenarioFile, curing: Curing, inputs: list[Input], problems: Problems
) -> list[Input]:
    """Check and trim the curing of a wall without chloride, whose law is the carbonation model's.

    Parameters
    ----------
    file
        The file in its shape.
    curing
        Its curing as read.
    inputs
        Inputs of the curing law for chloride.
    problems
        Where to note.

    Returns
    -------
    The inputs that still count: none of the chloride law.
    """
    reference = constant("fib34.carbonation.reference_curing")
    if not math.isnan(curing.reference_d) and curing.reference_d != reference:
        problems.add(
            ("curing", "reference"),
            f'must be "{reference:g} d" without chloride: the carbonation model counts its '
            "resistance after that curing",
            found=file.curing.reference,
        )
    if curing.layered:
        problems.add(
            ("curing", "affected_depth"),
            'must be "whole cover" without chloride: the carbonation model knows no skin',
        )
    for index, strategy in enumerate(file.strategy):
        if strategy.penalty is not None:
            problems.add(
                ("strategy", index, "penalty"),
                "is a factor on the chloride diffusivity; without chloride leave it out",
            )
    return [item for item in inputs if not item.name.startswith("curing.")]
