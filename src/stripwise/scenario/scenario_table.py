"""The whole file: its tables by name."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from stripwise.scenario.fields import Key, Text
from stripwise.scenario.sections.carbonation_table import CarbonationTable
from stripwise.scenario.sections.choices import ChoicesTable
from stripwise.scenario.sections.concrete import ConcreteTable
from stripwise.scenario.sections.correlations import CorrelationTable
from stripwise.scenario.sections.cost import CostTable
from stripwise.scenario.sections.cracking_table import CrackingTable
from stripwise.scenario.sections.curing import CuringTable
from stripwise.scenario.sections.exposure import ExposureTable
from stripwise.scenario.sections.extent_table import ExtentTable, ModelTable
from stripwise.scenario.sections.face_types import ConcreteTypeTable, ExposureTypeTable
from stripwise.scenario.sections.interventions import InterventionTable
from stripwise.scenario.sections.knowledge import KnowledgeTable
from stripwise.scenario.sections.layers import CoatingTable, LayerTable
from stripwise.scenario.sections.reinforcement import ReinforcementTable
from stripwise.scenario.sections.strategies import StrategyTable
from stripwise.scenario.sections.target import ReportTable, SamplingTable, TargetTable
from stripwise.scenario.shapes import String, Table

__all__ = ["ScenarioTable"]


class ScenarioTable(Table):
    """The whole file."""

    title: Annotated[
        String | None,
        Text(
            "Title of the report; the name of the file unless given.",
            shown=True,
            blank=False,
            example='"Garage wall: when may the forms go?"',
        ),
    ] = None
    reference_strategy: Annotated[
        String | None,
        Text(
            "Name of the strategy that the others are compared with; the first unless given.",
            example='"Forms 36 h"',
        ),
    ] = None
    target: Annotated[
        TargetTable | None,
        Key(
            "What the wall must reach.",
            needed="write [target] with service_life and probability",
        ),
    ] = None
    exposure: ExposureTable = ExposureTable()
    concrete: ConcreteTable = ConcreteTable()
    reinforcement: ReinforcementTable = ReinforcementTable()
    curing: CuringTable = CuringTable()
    carbonation: CarbonationTable | None = None
    layer: list[LayerTable] = Field(default_factory=list)
    coating: CoatingTable | None = None
    cracking: CrackingTable | None = None
    extent: ExtentTable | None = None
    model: ModelTable | None = None
    strategy: Annotated[
        list[StrategyTable],
        Key(
            "One way to strip and cure the face.",
            needed="write at least one [[strategy]] with name and strip_age",
        ),
    ] = Field(default_factory=list)
    knowledge: KnowledgeTable | None = None
    choices: ChoicesTable | None = None
    cost: CostTable | None = None
    intervention: list[InterventionTable] = Field(default_factory=list)
    correlation: list[CorrelationTable] = Field(default_factory=list)
    concrete_type: list[ConcreteTypeTable] = Field(default_factory=list)
    exposure_type: list[ExposureTypeTable] = Field(default_factory=list)
    sampling: SamplingTable = SamplingTable()
    report: ReportTable = ReportTable()
