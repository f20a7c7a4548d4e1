"""The curing laws that a scenario can choose from, one row each.

A law gives ln k_c after an effective curing duration from random variates of its own. Wall,
scenario and reports know laws by their rows alone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stripwise.curing.curing_law import (
    characteristic_penalty,
    relative_log_penalty,
    sample_curing_law,
)
from stripwise.published.library import published_value

__all__ = ["DEFAULT_LAW", "LAWS", "CuringLaw", "Variate", "is_law_input", "law_names"]

Array = NDArray[np.float64]
Number = Array | float


@dataclass(frozen=True, slots=True)
class Variate:
    """A random variate of a law, drawn once for all strategies.

    Attributes
    ----------
    key
        Its input is called "curing." and this; a key of [curing] of that name changes it.
    label
        Words for a reader.
    source
        Where its default comes from, with its mark.
    family, numbers
        Its default distribution; standard normal unless given.
    """

    key: str
    label: str
    source: str
    family: str = "normal"
    numbers: tuple[tuple[str, float], ...] = (("mean", 0.0), ("sd", 1.0))

    @property
    def input(self) -> str:
        """Name of its input."""
        return f"curing.{self.key}"


@dataclass(frozen=True, slots=True)
class CuringLaw:
    """A law from the effective curing duration to the penalty factor.

    Attributes
    ----------
    variates
        Its random variates, in the order in which `log_penalties` takes them.
    log_penalties
        Durations [d], one (n,) or scalar a strategy; reference duration [d]; variates, (n,) or
        scalar: to ln of the penalty against the reference of each strategy.
    characteristic
        Duration and reference [d] to the penalty that a hand calculation takes.
    citation
        Where the law comes from, with its mark.
    extrapolated_below_d
        Duration below which nothing supports it [d].
    extrapolation
        One sentence on where it is extrapolated.
    method
        How it works, for the appendix of a report.
    kinks_d
        Durations at which it bends [d].
    """

    variates: tuple[Variate, ...]
    log_penalties: Callable[[Sequence[Number], float, Sequence[Number]], Sequence[Array]]
    characteristic: Callable[[ArrayLike, float], Array]
    citation: str
    extrapolated_below_d: float
    extrapolation: str
    method: str
    kinks_d: tuple[float, ...] = ()

    @property
    def inputs(self) -> tuple[str, ...]:
        """Names of the inputs of its variates."""
        return tuple(item.input for item in self.variates)


def _published_quantiles(
    durations: Sequence[Number], reference_d: float, variates: Sequence[Number]
) -> list[Array]:
    longest = max([reference_d, *(float(np.max(days)) for days in durations)])
    place, slope = variates
    draws = sample_curing_law(place, slope, max_duration_d=longest)
    return [relative_log_penalty(days, reference_d, draws=draws) for days in durations]


def _published_characteristic(duration_d: ArrayLike, reference_d: float) -> Array:
    return characteristic_penalty(duration_d, reference_d=reference_d)


DEFAULT_LAW = "published quantiles"
"""The law that acts unless the scenario names another."""

_CITATION = published_value("duracrete.curing_factor.1d").citation

LAWS = {
    DEFAULT_LAW: CuringLaw(
        variates=(
            Variate(
                "law", "curing law", f"{_CITATION}; place in the distributions, as a normal score"
            ),
            Variate(
                "early_slope",
                "curing law below 1 d",
                published_value("curing.early_slope_sd").citation,
            ),
        ),
        log_penalties=_published_quantiles,
        characteristic=_published_characteristic,
        citation=_CITATION,
        extrapolated_below_d=1.0,
        extrapolation="Below 1 d the curing law is an extrapolation of published values at 1 and "
        "3 d; from 28 d on it is constant.",
        method="The published distributions of k_c after 1, 3, 7 and 28 d of curing are those of "
        "the DuraCrete project, report R9 (recalled, less sure); between them the law is straight "
        "in double logarithms, beyond 28 d constant. One variable places a wall in all of these "
        "distributions together. Below 1 d nothing is published: the law is extrapolated with an "
        "exponent that is itself uncertain. That project pairs k_c = 1 after 7 d with the diffusivity "
        "of its compliance test, on specimens kept in water to 28 d (recalled); read literally, k_c = "
        "1 belongs to concrete cured like the specimens, and every penalty is larger.",
        kinks_d=(1.0, 3.0, 7.0, 28.0),
    ),
}
"""Every law by name, in the order of every list."""


def law_names() -> tuple[str, ...]:
    """Return the names of all laws."""
    return tuple(LAWS)


def is_law_input(name: str) -> bool:
    """Whether an input is a variate of a curing law."""
    return any(name in law.inputs for law in LAWS.values())
