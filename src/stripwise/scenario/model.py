"""A scenario after reading: every value checked and in internal units, nothing left to parse."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from stripwise.distributions.joint_draws import JointDraws
from stripwise.distributions.random_input import Correlation, Input
from stripwise.errors import InputError
from stripwise.ingress.surface_history.surface_chloride import SurfaceHistory
from stripwise.risk.model.own_front import Depth, FrontModel
from stripwise.risk.model.service_conditions import CoatingInputs, LayerInputs
from stripwise.scenario.changes import changed
from stripwise.scenario.sections.choices import Choices, ConcreteOption
from stripwise.scenario.sections.cost import Cost
from stripwise.scenario.sections.cracking_table import Cracking
from stripwise.scenario.sections.curing import Curing
from stripwise.scenario.sections.extent_table import Extent
from stripwise.scenario.sections.follow_up_table import FollowUp
from stripwise.scenario.sections.interventions import Intervention
from stripwise.scenario.sections.strategies import Strategy
from stripwise.scenario.sections.target import Sampling, Target
from stripwise.units.source_files import SourceFile

__all__ = [
    "Choices",
    "ConcreteOption",
    "Cost",
    "Cracking",
    "Curing",
    "Extent",
    "FollowUp",
    "Sampling",
    "Scenario",
    "Service",
    "Strategy",
    "Target",
]


@dataclass(frozen=True, slots=True)
class Service:
    """Options of the physics; what is not asked for is absent.

    Attributes
    ----------
    chloride, carbonation
        Mechanisms.
    history
        Surface chloride in time, None if constant; `duration_input` names its duration [yr].
    first_month
        Month of first exposure, 0 for January, from which the seasons are integrated; else None.
    factor_input
        Name of the input with the factor on the front's depth; empty for none.
    cracking, extent
        See their classes.
    layers, coating
        Layers of the face, the outermost first, and its coating.
    uncredited_coating
        Whether the face has a coating of which no credit is taken.
    """

    chloride: bool = True
    carbonation: bool = False
    history: SurfaceHistory | None = None
    duration_input: str = ""
    first_month: int | None = None
    factor_input: str = ""
    cracking: Cracking | None = None
    extent: Extent | None = None
    layers: tuple[LayerInputs, ...] = ()
    coating: CoatingInputs | None = None
    uncredited_coating: bool = False

    @property
    def numerical(self) -> bool:
        """Whether the chloride front is a numerical solution."""
        return bool(self.layers) or self.coating is not None

    @property
    def changes_front(self) -> bool:
        """Whether any option touches the front, so that the plain path does not serve."""
        return (
            not self.chloride
            or self.carbonation
            or self.history is not None
            or self.first_month is not None
            or bool(self.factor_input)
            or self.numerical
        )


@dataclass(frozen=True, slots=True)
class Scenario:
    """A whole scenario in internal units.

    Attributes
    ----------
    path
        File it was read from.
    digest
        SHA-256 of the file's bytes, hexadecimal.
    title, exposure_class
        Labels without effect on the numbers.
    target, curing, strategies, choices, sampling
        See their classes; `choices` is None without a [choices] section.
    reference_strategy
        Name of the strategy the others are compared with.
    inputs
        Every input, random or fixed, in a fixed order; names are unique.
    correlations
        Rank correlations between inputs.
    monthly_temperature
        Twelve monthly means [degC], or empty where exposure.temperature is an input.
    diffusivity_age_d
        Age t_ref of the diffusivity [d].
    test_factor
        k_t, from the test to the structure.
    ageing_convention
        "apparent" or "instantaneous".
    exposure_age_d
        Concrete age at first exposure t_ex [d]; used by the instantaneous convention.
    ageing_ends
        Age since exposure at which ageing stops [yr]; inf if never.
    chloride_basis
        "binder" or "concrete", as the file gives its contents.
    units
        "SI" or "US", for the report.
    warnings
        What the reader of the results must know about the input, one sentence each.
    retentions
        Moisture retention of every method and face, used by a strategy or not.
    data_files
        Name, as the file gives it, and SHA-256 of each further file that was read.
    cost
        Prices; None without a [cost] section.
    interventions
        What may be done to the faces of an inventory later on.
    cover_bias
        Mean cover less nominal cover, as the file gives it [mm].
    specimens_in_water
        Whether the diffusivity belongs to specimens kept in water to 28 d.
    service
        Options of the physics.
    concrete_types, exposure_types
        Names of the blocks that the faces of an inventory choose from.
    raw
        The file as read, before anything else was done to it.
    builder
        Makes a scenario of such tables.
    draws
        Joint draws of what is epistemic; None where each input has its own distribution.
    front_model
        A front model of the caller's own; None for the chloride front.
    content_scales
        Per cent of binder over the per cent that the file writes an input in, where not 1.
    binder_content, concrete_density
        [kg/m3]; NaN where the file gives none.
    """

    path: Path
    digest: str
    title: str
    exposure_class: str
    target: Target
    reference_strategy: str
    strategies: tuple[Strategy, ...]
    inputs: tuple[Input, ...]
    correlations: tuple[Correlation, ...]
    curing: Curing
    choices: Choices | None
    sampling: Sampling
    monthly_temperature: tuple[float, ...]
    diffusivity_age_d: float
    test_factor: float
    ageing_convention: str
    exposure_age_d: float
    ageing_ends: float
    chloride_basis: str
    units: str
    warnings: tuple[str, ...]
    retentions: tuple[Input, ...] = ()
    data_files: tuple[tuple[str, str], ...] = ()
    cost: Cost | None = None
    interventions: tuple[Intervention, ...] = ()
    cover_bias: float = 0.0
    specimens_in_water: bool = False
    service: Service = Service()
    draws: JointDraws | None = None
    front_model: FrontModel | Depth | None = None
    content_scales: Mapping[str, float] = field(default_factory=dict)
    binder_content: float = math.nan
    concrete_density: float = math.nan
    concrete_types: tuple[str, ...] = ()
    exposure_types: tuple[str, ...] = ()
    raw: Mapping[str, Any] = field(default_factory=dict, repr=False, compare=False)
    builder: Callable[..., Scenario] | None = field(default=None, repr=False, compare=False)

    @property
    def sources(self) -> tuple[SourceFile, ...]:
        """The file itself and every further one that was read for it."""
        further = (SourceFile(name, digest) for name, digest in self.data_files)
        return (SourceFile(self.path.name, self.digest), *further)

    @property
    def nominal_cover(self) -> float:
        """Cover of the drawings [mm]."""
        return self.input("reinforcement.cover").distribution.parent_mean - self.cover_bias

    def replace(self, changes: Mapping[str, Any]) -> Scenario:
        """Return the case with other values by dotted key, in the units of the file.

        `{"reinforcement.cover.nominal": "50 mm", "target.probability": 0.05}`; a strategy goes by
        its name, "strategy.Forms 24 h.strip_age"; None takes a key away. Errors are those of a
        file.

        Examples
        --------
        >>> import stripwise
        >>> case = stripwise.load("scenarios/garage-wall.toml")
        >>> case.replace({"target.probability": 0.05}).target.probability
        0.05
        """
        if self.builder is None:
            raise InputError("scenario", "was not read from a file or a dict; nothing to change")
        return self.builder(changed(self.raw, changes), path=self.path)

    def __repr__(self) -> str:
        """Name the case."""
        return f"<Scenario {self.title!r}: {len(self.strategies)} strategies>"

    def input(self, name: str) -> Input:
        """Return the input of that name.

        Raises
        ------
        KeyError
            If there is none.

        Examples
        --------
        >>> import stripwise
        >>> case = stripwise.load("scenarios/garage-wall.toml")
        >>> case.input("reinforcement.cover").unit
        'mm'
        """
        for item in self.inputs:
            if item.name == name:
                return item
        raise KeyError(name)

    def strategy(self, name: str) -> Strategy:
        """Return the strategy of that name.

        Raises
        ------
        KeyError
            If there is none.

        Examples
        --------
        >>> import stripwise
        >>> stripwise.load("scenarios/garage-wall.toml").strategy("Forms 24 h").name
        'Forms 24 h'
        """
        for item in self.strategies:
            if item.name == name:
                return item
        raise KeyError(name)
