"""Shape of a scenario file: which keys there are and whether a number, text or table stands there.

Nothing is required and nothing converted here, so that one wrong key never hides the next.
"""

from __future__ import annotations

from typing import Annotated, Any, ClassVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

__all__ = [
    "BareInput",
    "BarePenalty",
    "CarbonationPart",
    "ChoicesPart",
    "CoatingPart",
    "ConcreteOptionPart",
    "ConcretePart",
    "CorrelationPart",
    "CostPart",
    "CrackingPart",
    "CuringPart",
    "DeIcingPart",
    "ExposurePart",
    "ExtentPart",
    "FollowUpPart",
    "HistoryPart",
    "InstalmentPart",
    "LayerPart",
    "ModelPart",
    "PenaltyPart",
    "RandomInput",
    "RangePart",
    "ReinforcementPart",
    "ReportPart",
    "SamplingPart",
    "ScenarioFile",
    "StrategyPart",
    "TargetPart",
]

TEXT_LIMIT = 500
"""Longest text of a label or a source in characters."""


def _scalar(raw: Any) -> Any:
    if isinstance(raw, bool) or not isinstance(raw, int | float | str):
        raise ValueError("must be a number or a text of a number and a unit")
    return raw


def _text(raw: Any) -> Any:
    if not isinstance(raw, str):
        raise ValueError("must be a text in quotation marks")
    if len(raw) > TEXT_LIMIT:
        raise ValueError(f"has {len(raw)} characters; at most {TEXT_LIMIT} are allowed")
    return raw


def _flag(raw: Any) -> Any:
    if not isinstance(raw, bool):
        raise ValueError("must be true or false")
    return raw


def _whole(raw: Any) -> Any:
    if isinstance(raw, bool) or not isinstance(raw, int):
        raise ValueError("must be a whole number")
    return raw


def _bare(raw: Any) -> Any:
    if isinstance(raw, dict | RandomInput):
        return raw
    if isinstance(raw, bool) or not isinstance(raw, int | float | str):
        raise ValueError("must be a value, or a table such as { family = ..., mean = ... }")
    return BareInput(family="fixed", value=raw)


