"""What the model expects to be read on a specimen: contents by layer, depths, test results.

Axes: m readings, n draws, k points of what varies along the wall.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.random_input import Input
from stripwise.evidence.profiles.layer_averages import ierfc
from stripwise.evidence.profiles.two_layer_averages import two_layer_content_above
from stripwise.ingress.carbonation import carbonation_depth
from stripwise.ingress.front import layered_relative_content, uniform_relative_content
from stripwise.ingress.transformed_time import DAYS_PER_YEAR
from stripwise.risk.model.service_conditions import CARBONATION
from stripwise.risk.model.service_fronts import ServiceFronts
from stripwise.risk.model.wall import DIFFUSIVITY, Number, Values, Wall
from stripwise.risk.probability.integral import build_fronts

__all__ = [
    "SURFACE",
    "CarbonationModel",
    "ColourModel",
    "CoreModel",
    "MigrationModel",
    "ReadingModel",
    "model_inputs",
]

Array = NDArray[np.float64]

SURFACE, INITIAL, ZONE, EXPONENT = (
    "exposure.surface_chloride",
    "exposure.initial_chloride",
    "exposure.convection_zone",
    "concrete.ageing_exponent",
)
SKIN, CRITICAL = "curing.affected_depth", "reinforcement.critical_chloride"
CONTENT_INPUTS = (
    SURFACE,
    INITIAL,
    ZONE,
    DIFFUSIVITY,
    EXPONENT,
    "concrete.temperature_coefficient",
    "exposure.temperature",
)
"""Inputs that a content depends on besides the penalty."""

LEAST_LOG_TAU = -40.0
"""ln of a transformed time [ln(mm2)] that stands for none at all."""

THIN_MM, SERIES_TOLERANCE = 0.05, 1e-8
"""Thickness below which a layer has the content at its middle [mm]; remainder of a series, far below
what a reading could tell."""

DEEPEST = 1000.0
"""Depth that stands for one beyond the wall [mm]."""

JOINED = 2**14
"""Contents that are computed together."""

IERFC_0 = 1.0 / np.sqrt(np.pi)
NODES, WEIGHTS = np.polynomial.legendre.leggauss(4)
"""Gauss-Legendre nodes over a layer, where the average has no closed form."""


class ReadingModel(Protocol):
    """What is expected to be read; `wall` has the strategy of the specimen's face alone."""

    @property
    def wall(self) -> Wall:
        """The wall."""
        ...

    @property
    def names(self) -> Iterable[str]:
        """Inputs that it depends on besides those of curing."""
        ...

    def expected(self, values: Values) -> Array:
        """Return expected readings (m, n, k) of values (n, k), (n, 1) or numbers by name."""
        ...


def model_inputs(model: ReadingModel) -> tuple[Input, ...]:
    """Return the inputs that a model depends on."""
    wall = model.wall
    plan = wall.plans[0]
    names = {*model.names, *(() if plan.penalty else wall.law.inputs)}
    names |= {plan.penalty, plan.factor, plan.retention}
    if isinstance(plan.strip_age, str):
        names.add(plan.strip_age)
    if wall.layered:
        names.add(SKIN)
    if wall.conditions is not None:
        names |= {wall.conditions.model_factor, wall.conditions.duration}
    return tuple(item for item in wall.inputs if item.name in names)


