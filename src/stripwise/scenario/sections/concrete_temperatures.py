"""The concrete's temperature in the forms: what stands in for it, and when frost or heat threaten."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from stripwise.errors import InputError
from stripwise.scenario.fields import Meant
from stripwise.scenario.scenario_table import ScenarioTable
from stripwise.scenario.sections.follow_up_table import CONCRETE_TEMPERATURE, FREEZING
from stripwise.scenario.sections.strategies import Strategy, StrategyTable

__all__ = ["HEAT", "HOT", "stand_in_temperature", "temperature_warnings"]

NEAR_FROST = 5.0
"""Concrete temperature [degC] below which frost is warned of; a round number of this project."""

HOT = 40.0
"""Concrete temperature [degC] above which heat is warned of; a round number of this project."""

HEAT = (
    "heat makes concrete strong early but its pores coarser, and the face may crack as it cools. "
    "Neither is in these numbers."
)

REFERENCE = 20.0
"""Temperature [degC] that is shown where none acts."""


def stand_in_temperature(file: ScenarioTable) -> float | None:
    """Return what stands in for curing.concrete_temperature [degC], None where it is used.

    The coldest concrete among the strategies, 20 degC where measured penalties need none.
    """
    used = any(
        table.concrete_temperature is None and table.penalty is None for table in file.strategy
    )
    if file.choices is not None or used or not file.strategy:
        return None
    own = [value for table in file.strategy if (value := _own(table)) is not None]
    return min(own, default=REFERENCE)


def _own(table: StrategyTable) -> float | None:
    raw = table.concrete_temperature
    try:
        value = raw.value if isinstance(raw, Meant) else raw
        return None if value is None else CONCRETE_TEMPERATURE.read(value, unusual=True)
    except InputError:  # told where the strategy is read
        return None


def temperature_warnings(
    file: ScenarioTable, strategies: Sequence[Strategy], *, among_choices: float | None
) -> list[str]:
    """Warn of concrete that may freeze, is near it, or is hot; and of a temperature made up.

    `among_choices` is the concrete temperature of the choices [degC], None without any.
    """
    found = [(f'"{item.name}"', item.temperature) for item in strategies]
    if among_choices is not None:
        found.append(("[choices]", among_choices))

    def named(holds: Callable[[float], bool]) -> str:
        return ", ".join(name for name, degrees in found if holds(degrees))

    sentences = []
    if names := named(lambda degrees: degrees <= FREEZING):
        sentences.append(
            f"Concrete at 0 degC or below in the forms ({names}): it may freeze, and what "
            "has frozen young is not what these numbers speak of. The Arrhenius function is an "
            "extrapolation there and counts too much; the Nurse-Saul function counts nothing up to "
            "its datum."
        )
    if names := named(lambda degrees: FREEZING < degrees < NEAR_FROST):
        sentences.append(
            f"Concrete below {NEAR_FROST:g} degC in the forms ({names}): the face may freeze once "
            "they go. Protect it from frost until it has the strength that the local code asks for."
        )
    if names := named(lambda degrees: degrees > HOT):
        sentences.append(f"Concrete above {HOT:g} degC in the forms ({names}): {HEAT}")
    hot_later = ", ".join(
        f'"{item.name}"'
        for item in strategies
        if item.follow_up.duration_h > 0.0 and item.follow_up.temperature > HOT >= item.temperature
    )
    if hot_later:
        sentences.append(f"Concrete above {HOT:g} degC while it is cured ({hot_later}): {HEAT}")
    if file.curing.concrete_temperature is None:
        made_up = [
            f'"{item.name}"'
            for item, table in zip(strategies, file.strategy, strict=True)
            if table.concrete_temperature is None
        ]
        if made_up:
            sentences.append(
                f"No concrete temperature is given for {', '.join(made_up)}, whose penalty is "
                f"measured. Equivalent ages are shown at {strategies[0].temperature:g} degC and "
                "do not enter its probability."
            )
    return sentences
