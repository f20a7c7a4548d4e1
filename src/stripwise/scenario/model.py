"""A scenario after reading: every value checked and in internal units, nothing left to parse."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from stripwise.distributions.random_input import Correlation, Input
from stripwise.ingress.surface_history.surface_chloride import SurfaceHistory
from stripwise.risk.model.service_conditions import CoatingInputs, LayerInputs

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
class Target:
    """Durability target: probability of depassivation allowed within the service life.

    `service_life` in years; `probability` and `reliability_index` say the same thing.
    """

    service_life: float
    probability: float
    reliability_index: float


@dataclass(frozen=True, slots=True)
class FollowUp:
    """Curing after stripping.

    Attributes
    ----------
    method
        "none", "sheet", "membrane", "wet covering" or "kept wet".
    duration_h
        Duration [h]; 0 for "none".
    temperature
        Concrete temperature meanwhile [degC].
    face
        "vertical" or "horizontal".
    retention_input
        Name of the input that holds its moisture retention; empty for "none".
    """

    method: str
    duration_h: float
    temperature: float
    face: str
    retention_input: str

    @property
    def label(self) -> str:
        """Short words for a table, such as "sheet 3 d"."""
        if self.method == "none":
            return "none"
        days = self.duration_h / 24.0
        length = f"{days:g} d" if days >= 1 else f"{self.duration_h:g} h"
        return f"{self.method} {length}"


@dataclass(frozen=True, slots=True)
class Strategy:
    """One way to strip and cure a face.

    Attributes
    ----------
    name
        As the scenario gives it.
    slug
        Name for files.
    strip_age_input
        Name of the input that holds the strip age [h].
    temperature
        Concrete temperature until stripping [degC].
    follow_up
        Curing after stripping.
    penalty_input
        Name of the input that holds a given penalty factor; empty where the law gives it.
    penalty_origin
        File and name there of a penalty out of a fit, as words; empty for any other.
    model_factor_input
        Name of the input that multiplies the penalty, from laboratory to field; empty for none.
    """

    name: str
    slug: str
    strip_age_input: str
    temperature: float
    follow_up: FollowUp
    penalty_input: str = ""
    penalty_origin: str = ""
    model_factor_input: str = ""


@dataclass(frozen=True, slots=True)
class Curing:
    """How curing is turned into a penalty factor.

    Attributes
    ----------
    reference_d
        Curing of the concrete that the diffusivity belongs to, at the reference temperature [d].
    maturity
        "arrhenius" or "nurse-saul".
    activation_temperature
        Q of the Arrhenius function [K].
    datum_temperature
        T0 of the Nurse-Saul function [degC].
    reference_temperature
        Temperature at which an hour counts as an hour [degC].
    temperature
        Concrete temperature of the choices and the default of the strategies [degC].
    layered
        Whether only the affected depth is penalised.
    law_input, early_slope_input
        Names of the inputs of the default law: its quantile u on [0, 1] and the normal variate
        eta of the slope below one day.
    affected_depth_input
        Name of the input with the affected depth [mm]; empty for the whole cover.
    model_factor_input
        Name of the factor on penalties out of a fit, from laboratory to field; empty for none.
    """

    reference_d: float
    maturity: str
    activation_temperature: float
    datum_temperature: float
    reference_temperature: float
    temperature: float
    layered: bool
    law_input: str
    early_slope_input: str
    affected_depth_input: str
    model_factor_input: str = ""


@dataclass(frozen=True, slots=True)
class ConcreteOption:
    """Another concrete on the table: its `name`, and the `inputs` that it puts in place."""

    name: str
    inputs: tuple[Input, ...]


@dataclass(frozen=True, slots=True)
class Choices:
    """Ranges of the decisions on the table; None where the scenario does not open one.

    `cover` (low, high, step) in mm of mean cover; `strip_age` (low, high) in h; `cover_sd` in mm,
    empty where the execution is no choice; `concretes` besides that of the scenario.
    """

    cover: tuple[float, float, float]
    strip_age: tuple[float, float]
    follow_up: tuple[FollowUp, ...]
    cover_sd: tuple[float, ...] = ()
    concretes: tuple[ConcreteOption, ...] = ()


@dataclass(frozen=True, slots=True)
class Cost:
    """Prices per m2 of face in one currency, and how later payments are discounted.

    Attributes
    ----------
    currency
        Code of three letters.
    forms
        Hire, crew and delay [per m2 and h].
    follow_up
        By method: price per m2, and per m2 and h of its duration.
    cover
        Each mm of cover more [per m2 and mm].
    repair
        A repair after depassivation [per m2].
    instalments
        (years after depassivation, share of the price) of each part of a repair.
    rate
        Real discount rate per year, as a share.
    horizon
        Age after which nothing is paid [yr].
    """

    currency: str
    forms: float
    follow_up: Mapping[str, tuple[float, float]]
    cover: float
    repair: float
    instalments: tuple[tuple[float, float], ...]
    rate: float
    horizon: float


@dataclass(frozen=True, slots=True)
class Sampling:
    """Sizes of the sample; `points` per repeat is a power of two, `horizon` in years."""

    points: int
    repeats: int
    seed: int
    horizon: float


@dataclass(frozen=True, slots=True)
class Cracking:
    """What follows depassivation, as far as the first crack.

    `steel` is a label, such as a grade with its standard. `coated` says that the bars are coated,
    of which no credit is taken. The numbers are inputs named ``cracking.*``.
    """

    steel: str
    coated: bool


@dataclass(frozen=True, slots=True)
class Extent:
    """The face whose corroding share is asked for.

    `width`, `height` and `correlation_length` in m, the last 0 for points that do not know each
    other and inf for a face that fares alike; `shares` of the face that an owner acts on, in
    (0, 1).
    """

    width: float
    height: float
    correlation_length: float
    shares: tuple[float, ...]


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
    cover_bias
        Mean cover less nominal cover, as the file gives it [mm].
    service
        Options of the physics.
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
    cover_bias: float = 0.0
    service: Service = Service()

    def input(self, name: str) -> Input:
        """Return the input of that name.

        Raises
        ------
        KeyError
            If there is none.
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
        """
        for item in self.strategies:
            if item.name == name:
                return item
        raise KeyError(name)
