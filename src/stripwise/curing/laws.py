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
from stripwise.errors import InputError, NumericalError
from stripwise.published.library import published_value

__all__ = [
    "DEFAULT_LAW",
    "LAWS",
    "CuringLaw",
    "LawFunction",
    "Variate",
    "is_law_input",
    "law_names",
    "own_law",
]

Array = NDArray[np.float64]
Number = Array | float

JOINED_SIZE = 16_384
"""Most values of random durations that are computed as one matrix."""


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
    random = [np.asarray(days) for days in durations if np.ndim(days)]
    if _may_be_joined(random, place, slope):
        of_random = iter(relative_log_penalty(np.array(random), reference_d, draws=draws))
    else:
        of_random = iter([relative_log_penalty(d, reference_d, draws=draws) for d in random])
    return [
        next(of_random) if np.ndim(days) else relative_log_penalty(days, reference_d, draws=draws)
        for days in durations
    ]


def _may_be_joined(durations: Sequence[Array], *variates: Number) -> bool:
    """Tell whether an axis for the durations can be put before those of the variates."""
    if len({days.shape for days in durations}) != 1:
        return False
    axes = durations[0].ndim
    few = sum(days.size for days in durations) <= JOINED_SIZE
    return few and all(np.ndim(variate) <= axes for variate in variates)


def _published_characteristic(duration_d: ArrayLike, reference_d: float) -> Array:
    return characteristic_penalty(duration_d, reference_d=reference_d)


DEFAULT_LAW = "published quantiles"
"""The law that acts unless the scenario names another."""

_CITATION = published_value("duracrete.curing_factor.1d").citation

LAWS = {
    DEFAULT_LAW: CuringLaw(
        variates=(
            Variate(
                "law",
                "curing effect (standard score)",
                f"{_CITATION}; place in the distributions, as a normal score",
            ),
            Variate(
                "early_slope",
                "curing effect below 1 d (standard score)",
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
        "the DuraCrete project, report R9 (from memory, verify); between them the law is straight "
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


LawFunction = Callable[[Array, Array], ArrayLike]
"""Effective curing hours and one standard normal score, of one shape, to ln of the penalty."""

CHECKED_H = np.geomspace(1.0, 8766.0, 80)
"""Effective curing at which a law of one's own is checked [h]."""
CHECKED_SCORES = np.linspace(-4.0, 4.0, 17)
ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class _OwnLaw:
    """A function of the caller's as the columns of a row of `LAWS`."""

    function: LawFunction

    @property
    def name(self) -> str:
        return str(getattr(self.function, "__name__", type(self.function).__name__))

    def evaluate(self, hours: ArrayLike, score: ArrayLike) -> Array:
        h, z = np.broadcast_arrays(np.asarray(hours, dtype=float), np.asarray(score, dtype=float))
        found = np.asarray(self.function(h, z), dtype=float)
        if found.shape != h.shape:
            rule = f"{self.name} returns the shape {found.shape} for {h.shape}"
            raise InputError("curing.law", rule)
        return found

    def log_penalties(
        self, durations: Sequence[Number], reference_d: float, variates: Sequence[Number]
    ) -> list[Array]:
        (score,) = variates
        at_reference = self.evaluate(24.0 * reference_d, score)
        found = [self.evaluate(24.0 * np.asarray(d), score) - at_reference for d in durations]
        if not all(np.isfinite(one).all() for one in found):
            raise NumericalError(f"curing.law: {self.name} is not finite at some effective curing")
        return found

    def characteristic(self, duration_d: ArrayLike, reference_d: float) -> Array:
        days = np.asarray(duration_d, dtype=float)
        log_k = self.evaluate(24.0 * days, 0.0) - self.evaluate(24.0 * reference_d, 0.0)
        return np.asarray(np.exp(log_k))


def own_law(function: LawFunction) -> CuringLaw:
    """Make a curing law of a function; it is divided by its value at the reference curing.

    Parameters
    ----------
    function
        Takes effective curing hours [h] and a standard normal score, drawn once for all strategies,
        as arrays of one shape, and returns ln of the penalty factor in that shape.

    Raises
    ------
    InputError
        If it fails, is not finite, or falls where the face is cured less, from 1 h to a year.

    Examples
    --------
    >>> law = own_law(lambda hours, score: -(0.4 + 0.1 * score).clip(0.0) * np.log(hours / 168.0))
    >>> one_day, = law.log_penalties([1.0], 7.0, [0.0])
    >>> round(float(one_day), 4)
    0.7784
    """
    law = _OwnLaw(function)
    name = law.name
    try:
        table = law.evaluate(CHECKED_H[:, None], CHECKED_SCORES)
    except InputError:
        raise
    except Exception as error:
        raise InputError("curing.law", f"{name} fails on arrays: {error}") from error
    if not np.isfinite(table).all():
        raise InputError("curing.law", f"{name} is not finite from 1 h to 1 yr")
    rise = np.diff(table, axis=0).max(axis=1)
    if rise.max() > ROUNDING:
        hours = CHECKED_H[int(np.argmax(rise))]
        raise InputError(
            "curing.law",
            f"{name} rises beyond {hours:.3g} h; a penalty must not fall with less curing",
        )
    source = f"the function {name}"
    return CuringLaw(
        variates=(Variate("law", "curing law", f"{source}; place in it, as a normal score"),),
        log_penalties=law.log_penalties,
        characteristic=law.characteristic,
        citation=f"{source}, given with the case",
        extrapolated_below_d=0.0,
        extrapolation=f"The curing law is {source}, given with the case; nothing here supports it.",
        method=f"The curing law is {source}, given with the case and divided by its value at the "
        "reference curing. It was checked to be finite and not to fall with less curing from 1 h to "
        "1 yr; its values are the caller's. A hand calculation takes it at the score 0.",
    )