@dataclass(frozen=True, slots=True, eq=False)
class CoreModel:
    """Contents of the layers of one core [% by mass of binder].

    Attributes
    ----------
    wall
        The wall, with the strategy of the core's face alone.
    age
        Exposure [yr].
    upper, lower
        (m,) faces of the layers [mm], equal for readings at a depth.
    """

    wall: Wall
    age: float
    upper: Array
    lower: Array

    @property
    def names(self) -> Iterable[str]:
        """Inputs that contents depend on."""
        return CONTENT_INPUTS

    def expected(self, values: Values) -> Array:
        """Return the mean content of each layer, (m, n, k)."""
        surface, initial = (np.asarray(values[name]) for name in (SURFACE, INITIAL))
        return np.asarray(initial + (surface - initial) * self.shares(values))

    def shares(self, values: Values) -> Array:
        """Return the share of the rise at the surface in each layer, (m, n, k)."""
        wall, zone, conditions = self.wall, values[ZONE], self.wall.conditions
        if conditions is not None and (
            conditions.history is not None or conditions.first_month is not None
        ):
            return self._service_shares(values)
        stretch: Number = 1.0
        if conditions is not None and conditions.model_factor:
            stretch = values[conditions.model_factor]
        with np.errstate(divide="ignore"):
            log_tau = wall.log_rate(values) + wall.ageing_law.log_effective_time(
                self.age, values[EXPONENT]
            )
        log_tau = np.maximum(log_tau, LEAST_LOG_TAU)
        (log_penalty,) = wall.log_penalties(values)
        if wall.layered:
            skin = np.maximum(np.asarray(values[SKIN]) - zone, 0.0)
            return self._layered_shares(np.exp(log_tau), log_penalty, skin, zone, stretch)
        length = 2.0 * np.exp(0.5 * (log_tau + log_penalty))
        return self._uniform_shares(np.asarray(length * stretch), zone)

    def _uniform_shares(self, length: Array, zone: Number) -> Array:
        """Average erfc((x - zone) / length) over the layers, 1 above the zone."""
        points = self.upper == self.lower
        edges, place = np.unique(
            np.concatenate([self.upper[~points], self.lower[~points]]), return_inverse=True
        )
        # the integral of the share from the surface down to each face of a layer
        below: list[Array] = []
        together = max(JOINED // max(length.size, np.size(zone)), 1)
        for k in range(0, len(edges), together):
            edge = edges[k : k + together, None, None]
            depth = np.maximum(edge - zone, 0.0) / length
            below.extend(np.minimum(edge, zone) + length * (IERFC_0 - ierfc(depth)))
        first, last = np.split(place, 2)
        means = iter(
            (below[j] - below[i]) / (edges[j] - edges[i]) for i, j in zip(first, last, strict=True)
        )
        tau = 0.25 * length * length
        found = [
            uniform_relative_content(x - zone, tau) if point else next(means)
            for x, point in zip(self.upper, points, strict=True)
        ]
        return np.array(np.broadcast_arrays(*found))

    def _layered_shares(
        self, tau: Array, log_penalty: Number, skin: Array, zone: Number, stretch: Number
    ) -> Array:
        """Average as `_uniform_shares` over a skin on better or worse concrete."""
        thin = self.lower - self.upper < THIN_MM
        edges, place = np.unique(
            np.concatenate([self.upper[~thin], self.lower[~thin]]), return_inverse=True
        )
        ratio = np.exp(log_penalty)
        depth = edges[:, None, None]
        content = two_layer_content_above(
            np.maximum(depth - zone, 0.0) / stretch,
            core=tau,
            ratio=ratio,
            skin=skin,
            tolerance=SERIES_TOLERANCE,
        )
        above = np.minimum(depth, zone) + stretch * content
        first, last = np.split(place, 2)
        means = iter(
            (above[j] - above[i]) / (edges[j] - edges[i]) for i, j in zip(first, last, strict=True)
        )
        found = []
        for x1, x2, as_thin in zip(self.upper, self.lower, thin, strict=True):
            if as_thin:
                middle = np.maximum(0.5 * (x1 + x2) - zone, 0.0) / stretch
                found.append(layered_relative_content(middle, tau, penalty=ratio, skin=skin))
            else:
                found.append(next(means))
        return np.array(np.broadcast_arrays(*found))

    def _service_shares(self, values: Values) -> Array:
        """Average under a surface content that changes, or with the seasons integrated."""
        flat, shape = _flat(values)
        with np.errstate(divide="ignore"):
            fronts = _chloride_fronts(self.wall, flat)
        block, zone = fronts.block, np.asarray(fronts.block.zone)
        tau = np.exp(
            np.maximum(block.log_rate + fronts.log_effective_time(self.age), LEAST_LOG_TAU)
        )
        penalty = np.exp(block.log_penalty[0])
        skin = np.maximum(np.asarray(block.skin) - zone, 0.0)

        def share(x: Number) -> Array:
            depth = np.maximum((x - zone) / fronts.service.factor, 0.0)
            if fronts.rise is not None:
                with np.errstate(divide="ignore", invalid="ignore"):
                    return fronts.content_share(depth, 0, self.age)
            if self.wall.layered:
                return layered_relative_content(depth, tau, penalty=penalty, skin=skin)
            return uniform_relative_content(depth, penalty * tau)

        found = []
        for x1, x2 in zip(self.upper, self.lower, strict=True):
            if x1 == x2:
                mean = share(x1)
            else:  # the zone parts a layer into one of constant content and one below
                top = np.clip(zone, x1, x2)
                above = (top - x1) / (x2 - x1)
                below = 0.5 * sum(
                    weight * share(0.5 * (top + x2) + 0.5 * (x2 - top) * node)
                    for node, weight in zip(NODES, WEIGHTS, strict=True)
                )
                mean = above * share(0.0) + (1.0 - above) * below
            found.append(np.broadcast_to(mean, int(np.prod(shape))).reshape(shape))
        return np.array(found)


@dataclass(frozen=True, slots=True, eq=False)
class ColourModel:
    """Depths at which a colour indicator changes [mm], m readings of one specimen.

    Attributes
    ----------
    wall, age
        The wall with the strategy of the face alone, and the exposure [yr].
    content
        Content at which the colour changes [% by mass of binder].
    readings
        Readings m.
    """

    wall: Wall
    age: float
    content: float
    readings: int

    @property
    def names(self) -> Iterable[str]:
        """Inputs that the depth depends on."""
        return CONTENT_INPUTS

    def expected(self, values: Values) -> Array:
        """Return the depth of that content, 0 where there is none, (m, n, k)."""
        flat, shape = _flat({**values, CRITICAL: self.content})
        wall = _without_carbonation(self.wall)
        with np.errstate(divide="ignore"):
            depth = next(iter(build_fronts(wall, wall.sample_block(flat)).depths(self.age)))
        own = np.broadcast_to(np.minimum(depth, DEEPEST), int(np.prod(shape))).reshape(shape)
        return np.broadcast_to(own, (self.readings, *shape))


@dataclass(frozen=True, slots=True, eq=False)
class CarbonationModel:
    """Depths of carbonation [mm], m readings of one specimen."""

    wall: Wall
    age: float
    readings: int

    @property
    def names(self) -> Iterable[str]:
        """Inputs that the depth depends on."""
        return [i.name for i in self.wall.inputs if i.name.startswith(CARBONATION)]

    def expected(self, values: Values) -> Array:
        """Return the depth of carbonation, (m, n, k)."""
        conditions = self.wall.conditions
        assert conditions is not None
        days = [plan.effective_days(values) for plan in self.wall.plans]
        bare = replace(conditions, first_month=None, duration="", layers=(), coating=None)
        service = bare.sample(values, monthly=(), days=days)
        depth = carbonation_depth(self.age, rate=service.carbonation[0], power=service.power)
        found = np.asarray(depth * service.factor)
        return np.broadcast_to(found, (self.readings, *np.broadcast_shapes(found.shape, (1, 1))))


@dataclass(frozen=True, slots=True, eq=False)
class MigrationModel:
    """ln of the coefficient of a migration test [ln(mm2/yr)].

    The diffusivity of the scenario, as cured, at the age of the test: D_ref k_c (t_ref / t)^a.
    """

    wall: Wall
    age_d: float

    @property
    def names(self) -> Iterable[str]:
        """Inputs that the coefficient depends on."""
        return (DIFFUSIVITY, EXPONENT)

    def expected(self, values: Values) -> Array:
        """Return the logarithm, (1, n, k)."""
        (log_penalty,) = self.wall.log_penalties(values)
        age = np.log(self.wall.ageing_law.reference_age * DAYS_PER_YEAR / self.age_d)
        with np.errstate(divide="ignore"):
            log_d = np.maximum(np.log(values[DIFFUSIVITY]), LEAST_LOG_TAU)
        return np.asarray(log_d + log_penalty + np.asarray(values[EXPONENT]) * age)[None]


def _without_carbonation(wall: Wall) -> Wall:
    conditions = wall.conditions
    if conditions is None or not conditions.carbonation:
        return wall
    return replace(wall, conditions=replace(conditions, carbonation=False))


def _chloride_fronts(wall: Wall, flat: Mapping[str, Number]) -> ServiceFronts:
    own = _without_carbonation(wall)
    fronts = build_fronts(own, own.sample_block({**flat, CRITICAL: flat[SURFACE]}))
    assert isinstance(fronts, ServiceFronts)
    return fronts


def _flat(values: Values) -> tuple[dict[str, Number], tuple[int, int]]:
    """Return values as one run of samples each, and the shape (n, k) that they come from."""
    shape = np.broadcast_shapes((1, 1), *(np.shape(value) for value in values.values()))
    n, k = shape
    return {
        name: np.broadcast_to(value, shape).ravel() if np.ndim(value) else value
        for name, value in values.items()
    }, (n, k)