Scalar = Annotated[int | float | str, BeforeValidator(_scalar)]
Text = Annotated[str, BeforeValidator(_text)]
Flag = Annotated[bool, BeforeValidator(_flag)]
Whole = Annotated[int, BeforeValidator(_whole)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class RandomInput(_Part):
    """An input as a table; `BareInput` where the file has a value alone."""

    bare: ClassVar[bool] = False
    family: Text | None = None
    value: Scalar | None = None
    mean: Scalar | None = None
    nominal: Scalar | None = None
    bias: Scalar | None = None
    mean_doubt: Scalar | None = None
    sd: Scalar | None = None
    cov: Scalar | None = None
    low: Scalar | None = None
    high: Scalar | None = None
    kind: Text | None = None
    source: Text | None = None
    basis: Text | None = None
    unusual: Flag = False
    plausible: Flag = False
    origin: Text | None = Field(default=None, alias="from")


class BareInput(RandomInput):
    """A fixed input that stands in the file as a value alone."""

    bare: ClassVar[bool] = True


class PenaltyPart(RandomInput):
    """A penalty factor that replaces the curing law."""

    dependence: Text | None = None
    entry: Text | None = Field(default=None, alias="as")


class BarePenalty(PenaltyPart):
    """A fixed penalty factor that stands in the file as a value alone."""

    bare: ClassVar[bool] = True


def _bare_penalty(raw: Any) -> Any:
    if isinstance(raw, dict | PenaltyPart):
        return raw
    _bare(raw)
    return BarePenalty(family="fixed", value=raw)


Spec = Annotated[RandomInput, BeforeValidator(_bare)]


class TargetPart(_Part):
    """[target]."""

    service_life: Scalar | None = None
    probability: Scalar | None = None
    reliability_index: Scalar | None = None


class HistoryPart(_Part):
    """Surface chloride in time."""

    shape: Text | None = None
    duration: Spec | None = None
    table: list[list[Scalar]] | None = None


class DeIcingPart(_Part):
    """Splash of de-icing salt beside a road, in place of a surface chloride."""

    distance: Scalar | None = None
    height: Scalar | None = None
    cov: Scalar | None = None


class ExposurePart(_Part):
    """[exposure]."""

    label: Text = Field(default="", alias="class")
    temperature: Spec | None = None
    monthly_temperature: list[Scalar] | None = None
    surface_chloride: Spec | None = None
    initial_chloride: Spec | None = None
    convection_zone: Spec | None = None
    chloride_basis: Text | None = None
    binder_content: Scalar | None = None
    density: Scalar | None = None
    mechanisms: list[Text] | None = None
    temperature_series: Text | None = None
    first_exposure: Text | None = None
    surface_history: HistoryPart | None = None
    de_icing: DeIcingPart | None = None


class ConcretePart(_Part):
    """[concrete]."""

    diffusivity: Spec | None = None
    diffusivity_age: Scalar = "28 d"
    specimens: Text | None = None
    ageing_exponent: Spec | None = None
    ageing_convention: Text = "apparent"
    exposure_age: Scalar = "28 d"
    ageing_ends: Scalar | None = None
    test_factor: Scalar = 1
    temperature_coefficient: Spec | None = None


class ReinforcementPart(_Part):
    """[reinforcement]."""

    cover: Spec | None = None
    critical_chloride: Spec | None = None


class CuringPart(_Part):
    """[curing]."""

    reference: Scalar | None = None
    concrete_temperature: Scalar | None = None
    affected_depth: Spec | None = None
    maturity: Text = "arrhenius"
    activation_temperature: Scalar | None = None
    datum_temperature: Scalar | None = None
    reference_temperature: Scalar | None = None
    early_slope: Spec | None = None
    model_factor: Spec | None = None
    retention: dict[str, dict[str, Spec]] = Field(default_factory=dict)


class FollowUpPart(_Part):
    """Curing after stripping."""

    method: Text | None = None
    duration: Scalar | None = None
    temperature: Scalar | None = None
    face: Text = "vertical"


class StrategyPart(_Part):
    """[[strategy]]."""

    name: Text | None = None
    strip_age: Spec | None = None
    concrete_temperature: Scalar | None = None
    follow_up: FollowUpPart | None = None
    penalty: Annotated[PenaltyPart, BeforeValidator(_bare_penalty)] | None = None


class CarbonationPart(_Part):
    """[carbonation]."""

    relative_humidity: Spec | None = None
    inverse_resistance: Spec | None = None
    test_factor: Spec | None = None
    test_error: Spec | None = None
    co2: Spec | None = None
    curing_exponent: Spec | None = None
    rain_share: Spec | None = None
    wet_share: Spec | None = None
    weather_exponent: Spec | None = None


class LayerPart(_Part):
    """[[layer]]."""

    thickness: Spec | None = None
    diffusivity_factor: Spec | None = None
    penalty_share: Spec | None = None


class CoatingPart(_Part):
    """[coating]."""

    credit: Flag = False
    resistance: Spec | None = None
    thickness: Spec | None = None
    diffusivity: Spec | None = None
    life: Spec | None = None


class CrackingPart(_Part):
    """[cracking]."""

    bar_diameter: Spec | None = None
    tensile_strength: Spec | None = None
    corrosion_rate: Spec | None = None
    wet_share: Spec | None = None
    published_rate: Text | None = None
    steel: Text = ""
    coated: Flag = False


class ExtentPart(_Part):
    """[extent]."""

    width: Scalar | None = None
    height: Scalar | None = None
    correlation_length: Scalar | None = None
    shares: list[Scalar] | None = None


class ModelPart(_Part):
    """[model]."""

    front_factor: Spec | None = None


class RangePart(_Part):
    """A range of a choice."""

    low: Scalar | None = None
    high: Scalar | None = None
    step: Scalar | None = None


class ConcreteOptionPart(_Part):
    """Another concrete on the table."""

    name: Text | None = None
    diffusivity: Spec | None = None
    ageing_exponent: Spec | None = None
    temperature_coefficient: Spec | None = None


class ChoicesPart(_Part):
    """[choices]."""

    cover: RangePart | None = None
    strip_age: RangePart | None = None
    follow_up: list[FollowUpPart] | None = None
    cover_sd: list[Scalar] | None = None
    concrete: list[ConcreteOptionPart] | None = None


def _price(raw: Any) -> Any:
    if isinstance(raw, dict):
        return {str(key): _scalar(item) for key, item in raw.items()}
    return _scalar(raw)


class InstalmentPart(_Part):
    """One part of a repair."""

    after: Scalar | None = None
    share: Scalar | None = None


class CostPart(_Part):
    """[cost]."""

    forms: Annotated[Any, BeforeValidator(_price)] = None
    follow_up: dict[str, Scalar] = Field(default_factory=dict)
    cover: Scalar | None = None
    repair: Scalar | None = None
    repair_parts: list[InstalmentPart] | None = None
    real_rate: Scalar | None = None
    nominal_rate: Scalar | None = None
    inflation: Scalar | None = None
    horizon: Scalar | None = None


class SamplingPart(_Part):
    """[sampling]."""

    points: Whole = 16384
    repeats: Whole = 16
    seed: Whole = 1
    horizon: Scalar | None = None


class ReportPart(_Part):
    """[report]."""

    units: Text = "SI"


class CorrelationPart(_Part):
    """[[correlation]]."""

    between: list[Text] | None = None
    rank: Scalar | None = None


class ScenarioFile(_Part):
    """The whole file."""

    title: Text | None = None
    reference_strategy: Text | None = None
    target: TargetPart | None = None
    exposure: ExposurePart = ExposurePart()
    concrete: ConcretePart = ConcretePart()
    reinforcement: ReinforcementPart = ReinforcementPart()
    curing: CuringPart = CuringPart()
    carbonation: CarbonationPart | None = None
    layer: list[LayerPart] = Field(default_factory=list)
    coating: CoatingPart | None = None
    cracking: CrackingPart | None = None
    extent: ExtentPart | None = None
    model: ModelPart | None = None
    strategy: list[StrategyPart] = Field(default_factory=list)
    choices: ChoicesPart | None = None
    cost: CostPart | None = None
    correlation: list[CorrelationPart] = Field(default_factory=list)
    sampling: SamplingPart = SamplingPart()
    report: ReportPart = ReportPart()
