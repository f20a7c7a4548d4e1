"""A front model of the caller's own: depth of the front at an age, in place of the chloride front."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stripwise.errors import InputError, NumericalError

__all__ = [
    "BY_HAND_REFUSED",
    "Depth",
    "FrontModel",
    "OwnFronts",
    "check_front_model",
    "depth_function",
]

Array = NDArray[np.float64]
Number = Array | float
Depth = Callable[[Number, Mapping[str, Number], Number], ArrayLike]

BY_HAND_REFUSED = (
    "hand calculations and margin rules are those of the chloride front, and the front here is a "
    "model given with the case"
)

EARLIEST, LATEST = 1e-4, 1e5
"""Ages between which initiation is looked for [yr]."""
STEPS = 50
CHECKED_AGES = np.geomspace(0.01, 500.0, 40)


@runtime_checkable
class FrontModel(Protocol):
    """What a front model must do; a plain function of the same arguments does too.

    Examples
    --------
    >>> import numpy as np, stripwise
    >>> def front(age, values, penalty):
    ...     return 0.45 * np.sqrt(values["concrete.diffusivity"] * penalty * age)
    >>> case = stripwise.load("scenarios/garage-wall.toml").replace({"model.front": front})
    >>> table = stripwise.samples(case, n=64, ages=[50])
    >>> bool((table["front_mm_at_50"] > 0.0).all())
    True
    """

    def depth(self, age: Number, values: Mapping[str, Number], penalty: Number) -> ArrayLike:
        """Return how deep the front is from the surface [mm].

        Parameters
        ----------
        age
            Age since first exposure [yr], (n,) or a number.
        values
            Every input by its key in internal units (mm, mm2/yr, K, h, yr, % by mass of binder),
            (n,) or a number.
        penalty
            k_c of the strategy, (n,) or a number.

        Returns
        -------
        (n,) or a number: never falling with age, 0 where there is no front, inf where the steel is
        depassivated from the start.
        """
        ...


def depth_function(model: FrontModel | Depth) -> Depth:
    """Return the function of a model; InputError if it is neither a model nor a function."""
    if isinstance(model, FrontModel):
        return model.depth
    if not callable(model):
        raise InputError("model.front", "must be a function or have a method depth")
    return model


def check_front_model(model: FrontModel | Depth, values: Mapping[str, float]) -> None:
    """Try a model at the means of all inputs; InputError where it fails or falls with age."""
    depth = depth_function(model)
    try:
        found = np.asarray(depth(CHECKED_AGES, values, 1.5), dtype=float)
    except Exception as error:
        raise InputError("model.front", f"fails at mean values: {error}") from error
    if found.shape not in ((), CHECKED_AGES.shape):
        rule = f"returns the shape {found.shape} for {CHECKED_AGES.size} ages"
        raise InputError("model.front", rule)
    found = np.broadcast_to(found, CHECKED_AGES.shape)
    if np.isnan(found).any() or np.any(found < 0.0):
        raise InputError("model.front", "must be a depth of at least 0 mm at mean values")
    falls = np.flatnonzero(found[1:] < found[:-1])
    if falls.size:
        age = CHECKED_AGES[int(falls[0]) + 1]
        raise InputError("model.front", f"falls at {age:.3g} yr; a front must not fall with age")


@dataclass(frozen=True, slots=True)
class OwnFronts:
    """The fronts of one block of samples by a model of one's own.

    Attributes
    ----------
    model
        The model.
    values
        The inputs of the block by name.
    log_penalty
        ln k_c of each strategy.
    """

    model: FrontModel | Depth
    values: Mapping[str, Number]
    log_penalty: tuple[Number, ...]

    def depths(self, age: Number) -> Iterator[Array]:
        """Yield the depth of the front (n,) [mm] at an age [yr], per strategy."""
        depth = depth_function(self.model)
        for log_k in self.log_penalty:
            found = np.asarray(depth(age, self.values, np.exp(log_k)), dtype=float)
            if np.isnan(found).any() or np.any(found < 0.0):
                raise NumericalError("model.front: a depth is negative or not a number")
            yield found

    def critical_diffusivity_factors(self, age: float, cover: Number) -> Iterator[Array]:
        """Yield 0 where the front is at a cover [mm] at an age [yr], inf where it is not."""
        for depth in self.depths(age):
            yield np.where(depth >= cover, 0.0, np.inf)

    def log_initiation_ages(self, cover: Number) -> Array:
        """Return ln of the ages at depassivation, (s, n) [yr]; -inf from the start, inf never.

        Found by halving, up to 100,000 yr; before an hour counts as the start.
        """
        rows = []
        for k in range(len(self.log_penalty)):
            one = OwnFronts(self.model, self.values, self.log_penalty[k : k + 1])
            shapes = [np.shape(v) for v in (*self.values.values(), cover, *one.log_penalty)]
            size = np.broadcast_shapes((1,), *shapes)
            low, high = np.full(size, np.log(EARLIEST)), np.full(size, np.log(LATEST))
            at_once = next(one.depths(EARLIEST)) >= cover
            never = next(one.depths(LATEST)) < cover
            for _ in range(STEPS):
                middle = 0.5 * (low + high)
                reached = next(one.depths(np.exp(middle))) >= cover
                high, low = np.where(reached, middle, high), np.where(reached, low, middle)
            rows.append(np.where(at_once, -np.inf, np.where(never, np.inf, high)))
        return np.stack(np.broadcast_arrays(*rows, np.zeros(1))[:-1])
