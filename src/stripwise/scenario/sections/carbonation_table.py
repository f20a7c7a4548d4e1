"""The [carbonation] section."""

from __future__ import annotations

from types import MappingProxyType
from typing import Annotated

from stripwise.distributions.random_input import Input
from stripwise.scenario.engine import inputs_of, read_keys
from stripwise.scenario.fields import (
    ABOVE_0,
    FROM_0,
    PLAIN,
    SHARE,
    Bounds,
    Default,
    Measure,
    Random,
)
from stripwise.scenario.problems import Problems
from stripwise.scenario.shapes import RandomInput, Table
from stripwise.units.quantities import Kind

__all__ = ["CarbonationTable", "read_carbonation"]

HUMIDITY = Measure(
    Kind("a relative humidity", MappingProxyType({"%": "percent"}), "75 %"), "% RH", "percent"
)
RESISTANCES = {
    "m^2/s/(kg/m^3)": "m ** 2 / second / (kg / m ** 3)",
    "m2/s/(kg/m3)": "m ** 2 / second / (kg / m ** 3)",
    "mm^2/yr/(kg/m^3)": "mm ** 2 / year / (kg / m ** 3)",
    "mm2/yr/(kg/m3)": "mm ** 2 / year / (kg / m ** 3)",
}
RESISTANCE = Measure(
    Kind(
        "an inverse carbonation resistance", MappingProxyType(RESISTANCES), "6.8e-11 m^2/s/(kg/m^3)"
    ),
    "mm2/yr/(kg/m3)",
    RESISTANCES["mm2/yr/(kg/m3)"],
)
DENSITIES = {"kg/m^3": "kg / m ** 3", "kg/m3": "kg / m ** 3"}
CARBON_DIOXIDE = Measure(
    Kind("a content of carbon dioxide", MappingProxyType(DENSITIES), "8.2e-4 kg/m^3"),
    "kg/m3",
    DENSITIES["kg/m3"],
)

SHELTERED = Default(
    family="fixed",
    numbers=(("mean", 0.0),),
    source="default: a face sheltered from rain, the cautious reading",
)


class CarbonationTable(Table):
    """[carbonation]."""

    relative_humidity: Annotated[
        RandomInput | None,
        Random(
            "Relative humidity of the air.",
            "relative humidity",
            HUMIDITY,
            "exposure",
            usual=(40.0, 100.0),
            usual_words="40 % to 100 %",
            usual_sd=(0.2, 20.0),
            usual_bounds=(0.0, 100.0),
            bounds=Bounds(40.0, 100.0),
            needed="such as {}, or a distribution",
            example='"75 %"',
        ),
    ] = None
    inverse_resistance: Annotated[
        RandomInput | None,
        Random(
            "Inverse carbonation resistance of the accelerated test.",
            "inverse carbonation resistance",
            RESISTANCE,
            "concrete",
            usual=(30.0, 20_000.0),
            usual_words="0.1e-11 to 63e-11 m^2/s/(kg/m^3)",
            usual_cov=(0.01, 1.5),
            usual_bounds=(0.0, 100_000.0),
            bounds=ABOVE_0,
            needed="such as {}, or a distribution",
            example='"6.8e-11 m^2/s/(kg/m^3)"',
        ),
    ] = None
    test_factor: Annotated[
        RandomInput | None,
        Random(
            "Factor k_t from the accelerated to the natural test.",
            "factor of the carbonation test",
            PLAIN,
            "concrete",
            usual=(0.2, 5.0),
            usual_cov=(0.01, 1.0),
            usual_bounds=(0.0, 10.0),
            bounds=ABOVE_0,
            kind="knowledge",
            default=Default("fib34.carbonation.test_factor"),
        ),
    ] = None
    test_error: Annotated[
        RandomInput | None,
        Random(
            "Error eps_t of the accelerated test.",
            "error of the carbonation test",
            RESISTANCE,
            "concrete",
            usual=(-2000.0, 2000.0),
            usual_words="-2000 to 2000 mm^2/yr/(kg/m^3)",
            usual_sd=(1.0, 1000.0),
            usual_bounds=(-5000.0, 5000.0),
            kind="knowledge",
            default=Default("fib34.carbonation.test_error"),
        ),
    ] = None
    co2: Annotated[
        RandomInput | None,
        Random(
            "Carbon dioxide in the air.",
            "carbon dioxide",
            CARBON_DIOXIDE,
            "exposure",
            usual=(1e-4, 2e-2),
            usual_words="1e-4 to 2e-2 kg/m^3",
            usual_cov=(0.01, 1.0),
            usual_bounds=(0.0, 0.1),
            bounds=ABOVE_0,
            default=Default("fib34.carbonation.co2"),
        ),
    ] = None
    curing_exponent: Annotated[
        RandomInput | None,
        Random(
            "Exponent b_c of the curing term.",
            "curing exponent of carbonation",
            PLAIN,
            "curing",
            usual=(-2.0, 0.0),
            usual_sd=(0.002, 0.5),
            usual_bounds=(-3.0, 0.0),
            kind="knowledge",
            default=Default("fib34.carbonation.curing_exponent"),
        ),
    ] = None
    rain_share: Annotated[
        RandomInput | None,
        Random(
            "Probability of driving rain on the face.",
            "probability of driving rain",
            PLAIN,
            "exposure",
            usual=(0.0, 1.0),
            usual_sd=(0.002, 0.5),
            usual_bounds=(0.0, 1.0),
            bounds=SHARE,
            default=SHELTERED,
        ),
    ] = None
    wet_share: Annotated[
        RandomInput | None,
        Random(
            "Share of days with rain.",
            "share of days with rain",
            PLAIN,
            "exposure",
            usual=(0.0, 1.0),
            usual_sd=(0.002, 0.5),
            usual_bounds=(0.0, 1.0),
            bounds=SHARE,
            default=SHELTERED,
        ),
    ] = None
    weather_exponent: Annotated[
        RandomInput | None,
        Random(
            "Exponent b_w of the weather function.",
            "weather exponent of carbonation",
            PLAIN,
            "exposure",
            usual=(0.0, 2.0),
            usual_sd=(0.002, 0.8),
            usual_bounds=(0.0, 3.0),
            bounds=FROM_0,
            kind="knowledge",
            default=Default("fib34.carbonation.weather_exponent"),
        ),
    ] = None


def read_carbonation(table: CarbonationTable, problems: Problems) -> list[Input]:
    """Read [carbonation]: its inputs, as far as they could be read."""
    return inputs_of(read_keys(table, ("carbonation",), problems))
