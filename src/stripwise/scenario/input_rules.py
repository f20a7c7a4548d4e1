"""What each input of a scenario may be: its words, unit, physical bounds and usual range."""

from __future__ import annotations

import math
from dataclasses import dataclass

from stripwise.units.quantities import (
    COEFFICIENT,
    DIFFUSIVITY,
    LENGTH,
    NUMBER,
    TEMPERATURE,
    TIME,
    Kind,
)

__all__ = [
    "AFFECTED_DEPTH",
    "AGEING_EXPONENT",
    "CONVECTION_ZONE",
    "COVER",
    "CRITICAL_CHLORIDE",
    "DIFFUSIVITY_RULE",
    "EARLY_SLOPE",
    "EXPOSURE_TEMPERATURE",
    "INITIAL_CHLORIDE",
    "MEAN_COVER",
    "MODEL_FACTOR",
    "PENALTY",
    "RETENTION",
    "STRIP_AGE",
    "SURFACE_CHLORIDE",
    "TEMPERATURE_COEFFICIENT",
    "Rule",
]


BEYOND = 1000.0
"""Factor on the usual range within which `unusual = true` is believed."""


@dataclass(frozen=True, slots=True)
class Rule:
    """What an input may be.

    Attributes
    ----------
    label
        Words for a reader.
    group
        Group of the sensitivity analysis.
    quantity
        Kind of quantity.
    unit
        Internal unit, as `stripwise.distributions.random_input.Input` names it.
    pint_unit
        The same by pint's name.
    usual
        (low, high) of the mean, in `unit`; a mean outside is taken for a slip of units unless
        the file says `unusual = true`.
    usual_words
        The same in the units of the trade.
    low, high
        Physical bounds, in `unit`.
    open_low
        Whether the lower bound itself is impossible.
    kind
        Whether the input is scatter or knowledge unless the file says so.
    possible
        (low, high) of the mean beyond which even `unusual = true` is refused, in `unit`; a factor
        of 1000 around `usual` unless given. Zero is judged by `low` alone.
    possible_words
        The same in the units of the trade.
    largest_sd
        Largest sd even with `unusual = true`, in `unit`.
    """

    label: str
    group: str
    quantity: Kind
    unit: str
    pint_unit: str
    usual: tuple[float, float]
    usual_words: str
    low: float = -math.inf
    high: float = math.inf
    open_low: bool = False
    kind: str = "scatter"
    possible: tuple[float, float] | None = None
    possible_words: str = ""
    largest_sd: float = math.inf

    @property
    def ends(self) -> tuple[float, float]:
        """Lowest and highest mean that can be computed with."""
        return self.possible or (self.usual[0] / BEYOND, self.usual[1] * BEYOND)


EXPOSURE_TEMPERATURE = Rule(
    "temperature of exposure",
    "exposure",
    TEMPERATURE,
    "K",
    "K",
    (253.15, 323.15),
    "-20 degC to 50 degC",
    possible=(213.15, 353.15),
    possible_words="-60 degC to 80 degC",
    largest_sd=30.0,
)
SURFACE_CHLORIDE = Rule(
    "surface chloride",
    "exposure",
    NUMBER,
    "%",
    "percent",
    (0.02, 30.0),
    "0.02 to 30 % by mass of binder",
    low=0.0,
)
INITIAL_CHLORIDE = Rule(
    "initial chloride",
    "exposure",
    NUMBER,
    "%",
    "percent",
    (0.0, 2.0),
    "0 to 2 % by mass of binder",
    low=0.0,
)
CRITICAL_CHLORIDE = Rule(
    "critical chloride",
    "steel",
    NUMBER,
    "%",
    "percent",
    (0.02, 20.0),
    "0.02 to 20 % by mass of binder",
    low=0.0,
)
CONVECTION_ZONE = Rule(
    "convection zone", "exposure", LENGTH, "mm", "mm", (0.0, 60.0), "0 mm to 60 mm", low=0.0
)
DIFFUSIVITY_RULE = Rule(
    "diffusivity",
    "concrete",
    DIFFUSIVITY,
    "mm2/yr",
    "mm ** 2 / year",
    (0.05 * 31.5576, 100 * 31.5576),
    "0.05e-12 to 100e-12 m^2/s (1.6 to 3,160 mm^2/yr)",
    possible=(5e-5 * 31.5576, 1e5 * 31.5576),
    possible_words="5e-17 to 1e-7 m^2/s",
    low=0.0,
    open_low=True,
)
AGEING_EXPONENT = Rule(
    "ageing exponent", "concrete", NUMBER, "", "", (0.0, 1.0), "0 to 1", low=0.0, high=1.0
)
TEMPERATURE_COEFFICIENT = Rule(
    "temperature coefficient",
    "concrete",
    COEFFICIENT,
    "K",
    "K",
    (1000.0, 10000.0),
    "1000 K to 10000 K",
    possible=(0.0, 15000.0),
    possible_words="0 K to 15000 K",
    largest_sd=5000.0,
)
COVER = Rule("cover", "cover", LENGTH, "mm", "mm", (10.0, 300.0), "10 mm to 300 mm", low=0.0)
MEAN_COVER = Rule(
    "mean cover against the stated one",
    "cover",
    LENGTH,
    "mm",
    "mm",
    (-100.0, 100.0),
    "-100 mm to 100 mm",
    kind="knowledge",
)
AFFECTED_DEPTH = Rule(
    "depth affected by curing",
    "curing",
    LENGTH,
    "mm",
    "mm",
    (1.0, 200.0),
    "1 mm to 200 mm",
    low=0.0,
)
STRIP_AGE = Rule(
    "strip age",
    "curing",
    TIME,
    "h",
    "hour",
    (1.0, 1440.0),
    "1 h to 60 d",
    low=0.0,
    open_low=True,
)
PENALTY = Rule(
    "penalty factor", "curing", NUMBER, "", "", (0.1, 20.0), "0.1 to 20", low=0.0, open_low=True
)
RETENTION = Rule(
    "moisture retention",
    "curing",
    NUMBER,
    "",
    "",
    (0.0, 1.0),
    "0 to 1",
    low=0.0,
    high=1.0,
    kind="knowledge",
)
MODEL_FACTOR = Rule(
    "factor on fitted penalties, laboratory to field",
    "curing",
    NUMBER,
    "",
    "",
    (0.3, 3.0),
    "0.3 to 3",
    low=0.0,
    open_low=True,
    kind="knowledge",
)
EARLY_SLOPE = Rule(
    "curing law below 1 d",
    "curing",
    NUMBER,
    "",
    "",
    (-5.0, 5.0),
    "-5 to 5 (a standard normal variate)",
    possible=(-10.0, 10.0),
    possible_words="-10 to 10",
    largest_sd=10.0,
    kind="knowledge",
)
