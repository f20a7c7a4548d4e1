"""What each input of the options of the physics may be."""

from __future__ import annotations

from types import MappingProxyType

from stripwise.distributions.random_input import Input
from stripwise.scenario.input_rules import Rule
from stripwise.scenario.problems import Problems
from stripwise.units.quantities import LENGTH, NUMBER, TIME, Kind

__all__ = [
    "CARBONATION_RULES",
    "CRACKING_RULES",
    "FRONT_FACTOR",
    "RISE_DURATION",
    "skin_within_cover",
]

HUMIDITY = Kind("a relative humidity", MappingProxyType({"%": "percent"}), "75 %")
STRESS = Kind(
    "a strength",
    MappingProxyType({"MPa": "MPa", "N/mm^2": "MPa", "N/mm2": "MPa", "psi": "psi", "ksi": "ksi"}),
    "2.5 MPa",
)
RATE = Kind(
    "a corrosion rate",
    MappingProxyType(
        {
            "um/yr": "um / year",
            "\u00b5m/yr": "um / year",
            "mm/yr": "mm / year",
            "mil/yr": "0.001 * inch / year",
        }
    ),
    "30 um/yr",
)
RESISTANCE = Kind(
    "an inverse carbonation resistance",
    MappingProxyType(
        {
            "m^2/s/(kg/m^3)": "m ** 2 / second / (kg / m ** 3)",
            "m2/s/(kg/m3)": "m ** 2 / second / (kg / m ** 3)",
            "mm^2/yr/(kg/m^3)": "mm ** 2 / year / (kg / m ** 3)",
            "mm2/yr/(kg/m3)": "mm ** 2 / year / (kg / m ** 3)",
        }
    ),
    "6.8e-11 m^2/s/(kg/m^3)",
)
CARBON_DIOXIDE = Kind(
    "a content of carbon dioxide",
    MappingProxyType({"kg/m^3": "kg / m ** 3", "kg/m3": "kg / m ** 3"}),
    "8.2e-4 kg/m^3",
)
PER_DENSITY = "mm ** 2 / year / (kg / m ** 3)"

RISE_DURATION = Rule(
    "duration of the rise of surface chloride",
    "exposure",
    TIME,
    "yr",
    "year",
    (0.05, 200.0),
    "0.05 yr to 200 yr",
    low=0.0,
    open_low=True,
)
FRONT_FACTOR = Rule(
    "model uncertainty of the front",
    "concrete",
    NUMBER,
    "",
    "",
    (0.5, 2.0),
    "0.5 to 2",
    low=0.0,
    open_low=True,
    kind="knowledge",
)

CARBONATION_RULES = {
    "relative_humidity": Rule(
        "relative humidity",
        "exposure",
        HUMIDITY,
        "% RH",
        "percent",
        (40.0, 100.0),
        "40 % to 100 %",
        low=40.0,
        high=100.0,
    ),
    "inverse_resistance": Rule(
        "inverse carbonation resistance",
        "concrete",
        RESISTANCE,
        "mm2/yr/(kg/m3)",
        PER_DENSITY,
        (30.0, 20_000.0),
        "0.1e-11 to 63e-11 m^2/s/(kg/m^3)",
        low=0.0,
        open_low=True,
    ),
    "test_factor": Rule(
        "factor of the carbonation test",
        "concrete",
        NUMBER,
        "",
        "",
        (0.2, 5.0),
        "0.2 to 5",
        low=0.0,
        open_low=True,
    ),
    "test_error": Rule(
        "error of the carbonation test",
        "concrete",
        RESISTANCE,
        "mm2/yr/(kg/m3)",
        PER_DENSITY,
        (-2000.0, 2000.0),
        "-2000 to 2000 mm^2/yr/(kg/m^3)",
    ),
    "co2": Rule(
        "carbon dioxide",
        "exposure",
        CARBON_DIOXIDE,
        "kg/m3",
        "kg / m ** 3",
        (1e-4, 2e-2),
        "1e-4 to 2e-2 kg/m^3",
        low=0.0,
        open_low=True,
    ),
    "curing_exponent": Rule(
        "curing exponent of carbonation",
        "curing",
        NUMBER,
        "",
        "",
        (-2.0, 0.0),
        "-2 to 0",
    ),
    "rain_share": Rule(
        "probability of driving rain",
        "exposure",
        NUMBER,
        "",
        "",
        (0.0, 1.0),
        "0 to 1",
        low=0.0,
        high=1.0,
    ),
    "wet_share": Rule(
        "share of days with rain",
        "exposure",
        NUMBER,
        "",
        "",
        (0.0, 1.0),
        "0 to 1",
        low=0.0,
        high=1.0,
    ),
    "weather_exponent": Rule(
        "weather exponent of carbonation",
        "exposure",
        NUMBER,
        "",
        "",
        (0.0, 2.0),
        "0 to 2",
        low=0.0,
    ),
}

CRACKING_RULES = {
    "bar_diameter": Rule(
        "bar diameter",
        "steel",
        LENGTH,
        "mm",
        "mm",
        (5.0, 60.0),
        "5 mm to 60 mm",
        low=0.0,
        open_low=True,
    ),
    "tensile_strength": Rule(
        "tensile strength of the concrete",
        "concrete",
        STRESS,
        "MPa",
        "MPa",
        (0.5, 8.0),
        "0.5 to 8 MPa",
        low=0.0,
        open_low=True,
    ),
    "corrosion_rate": Rule(
        "corrosion rate while wet",
        "steel",
        RATE,
        "um/yr",
        "um / year",
        (0.1, 500.0),
        "0.1 to 500 um/yr",
        low=0.0,
        open_low=True,
    ),
    "wet_share": Rule(
        "share of time wet",
        "exposure",
        NUMBER,
        "",
        "",
        (0.0, 1.0),
        "0 to 1",
        low=0.0,
        high=1.0,
        open_low=True,
    ),
}


def skin_within_cover(inputs: list[Input], problems: Problems) -> None:
    """Refuse a penalised skin that is on average thicker than the cover.

    Parameters
    ----------
    inputs
        Inputs as far as they could be read.
    problems
        Where to note.
    """
    means = {item.name: item.distribution.mean for item in inputs}
    skin, cover = (means.get(n) for n in ("curing.affected_depth", "reinforcement.cover"))
    if skin is not None and cover is not None and skin > cover:
        problems.add(
            ("curing", "affected_depth"),
            f"is on average {skin:.3g} mm, thicker than the mean cover of {cover:.3g} mm; write "
            '"whole cover" where all of it is penalised',
        )
