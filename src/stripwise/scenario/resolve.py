"""From the shape of a file to a scenario in internal units."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from stripwise.curing.laws import CuringLaw
from stripwise.distributions.random_input import Input
from stripwise.scenario.doubtful_values import doubtful_values
from stripwise.scenario.draw_table import DrawTable
from stripwise.scenario.engine import read_keys
from stripwise.scenario.input_warnings import published_spread_warning, truncation_warning
from stripwise.scenario.model import Scenario
from stripwise.scenario.problems import Problems
from stripwise.scenario.references import References
from stripwise.scenario.scenario_table import ScenarioTable
from stripwise.scenario.sections.chloride_basis import Contents, basis_warnings
from stripwise.scenario.sections.choices import check_choices, read_choices
from stripwise.scenario.sections.concrete import Concrete, read_concrete, specimens_warning
from stripwise.scenario.sections.concrete_temperatures import (
    stand_in_temperature,
    temperature_warnings,
)
from stripwise.scenario.sections.correlations import read_correlations
from stripwise.scenario.sections.cost import read_cost
from stripwise.scenario.sections.curing import read_curing
from stripwise.scenario.sections.exposure import read_contents, read_exposure
from stripwise.scenario.sections.face_types import read_face_types
from stripwise.scenario.sections.interventions import INTERVENTION_NOTE, read_interventions
from stripwise.scenario.sections.knowledge import read_knowledge
from stripwise.scenario.sections.layers import (
    check_layers,
    credit_warning,
    numerical_sampling,
    read_layers,
)
from stripwise.scenario.sections.reinforcement import (
    cover_bias,
    read_reinforcement,
    with_mean_sd_split,
)
from stripwise.scenario.sections.retention import (
    every_retention,
    retention_inputs,
    retention_warnings,
)
from stripwise.scenario.sections.service import (
    read_mechanisms,
    read_service,
    skin_within_cover,
    without_chloride,
)
from stripwise.scenario.sections.strategies import (
    fit_warnings,
    read_reference,
    read_strategies,
)
from stripwise.scenario.sections.strategy_names import check_names
from stripwise.scenario.sections.target import (
    epistemic_for_confidence,
    read_sampling,
    read_target,
)
from stripwise.scenario.sections.temperature_series import read_series
from stripwise.scenario.shapes import ContentTable

__all__ = ["resolve"]

CONTENTS = ("surface_chloride", "initial_chloride", "critical_chloride")
"""Keys of chloride contents."""


def resolve(  # noqa: PLR0915 - one step a section
    file: ScenarioTable,
    *,
    path: Path,
    digest: str,
    problems: Problems,
    references: References,
    allow_outside: bool = False,
    draws: DrawTable | None = None,
    law: CuringLaw | None = None,
) -> Scenario:
    """Convert every value, check it, and build the scenario.

    `problems` holds what was wrong with the shape, and `references` what the file took from other
    files; `draws` are joint draws and `law` a curing law that come from no file.

    Raises
    ------
    ScenarioError
        With every problem of the file.
    """
    target = read_target(file.target, problems)
    sampling = read_sampling(file.sampling, target, file.target, problems=problems)
    chloride, carbonation = read_mechanisms(file, problems)
    contents, monthly, concrete = Contents(), tuple[float, ...](), Concrete()
    inputs, concrete_inputs = list[Input](), list[Input]()
    if chloride:
        contents = read_contents(file.exposure, problems)
        series = _series(
            file, path, files=references.files, allow_outside=allow_outside, problems=problems
        )
        monthly, inputs = read_exposure(file.exposure, contents, series=series, problems=problems)
        concrete, concrete_inputs = read_concrete(file.concrete, problems)
    service, service_inputs = read_service(
        file,
        chloride=chloride,
        carbonation=carbonation,
        horizon=sampling.horizon,
        problems=problems,
    )
    curing, curing_inputs = read_curing(
        file.curing,
        problems,
        chloride=chloride,
        temperature=stand_in_temperature(file),
        law=law,
    )
    strategies = read_strategies(
        file.strategy, curing=curing, fits=references.penalties, problems=problems
    )
    check_names(file.strategy, strategies, problems)
    choices = read_choices(
        file.choices,
        temperature=curing.temperature,
        planned=strategies.strategies,
        problems=problems,
    )
    planned = [strategy.follow_up for strategy in strategies.strategies]
    follow_ups = [*planned, *(choices.follow_up if choices else ())]
    steel = read_reinforcement(
        file.reinforcement, contents if chloride else None, problems=problems
    )
    inputs += [*concrete_inputs, *steel, *service_inputs]
    options = {"carbonation": file.carbonation is not None, "cracking": file.cracking is not None}
    inputs = with_mean_sd_split(inputs, options, problems)
    layering = read_layers(file.layer, file.coating, chloride=chloride, problems=problems)
    inputs += layering.inputs
    check_layers(layering, service, inputs, horizon=sampling.horizon, problems=problems)
    sampling, fewer = numerical_sampling(layering, sampling)
    if not chloride:
        curing_inputs = without_chloride(file, curing, curing_inputs, problems)
    retentions = retention_inputs(file.curing.retention, every_retention(), problems)
    used = {item.retention_input for item in follow_ups}
    inputs += curing_inputs + [item for item in retentions if item.name in used]
    inputs += strategies.inputs
    if choices is not None and file.choices is not None:
        check_choices(
            choices,
            file.choices,
            inputs,
            bias=cover_bias(file.reinforcement),
            zone=file.exposure.convection_zone,
            chloride=chloride,
            problems=problems,
        )
    skin_within_cover(file, inputs, problems)
    cost = read_cost(
        file.cost, service_life=target.service_life, follow_ups=follow_ups, problems=problems
    )
    interventions = read_interventions(file.intervention, cost, problems)
    labels = {
        **read_keys(file, (), problems),
        **read_keys(file.exposure, ("exposure",), problems, only=("class",)),
        **read_keys(file.report, ("report",), problems),
    }
    reference = read_reference(file.reference_strategy, strategies.strategies, problems)
    correlations = read_correlations(
        file.correlation,
        inputs,
        shared=strategies.shared,
        fitted=strategies.fitted,
        problems=problems,
    )
    inputs, joint, told = read_knowledge(
        draws or file.knowledge,
        inputs,
        scales=_content_scales(file, contents),
        correlations=correlations,
        aliases={
            f"strategy.{found.entry}.penalty": strategies.strategies[at].penalty_input
            for at, found in references.penalties.items()
        },
        folder=path.parent,
        files=references.files,
        allow_outside=allow_outside,
        problems=problems,
    )
    concrete_types = read_face_types(file.concrete_type, "concrete_type", problems)
    exposure_types = read_face_types(file.exposure_type, "exposure_type", problems)
    given = all(plan.penalty_input for plan in strategies.strategies)
    unused = curing_inputs if given else ()
    epistemic_for_confidence(target, file.target, inputs, unused=unused, problems=problems)
    problems.raise_all()
    warnings = [
        *told,
        fewer,
        INTERVENTION_NOTE if interventions else "",
        credit_warning(layering),
        *temperature_warnings(
            file,
            strategies.strategies,
            among_choices=curing.temperature if choices else None,
        ),
        *(truncation_warning(item) for item in inputs),
        published_spread_warning(inputs),
        *doubtful_values(
            inputs,
            target=target,
            choices=choices,
            strategies=strategies.strategies,
            curing=curing,
            cost=cost,
            bias=cover_bias(file.reinforcement),
        ),
    ]
    warnings += basis_warnings(inputs, contents.basis)
    warnings += retention_warnings(file.curing.retention, follow_ups)
    warnings += fit_warnings(
        references.penalties, strategies.strategies, curing=curing, has_choices=choices is not None
    )
    if chloride:
        specimens = file.concrete.specimens
        warnings.append(specimens_warning(specimens, concrete, reference_d=curing.reference_d))
    return Scenario(
        path=path,
        draws=joint,
        content_scales=_content_scales(file, contents),
        binder_content=contents.binder,
        concrete_density=contents.density,
        digest=digest,
        title=labels["title"] or path.stem,
        exposure_class=labels["class"] or "",
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
        specimens_in_water=concrete.in_water,
        ageing_convention=concrete.ageing_convention,
        exposure_age_d=concrete.exposure_age_d,
        ageing_ends=concrete.ageing_ends,
        chloride_basis=contents.basis,
        units=labels["units"],
        data_files=tuple(references.files.items()),
        warnings=tuple(warning for warning in warnings if warning),
        retentions=tuple(retentions),
        cost=cost,
        interventions=interventions,
        cover_bias=cover_bias(file.reinforcement),
        concrete_types=concrete_types,
        exposure_types=exposure_types,
        service=replace(
            service,
            layers=layering.layers,
            coating=layering.coating,
            uncredited_coating=layering.uncredited,
        ),
    )


def _content_scales(file: ScenarioTable, contents: Contents) -> dict[str, float]:
    """Return how contents are converted, by input, where they are not by mass of binder."""
    sections = (("exposure", file.exposure), ("reinforcement", file.reinforcement))
    tables = {
        f"{name}.{key}": table
        for name, section in sections
        for key in CONTENTS
        if isinstance(table := getattr(section, key, None), ContentTable)
    }
    if not contents.basis:  # reported already, or no chloride
        return {}
    scales = {name: contents.scale(table) for name, table in tables.items()}
    return {name: scale for name, scale in scales.items() if scale != 1.0}


def _series(
    file: ScenarioTable,
    path: Path,
    *,
    files: dict[str, str],
    allow_outside: bool,
    problems: Problems,
) -> tuple[float, ...]:
    name = file.exposure.temperature_series
    if name is None:
        return ()
    return read_series(
        name, folder=path.parent, files=files, allow_outside=allow_outside, problems=problems
    )
