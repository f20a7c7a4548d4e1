"""From the shape of a file to a scenario in internal units."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

from stripwise.distributions.random_input import Input
from stripwise.scenario.bounds import truncation_warning
from stripwise.scenario.fitted_strategies import fit_warnings
from stripwise.scenario.model import FollowUp, Scenario
from stripwise.scenario.problems import KeyPath, Problems
from stripwise.scenario.references import References
from stripwise.scenario.schema import ScenarioFile
from stripwise.scenario.sections.chloride_basis import Contents, basis_warnings, read_contents
from stripwise.scenario.sections.choices import check_cover_sd, cover_above_zone, read_choices
from stripwise.scenario.sections.correlations import read_correlations
from stripwise.scenario.sections.cost import read_cost
from stripwise.scenario.sections.curing import (
    FACES,
    METHODS,
    cold_warning,
    read_curing,
    retention_name,
)
from stripwise.scenario.sections.layers import (
    check_layers,
    credit_warning,
    numerical_sampling,
    read_layers,
)
from stripwise.scenario.sections.materials import (
    Concrete,
    cover_bias,
    mean_doubt_alone,
    read_concrete,
    read_exposure,
    read_reinforcement,
    specimens_warning,
)
from stripwise.scenario.sections.retention import retention_inputs, retention_warnings
from stripwise.scenario.sections.service import (
    read_mechanisms,
    read_service,
    without_chloride,
)
from stripwise.scenario.sections.strategies import read_reference, read_strategies
from stripwise.scenario.sections.target import read_sampling, read_target
from stripwise.scenario.sections.temperature_series import read_series
from stripwise.scenario.service_rules import skin_within_cover
from stripwise.units.names import name_problem

__all__ = ["resolve"]

UNITS = ("SI", "US")


def resolve(
    file: ScenarioFile,
    *,
    path: Path,
    digest: str,
    problems: Problems,
    references: References,
    allow_outside: bool = False,
) -> Scenario:
    """Convert every value, check it, and build the scenario.

    Parameters
    ----------
    file
        The file in its shape.
    path
        Where it was read from.
    digest
        SHA-256 of its bytes.
    problems
        What was wrong with the shape; more is noted here.
    references
        What the file took from other files.
    allow_outside
        Whether data outside the scenario's folder may be read.

    Returns
    -------
    The `Scenario`.

    Raises
    ------
    ScenarioError
        With every problem of the file.
    """
    target = read_target(file.target, problems)
    sampling = read_sampling(file.sampling, target, problems=problems)
    chloride, carbonation = read_mechanisms(file, problems)
    contents = read_contents(file.exposure, problems) if chloride else NO_CONTENTS
    monthly: tuple[float, ...] = ()
    inputs: list[Input] = []
    concrete, concrete_inputs = NO_CONCRETE, list[Input]()
    if chloride:
        series = _series(file, path, allow_outside=allow_outside, problems=problems)
        monthly, inputs = read_exposure(file.exposure, contents, series=series, problems=problems)
        concrete, concrete_inputs = read_concrete(file.concrete, problems)
    service, service_inputs = read_service(
        file,
        chloride=chloride,
        carbonation=carbonation,
        horizon=sampling.horizon,
        problems=problems,
    )
    curing, curing_inputs = read_curing(file.curing, problems)
    strategies = read_strategies(
        file.strategy, curing=curing, fits=references.penalties, problems=problems
    )
    choices = read_choices(
        file.choices,
        temperature=curing.temperature,
        planned=strategies.strategies,
        problems=problems,
    )
    follow_ups = [strategy.follow_up for strategy in strategies.strategies]
    follow_ups += choices.follow_up if choices else ()
    inputs += concrete_inputs
    inputs += read_reinforcement(
        file.reinforcement, contents if chloride else None, problems=problems
    )
    inputs += service_inputs
    mean_doubt_alone(file, problems)
    layering = read_layers(file, chloride=chloride, problems=problems)
    inputs += layering.inputs
    check_layers(layering, service, inputs, horizon=sampling.horizon, problems=problems)
    sampling, fewer = numerical_sampling(layering, sampling)
    if not chloride:
        curing_inputs = without_chloride(file, curing, curing_inputs, problems)
    retentions = retention_inputs(file.curing, _every_follow_up(), problems)
    used = {item.retention_input for item in follow_ups}
    inputs += curing_inputs + [item for item in retentions if item.name in used]
    inputs += strategies.inputs
    cover_above_zone(choices, inputs, problems=problems)
    check_cover_sd(choices, inputs, problems=problems)
    if choices is not None and choices.concretes and not chloride:
        problems.add(("choices", "concrete"), "belongs to chloride ingress; leave it out")
    skin_within_cover(inputs, problems)
    cost = read_cost(
        file.cost, service_life=target.service_life, follow_ups=follow_ups, problems=problems
    )
    title = _title(file.title, problems)
    exposure_class = _label(file.exposure.label, ("exposure", "class"), problems)
    units = problems.choice(file.report.units, ("report", "units"), allowed=UNITS)
    reference = read_reference(file.reference_strategy, strategies.strategies, problems)
    correlations = read_correlations(
        file.correlation,
        inputs,
        shared=strategies.shared,
        fitted=strategies.fitted,
        problems=problems,
    )
    problems.raise_all()
    warnings = [
        fewer,
        credit_warning(layering),
        cold_warning(strategies.strategies, among_choices=curing.temperature if choices else None),
        *(truncation_warning(item) for item in inputs),
    ]
    warnings += basis_warnings(inputs, contents.basis)
    warnings += retention_warnings(file.curing, follow_ups)
    warnings += fit_warnings(
        references.penalties,
        strategies.strategies,
        curing=curing,
        has_choices=choices is not None,
    )
    if chloride:
        warnings.append(
            specimens_warning(file.concrete.specimens, concrete, reference_d=curing.reference_d)
        )
    return Scenario(
        path=path,
        digest=digest,
        title=title,
        exposure_class=exposure_class,
        target=target,
        reference_strategy=reference,
        strategies=strategies.strategies,
        inputs=tuple(inputs),
        correlations=correlations,
        curing=curing,
        choices=choices,
        sampling=sampling,
        monthly_temperature=monthly,
        diffusivity_age_d=concrete.diffusivity_age_d,
        test_factor=concrete.test_factor,
        ageing_convention=concrete.ageing_convention,
        exposure_age_d=concrete.exposure_age_d,
        ageing_ends=concrete.ageing_ends,
        chloride_basis=contents.basis,
        units=units,
        data_files=tuple(references.files.items()),
        warnings=tuple(warning for warning in warnings if warning),
        retentions=tuple(retentions),
        cost=cost,
        cover_bias=cover_bias(file.reinforcement),
        service=replace(
            service,
            layers=layering.layers,
            coating=layering.coating,
            uncredited_coating=layering.uncredited,
        ),
    )


def _every_follow_up() -> list[FollowUp]:
    """Every method on every face, so that unused retentions are read and checked too."""
    return [
        FollowUp(method, 0.0, 0.0, face, retention_name(method, face))
        for method in METHODS[1:]
        for face in FACES
    ]


NO_CONTENTS = Contents("", math.nan, math.nan)
NO_CONCRETE = Concrete(28.0, 28.0, math.inf, 1.0, "apparent")
"""Stand in where no chloride is looked at."""


def _series(
    file: ScenarioFile, path: Path, *, allow_outside: bool, problems: Problems
) -> tuple[float, ...]:
    name = file.exposure.temperature_series
    if name is None:
        return ()
    return read_series(name, folder=path.parent, allow_outside=allow_outside, problems=problems)


def _title(raw: str | None, problems: Problems) -> str:
    if raw is None:
        problems.missing(("title",), "one line that names the wall and the question")
        return ""
    return _label(raw, ("title",), problems, blank=False)


def _label(raw: str, path: KeyPath, problems: Problems, *, blank: bool = True) -> str:
    if blank and not raw:
        return raw
    if problem := name_problem(raw):
        problems.add(path, problem, found=raw)
    return raw
