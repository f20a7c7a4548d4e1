"""Which service conditions act on a wall, and what they add to a block of samples.

A wall without any of them has no `ServiceConditions`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from stripwise.ingress.carbonation import carbonation_rate, curing_term, weather_power
from stripwise.ingress.finite_volume.finite_volume_solver import Grid
from stripwise.ingress.finite_volume.numerical_front import DEFAULT_GRID, FrontHistory
from stripwise.ingress.season import monthly_deviations
from stripwise.ingress.surface_history.surface_chloride import SurfaceHistory

__all__ = [
    "CARBONATION",
    "CARBONATION_INPUTS",
    "COARSE_GRID",
    "CoatingInputs",
    "LayerInputs",
    "ServiceConditions",
    "ServiceSample",
]

Array = NDArray[np.float64]
Number = Array | float
Values = Mapping[str, Number]

COARSE_GRID = Grid(40, 10, 10)
"""Cells and steps where designs are compared, rather than a probability computed."""

CARBONATION = "carbonation."
CARBONATION_INPUTS = (
    "relative_humidity",
    "inverse_resistance",
    "test_factor",
    "test_error",
    "co2",
    "curing_exponent",
    "rain_share",
    "wet_share",
    "weather_exponent",
)


@dataclass(frozen=True, slots=True)
class LayerInputs:
    """Names of the inputs of one layer of the face; an empty name stands for 1.

    Attributes
    ----------
    thickness
        Thickness from the layer before, the first from the surface [mm].
    factor
        Diffusivity over that of the concrete behind all layers, both cured as the reference.
    penalty_share
        p of the penalty k_c^p that early stripping puts on the layer.
    """

    thickness: str
    factor: str = ""
    penalty_share: str = ""


@dataclass(frozen=True, slots=True)
class CoatingInputs:
    """Names of the inputs of a coating: either a resistance, or a thickness and a diffusivity.

    Attributes
    ----------
    life
        Age at which it ends [yr].
    resistance
        Thickness over diffusivity [yr/mm].
    thickness, diffusivity
        [mm] and [mm2/yr].
    """

    life: str
    resistance: str = ""
    thickness: str = ""
    diffusivity: str = ""


@dataclass(frozen=True, slots=True)
class ServiceSample:
    """Sampled service conditions of one block of faces, n of them.

    Attributes
    ----------
    duration
        Duration of the rise of the surface chloride [yr]; 1 where it has none.
    deviations
        (12, n) deviations of the months' temperature factors from their mean; None unless the
        seasons are integrated.
    carbonation
        Rate of carbonation of each strategy [mm2/yr]; empty without that mechanism.
    power
        Power of its weather function.
    factor
        Model uncertainty: factor on the front's depth.
    layers
        Thickness, factor and share of the penalty of each layer.
    coating
        Resistance [yr/mm] and life [yr] of a coating; None without one.
    roots_by_age, front_histories
        Cache: roots of the rise by age, numerical solutions by strategy.
    """

    duration: Number
    deviations: Array | None
    carbonation: tuple[Array, ...]
    power: Number
    factor: Number
    layers: tuple[tuple[Number, Number, Number], ...] = ()
    coating: tuple[Number, Number] | None = None
    roots_by_age: dict[float, Array] = field(default_factory=dict, repr=False, compare=False)
    front_histories: dict[int, FrontHistory] = field(
        default_factory=dict, repr=False, compare=False
    )


@dataclass(frozen=True, slots=True)
class ServiceConditions:
    """The service conditions that a wall is under.

    Attributes
    ----------
    history
        Surface chloride in time; None if constant.
    duration
        Name of the input with the duration of its rise; empty for a table.
    first_month
        Month of first exposure from which the seasons are integrated, 0 for January; None for the
        mean of the monthly factors.
    chloride, carbonation
        Mechanisms at work.
    model_factor
        Name of the input with the factor on the front's depth; empty for none.
    layers
        Layers of the face, the outermost first.
    coating
        A coating; None without one.
    horizon
        Age to which a face with layers or a coating is solved [yr].
    grid
        Cells and steps of that solution.
    """

    history: SurfaceHistory | None = None
    duration: str = ""
    first_month: int | None = None
    chloride: bool = True
    carbonation: bool = False
    model_factor: str = ""
    layers: tuple[LayerInputs, ...] = ()
    coating: CoatingInputs | None = None
    horizon: float = 0.0
    grid: Grid = field(default_factory=lambda: DEFAULT_GRID)

    @property
    def numerical(self) -> bool:
        """Whether the front is a numerical solution."""
        return bool(self.layers) or self.coating is not None

    def sample(
        self, values: Values, *, monthly: Sequence[float], days: Sequence[Number]
    ) -> ServiceSample:
        """Combine sampled inputs by name, (n,) or a number, into a `ServiceSample`.

        `monthly` are twelve temperatures [K], `days` the effective curing of each strategy [d].
        """
        deviations = None
        if self.first_month is not None and self.chloride:
            deviations = monthly_deviations(monthly, values["concrete.temperature_coefficient"])
        rates: tuple[Array, ...] = ()
        power: Number = 0.0
        if self.carbonation:
            inputs = {name: values[CARBONATION + name] for name in CARBONATION_INPUTS}
            rates = tuple(
                carbonation_rate(
                    humidity=inputs["relative_humidity"],
                    curing=curing_term(d, inputs["curing_exponent"]),
                    inverse_resistance=inputs["inverse_resistance"],
                    test_factor=inputs["test_factor"],
                    test_error=inputs["test_error"],
                    co2=inputs["co2"],
                )
                for d in days
            )
            power = weather_power(
                inputs["rain_share"], inputs["wet_share"], inputs["weather_exponent"]
            )
        return ServiceSample(
            duration=values[self.duration] if self.duration else 1.0,
            deviations=deviations,
            carbonation=rates,
            power=power,
            factor=values[self.model_factor] if self.model_factor else 1.0,
            layers=tuple(
                (
                    values[layer.thickness],
                    values[layer.factor] if layer.factor else 1.0,
                    values[layer.penalty_share] if layer.penalty_share else 1.0,
                )
                for layer in self.layers
            ),
            coating=None if self.coating is None else _coating(self.coating, values),
        )


def _coating(names: CoatingInputs, values: Values) -> tuple[Number, Number]:
    if names.resistance:
        return values[names.resistance], values[names.life]
    return values[names.thickness] / values[names.diffusivity], values[names.life]
