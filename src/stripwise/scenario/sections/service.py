"""The options of the physics together: mechanisms, seasons, and what they rule out elsewhere."""

from __future__ import annotations

import math

from stripwise.distributions.random_input import Input
from stripwise.ingress.season import MONTHS
from stripwise.ingress.surface_history.surface_chloride import SurfaceHistory
from stripwise.published import constant
from stripwise.risk.model.service_options import combination
from stripwise.scenario.as_written import written_mean
from stripwise.scenario.engine import inputs_of, read_keys
from stripwise.scenario.model import Service
from stripwise.scenario.problems import KeyPath, Problems
from stripwise.scenario.scenario_table import ScenarioTable
from stripwise.scenario.sections.carbonation_table import read_carbonation
from stripwise.scenario.sections.cracking_table import read_cracking
from stripwise.scenario.sections.curing import Curing
from stripwise.scenario.sections.exposure import MECHANISMS
from stripwise.scenario.sections.extent_table import read_extent
from stripwise.scenario.sections.surface_table import read_history

__all__ = ["read_mechanisms", "read_service", "skin_within_cover", "without_chloride"]

CHLORIDE_KEYS = {
    "exposure": ("surface_chloride", "de_icing", "surface_history", "first_exposure"),
    "concrete": ("diffusivity", "ageing_exponent"),
    "reinforcement": ("critical_chloride",),
}


def read_mechanisms(file: ScenarioTable, problems: Problems) -> tuple[bool, bool]:
    """Read whether chloride and whether carbonation is at work; chloride alone unless told."""
    path: KeyPath = ("exposure", "mechanisms")
    named = file.exposure.mechanisms
    if named is None:
        named = ["chloride"]
    elif not named:
        problems.add(path, f"must name one of {', '.join(MECHANISMS)}", found=named)
    read_keys(file.exposure, ("exposure",), problems, only=("mechanisms",))
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


def _refuse_chloride(file: ScenarioTable, problems: Problems) -> None:
    for section, keys in CHLORIDE_KEYS.items():
        for key in keys:
            if getattr(getattr(file, section), key) is not None:
                problems.add(
                    (section, key),
                    "belongs to chloride, which exposure.mechanisms does not name; name it there "
                    "or leave this out",
                )


def read_service(
    file: ScenarioTable, *, chloride: bool, carbonation: bool, horizon: float, problems: Problems
) -> tuple[Service, list[Input]]:
    """Read the options of the physics and their inputs, as far as they could be read.

    `horizon` is the last age of the run [yr].
    """
    inputs: list[Input] = []
    history, duration = None, ""
    if chloride and file.exposure.surface_history is not None:
        history, rise = read_history(file.exposure.surface_history, horizon, problems)
        inputs += [] if rise is None else [rise]
        if history is not None and history.shape != "table":
            duration = "exposure.surface_history.duration"
        _refuse_layered_fall(file, history, problems)
    if carbonation and file.carbonation is not None:
        inputs += read_carbonation(file.carbonation, problems)
    cracking = None
    if file.cracking is not None:
        cracking, more = read_cracking(file.cracking, problems)
        inputs += more
    factor = ""
    if file.model is not None:
        inputs += inputs_of(read_keys(file.model, ("model",), problems))
        factor = "" if file.model.front_factor is None else "model.front_factor"
    service = Service(
        chloride=chloride,
        carbonation=carbonation,
        history=history,
        duration_input=duration,
        first_month=_first_month(file, problems) if chloride else None,
        factor_input=factor,
        cracking=cracking,
        extent=None if file.extent is None else read_extent(file.extent, problems),
    )
    return service, inputs


def _refuse_layered_fall(
    file: ScenarioTable, history: SurfaceHistory | None, problems: Problems
) -> None:
    depth = file.curing.affected_depth
    whole = depth is None or (depth.bare and depth.value == "whole cover")
    if history is not None and history.falls and not whole:
        problems.add(
            ("exposure", "surface_history", "table"),
            combination("fall", "skin"),
        )


def _first_month(file: ScenarioTable, problems: Problems) -> int | None:
    raw, before = file.exposure.first_exposure, len(problems)
    month = read_keys(file.exposure, ("exposure",), problems, only=("first_exposure",))
    if raw is None:
        return None
    if file.exposure.monthly_temperature is None and file.exposure.temperature_series is None:
        problems.add(
            ("exposure", "first_exposure"),
            "needs monthly_temperature or temperature_series to integrate",
            found=raw,
        )
    return None if len(problems) > before else MONTHS.index(month["first_exposure"])


def without_chloride(
    file: ScenarioTable, curing: Curing, inputs: list[Input], problems: Problems
) -> list[Input]:
    """Check and trim the curing of a wall without chloride, whose law is the carbonation model's.

    Of the `inputs` of the curing law for chloride none is left.
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


def skin_within_cover(file: ScenarioTable, inputs: list[Input], problems: Problems) -> None:
    """Refuse a penalised skin that is on average thicker than the cover."""
    by_name = {item.name: item for item in inputs}
    skin, cover = (by_name.get(n) for n in ("curing.affected_depth", "reinforcement.cover"))
    if skin and cover and skin.distribution.mean > cover.distribution.mean:
        depth = written_mean(file.curing.affected_depth, skin)
        problems.add(
            ("curing", "affected_depth"),
            f"is on average {depth}, thicker than the mean cover of "
            f"{written_mean(file.reinforcement.cover, cover)}; write "
            '"whole cover" where all of it is penalised',
        )
