"""Options of the physics as the wall carries them, and what they draw for one cell of faces.

A wall without any of them has no `Conditions` at all and never comes here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from stripwise.ingress.carbonation import carbonation_rate, curing_term, weather_power
from stripwise.ingress.season import month_departures
from stripwise.ingress.surface import SurfaceHistory

__all__ = ["CARBONATION", "CARBONATION_INPUTS", "Conditions", "Extras"]

Array = NDArray[np.float64]
Number = Array | float
Values = Mapping[str, Number]

CARBONATION = "carbonation."
CARBONATION_INPUTS = (
    "relative_humidity", "inverse_resistance", "test_factor", "test_error", "co2",
    "curing_exponent", "rain_share", "wet_share", "weather_exponent",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Extras:
    """What the options draw for one cell of faces, n of them.

    Attributes
    ----------
    duration
        Duration of the rise of the surface chloride [yr]; 1 where it has none.
    departures
        (12, n) departures of the months' temperature factors from their mean; None unless the
        seasons are integrated.
    carbonation
        Rate of carbonation of each strategy [mm2/yr]; empty without that mechanism.
    power
        Power of its weather function.
    factor
        Model uncertainty: factor on the front's depth.
    roots
        Roots of the rise already found, by age, for who asks the same cell twice.
    """

    duration: Number
    departures: Array | None
    carbonation: tuple[Array, ...]
    power: Number
    factor: Number
    roots: dict[float, Array] = field(default_factory=dict, repr=False, compare=False)


@dataclass(frozen=True, slots=True)
class Conditions:
    """Options of the physics that a wall is under.

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
    """

    history: SurfaceHistory | None = None
    duration: str = ""
    first_month: int | None = None
    chloride: bool = True
    carbonation: bool = False
    model_factor: str = ""

    def extras(self, values: Values, *, monthly: Sequence[float], days: Sequence[Number]) -> Extras:
        """Combine drawn inputs.

        Parameters
        ----------
        values
            Every input by name, (n,) or a number.
        monthly
            Twelve monthly temperatures [K]; used where the seasons are integrated.
        days
            Effective curing duration of each strategy [d].

        Returns
        -------
        The `Extras`.
        """
        departures = None
        if self.first_month is not None and self.chloride:
            departures = month_departures(monthly, values["concrete.temperature_coefficient"])
        rates: tuple[Array, ...] = ()
        power: Number = 0.0
        if self.carbonation:
            own = {name: values[CARBONATION + name] for name in CARBONATION_INPUTS}
            rates = tuple(
                carbonation_rate(
                    humidity=own["relative_humidity"],
                    curing=curing_term(d, own["curing_exponent"]),
                    inverse_resistance=own["inverse_resistance"],
                    test_factor=own["test_factor"],
                    test_error=own["test_error"],
                    co2=own["co2"],
                )
                for d in days
            )
            power = weather_power(own["rain_share"], own["wet_share"], own["weather_exponent"])
        return Extras(
            duration=values[self.duration] if self.duration else 1.0,
            departures=departures,
            carbonation=rates,
            power=power,
            factor=values[self.model_factor] if self.model_factor else 1.0,
        )
