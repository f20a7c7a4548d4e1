"""What a distribution stands for: its name, unit, group, kind and source."""

from __future__ import annotations

from dataclasses import dataclass

from stripwise.distributions.distribution import Distribution

__all__ = ["GROUPS", "KINDS", "Correlation", "Input"]

GROUPS = ("cover", "curing", "concrete", "exposure", "steel")
KINDS = ("scatter", "knowledge")


@dataclass(frozen=True, slots=True)
class Input:
    """One input of the model, random or fixed.

    Attributes
    ----------
    name
        Key path in the scenario, such as ``concrete.diffusivity``; unique.
    label
        Its name in a report, such as "diffusivity at 28 d".
    distribution
        Its distribution, in `unit`.
    unit
        Internal unit as text: "mm", "mm2/yr", "K", "%" (by mass of binder), "h", "" (a number).
    group
        One of `GROUPS`, for the sensitivity by group.
    kind
        "scatter" (aleatory: varies along the wall) or "knowledge" (epistemic).
    source
        Where the numbers come from; empty if the scenario does not say.
    between_walls
        Share b of the normal score's variance that is drawn once per wall, which is epistemic; the
        rest varies along the wall. 0 or 1 where `kind` says all of it.
    kind_stated
        Whether the scenario says which kind it is; otherwise its key does.
    is_temperature
        Whether a value in K is a point of the temperature scale, shown in degC or degF, and no
        coefficient.
    shared
        Whether what lies between walls is one value for all walls of an inventory that take the
        input from one block, and not each wall's own.
    """

    name: str
    label: str
    distribution: Distribution
    unit: str
    group: str
    kind: str = "scatter"
    source: str = ""
    is_temperature: bool = False
    between_walls: float = 0.0
    kind_stated: bool = False
    shared: bool = False

    @property
    def epistemic_share(self) -> float:
        """Share of the variance of the normal score that is epistemic; 0 for a fixed input."""
        if self.distribution.is_fixed:
            return 0.0
        return 1.0 if self.kind == "knowledge" else self.between_walls


@dataclass(frozen=True, slots=True)
class Correlation:
    """Spearman rank correlation between two inputs, by name."""

    first: str
    second: str
    rank: float
