"""Probability of depassivation over one cell, with one input integrated exactly.

A uniform face integrates the cover: P = E[F_cover(x_c(t))]. A fixed cover, or a layered face
(whose initiation is one solution per sample but whose front is one per sample and age),
integrates the diffusivity: P = E[1 - F_D(D_crit)]. Where neither is random, or the front is a
numerical solution and the cover fixed, the samples count.
"""

from __future__ import annotations

import functools
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

from stripwise.distributions.cumulative import CumulativeTable
from stripwise.distributions.distribution import Distribution
from stripwise.distributions.random_input import Input
from stripwise.distributions.sampling import Draw, copula
from stripwise.ingress.front import (
    critical_tau,
    layered_critical_tau,
    layered_front_depth,
)
from stripwise.risk.model.service_fronts import ServiceFronts
from stripwise.risk.model.wall import COVER, DIFFUSIVITY, Face, Number, Values, Wall

__all__ = [
    "Fronts",
    "Integral",
    "front_depths",
    "fronts_of",
    "initiation_ages",
    "least_factors",
    "log_initiation_ages",
]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Integral:
    """Which input is integrated, and what the drawn ones say about it.

    Attributes
    ----------
    name
        Name of the integrated input; empty where samples are counted.
    distribution
        Its distribution; None where samples are counted.
    weights
        (d,) S^-1 r on the normal scores of the drawn inputs, or None where independent.
    scale
        sqrt(1 - r' S^-1 r).
    """

    name: str
    distribution: Distribution | None
    weights: Array | None
    scale: float

    @classmethod
    def of(
        cls, wall: Wall, among: Sequence[Input] | None = None, *, prefer_cover: bool = False
    ) -> tuple[Integral, Draw]:
        """Choose the integrated input and the draw of the others.

        Parameters
        ----------
        wall
            The wall.
        among
            The inputs to draw or integrate; all of the wall's unless given.
        prefer_cover
            Integrate the cover of a layered face too, for many covers at one age.

        Returns
        -------
        The `Integral` and the `Draw` of all other inputs.
        """
        inputs = tuple(wall.inputs if among is None else among)
        random = [i.name for i in inputs if not i.distribution.is_fixed]
        order: tuple[str, ...] = (COVER, DIFFUSIVITY)
        if wall.layered and not prefer_cover:
            order = (DIFFUSIVITY, COVER)
        if wall.numerical:  # a front is one step of a whole solution, and scales with no input
            order = (COVER,)
        name = next((n for n in order if n in random), "")
        rest = tuple(i for i in inputs if i.name != name)
        draw = Draw.of(rest, wall.correlations)
        if not name:
            return cls("", None, None, 1.0), draw
        names = (*draw.names, name)
        matrix = copula(names, wall.correlations)
        r = matrix[-1, :-1]
        distribution = next(i for i in inputs if i.name == name).distribution
        if not np.any(r):
            return cls(name, distribution, None, 1.0), draw
        weights = np.asarray(np.linalg.lstsq(matrix[:-1, :-1], r, rcond=1e-10)[0], dtype=float)
        return cls(
            name, distribution, weights, float(np.sqrt(max(1.0 - float(r @ weights), 1e-300)))
        ), draw

    def moved(self, distance: float) -> Integral:
        """Return the integral after a change of the nominal cover [mm], if cover is integrated."""
        if self.name != COVER or self.distribution is None:
            return self
        return replace(self, distribution=self.distribution.shifted(distance))

    def shift(self, scores: Array) -> Number:
        """Mean of the integrated normal score given the drawn ones (d, n)."""
        return 0.0 if self.weights is None else self.weights @ scores

    def below(self, x: Array, shift: Number, *, above: bool = False) -> Array:
        """Probability that the integrated input is at or below x, or above it."""
        assert self.distribution is not None
        if self.weights is None:
            return self.distribution.sf(x) if above else self.distribution.cdf(x)
        score = (self.distribution.score(x) - shift) / self.scale
        return np.asarray(special.ndtr(-score if above else score))

    def mean_below(self, x: Array, shift: Number, *, above: bool = False) -> float:
        """Mean of `below` over samples, from a table where that is exact enough."""
        table = None if self.weights is not None else self._table(above)
        return float(np.mean(self.below(x, shift, above=above))) if table is None else table.mean(x)

    def _table(self, above: bool) -> CumulativeTable | None:
        assert self.distribution is not None
        return _cumulative_table(self.distribution, above)

    def probabilities(  # noqa: PLR0917
        self, wall: Wall, face: Face, values: Values, shift: Number, ages: Array, upper: Flags
    ) -> Array:
        """Sum P, or 1 - P, over the samples of a cell.

        Parameters
        ----------
        wall
            The wall.
        face
            Its faces, n of them.
        values
            The inputs that the faces were made of.
        shift
            From `shift`.
        ages
            (t,) ages [yr].
        upper
            (s, t) whether to sum 1 - P instead of P, to keep digits where P is close to 1.

        Returns
        -------
        (s, t) sums over n divided by the number of samples that broadcast (a mean).
        """
        if self.name == COVER:
            return self._by_cover(wall, face, shift, ages, upper)
        return self._by_time(wall, face, values, shift, ages, upper)

    def _by_cover(self, wall: Wall, face: Face, shift: Number, ages: Array, upper: Flags) -> Array:
        means = np.empty((len(wall.plans), len(ages)))
        depths = fronts_of(wall, face)
        for j, age in enumerate(ages):
            for i, depth in enumerate(depths.at(age)):
                means[i, j] = self.mean_below(depth, shift, above=bool(upper[i, j]))
        return means

    def _by_time(  # noqa: PLR0917
        self, wall: Wall, face: Face, values: Values, shift: Number, ages: Array, upper: Flags
    ) -> Array:
        means = np.empty((len(wall.plans), len(ages)))
        for j, factors in enumerate(_least_by_age(wall, face, values[COVER], ages)):
            for i, least in enumerate(factors):
                flip = bool(upper[i, j])
                means[i, j] = (
                    self.mean_below(least, shift, above=not flip)
                    if self.name
                    else np.mean((least <= 1.0) != flip)
                )
        return means


@functools.lru_cache(maxsize=256)
def _cumulative_table(distribution: Distribution, above: bool) -> CumulativeTable | None:
    return CumulativeTable.build(distribution, above=above)


@dataclass(frozen=True, slots=True)
class Fronts:
    """The fronts of one cell of faces, with all that does not change with age worked out once.

    Attributes
    ----------
    wall, face
        The wall and its faces, n of them, with the diffusivity in their rate.
    spread
        Of a uniform face: s arrays (n,) 2 z sqrt(k_c k_e k_t D_ref), so that the front is
        edge + spread exp(log_shape / 2) [mm/yr^0.5]; empty for a layered one.
    """

    wall: Wall
    face: Face
    spread: tuple[Array, ...]

    @classmethod
    def of(cls, wall: Wall, face: Face) -> Fronts:
        """Prepare the fronts of a cell."""
        if wall.layered:
            return cls(wall, face, ())
        common = 2.0 * face.root * np.exp(0.5 * face.log_rate)
        return cls(wall, face, tuple(common * np.exp(0.5 * log_k) for log_k in face.log_penalty))

    def at(self, age: float) -> Iterator[Array]:
        """Yield the depth of the front from the surface at one age, per strategy.

        Parameters
        ----------
        age
            Age since first exposure [yr].

        Yields
        ------
        s arrays (n,) [mm]; 0 where there is no front, inf where depassivated from the start.
        """
        wall, face = self.wall, self.face
        log_shape = wall.clock.log_shape(age, face.exponent)
        if not wall.layered:
            growth = np.exp(0.5 * log_shape)
            for spread in self.spread:
                yield face.edge + spread * growth
            return
        ratio = np.asarray(face.ratio)
        moving = np.where((ratio > 0.0) & (ratio < 1.0), ratio, 1.0)
        tau, skin = np.exp(face.log_rate + log_shape), np.maximum(face.skin - face.zone, 0.0)
        for log_k in face.log_penalty:
            yield face.edge + layered_front_depth(moving, tau, penalty=np.exp(log_k), skin=skin)


def fronts_of(wall: Wall, face: Face) -> Fronts | ServiceFronts:
    """Return the fronts of a cell, plain or under the options of the wall."""
    return Fronts.of(wall, face) if wall.conditions is None else ServiceFronts.of(wall, face)


def front_depths(wall: Wall, face: Face, age: float) -> list[Array]:
    """Depth of the front from the surface at one age, per strategy: `Fronts` for a single age.

    Parameters
    ----------
    wall
        The wall.
    face
        Its faces, n of them, with the diffusivity in their rate.
    age
        Age since first exposure [yr].

    Returns
    -------
    s arrays (n,) [mm]; 0 where there is no front, inf where depassivated from the start.
    """
    return list(fronts_of(wall, face).at(age))


def least_factors(wall: Wall, face: Face, cover: Number, ages: Array) -> Array:
    """Return the least factor on the faces' diffusivity that brings a front to the bars.

    Parameters
    ----------
    wall
        The wall.
    face
        Its faces, n of them.
    cover
        Cover [mm].
    ages
        (t,) ages since first exposure [yr].

    Returns
    -------
    (s, t, n) factors, n = 1 where nothing is random; 0 where depassivated with any, inf with none.
    """
    rows = [list(factors) for factors in _least_by_age(wall, face, cover, ages)]
    size = np.broadcast_shapes((1,), *(np.shape(x) for row in rows for x in row))
    return np.array([[np.broadcast_to(x, size) for x in row] for row in rows]).swapaxes(0, 1)


def _least_by_age(wall: Wall, face: Face, cover: Number, ages: Array) -> Iterator[Iterable[Array]]:
    """Yield the `least_factors` of all strategies age by age."""
    if wall.conditions is not None:
        fronts = ServiceFronts.of(wall, face)
        for age in ages:
            yield fronts.least(float(age), cover)
        return
    needed = [critical_tau_of(wall, face, cover, log_k) for log_k in face.log_penalty]
    for age in ages:
        tau = np.exp(face.log_rate + wall.clock.log_shape(age, face.exponent))
        with np.errstate(divide="ignore", invalid="ignore"):
            yield [np.where(tau_c > 0.0, tau_c / tau, 0.0) for tau_c in needed]


def critical_tau_of(wall: Wall, face: Face, cover: Number, log_penalty: Number) -> Array:
    """Return the transformed time of good concrete [mm2] at which the front reaches the bars."""
    depth = np.asarray(cover) - np.asarray(face.zone)
    if wall.layered:
        skin = np.maximum(face.skin - face.zone, 0.0)
        penalty = np.exp(log_penalty)
        return layered_critical_tau(depth, face.ratio, penalty=penalty, skin=skin)
    return critical_tau(depth, face.ratio) * np.exp(-log_penalty)


def initiation_ages(wall: Wall, face: Face, values: Values) -> Array:
    """Age at depassivation of each sample, one array per strategy.

    Parameters
    ----------
    wall
        The wall.
    face
        Its faces, n of them, with the diffusivity in their rate.
    values
        The inputs that the faces were made of, the cover among them.

    Returns
    -------
    (s, n) ages since first exposure [yr], n = 1 where nothing is random; 0 from the start, inf
    never.
    """
    with np.errstate(over="ignore"):
        return np.asarray(np.exp(log_initiation_ages(wall, face, values)))


def log_initiation_ages(wall: Wall, face: Face, values: Values) -> Array:
    """Logarithm of `initiation_ages`, at less cost where the ages themselves are not needed.

    Parameters
    ----------
    wall, face, values
        As for `initiation_ages`.

    Returns
    -------
    (s, n) ln of the ages since first exposure [yr]; -inf from the start, inf never.
    """
    cover = values[COVER]
    if wall.conditions is not None:
        return ServiceFronts.of(wall, face).log_initiation_ages(cover)
    if wall.layered:
        with np.errstate(divide="ignore"):
            logs = [
                np.log(critical_tau_of(wall, face, cover, log_k)) - face.log_rate
                for log_k in face.log_penalty
            ]
        shapes = np.stack(np.broadcast_arrays(*logs, np.zeros(1))[:-1])
    else:
        common = _log_critical_tau(face, cover) - face.log_rate
        size = np.broadcast_shapes((1,), common.shape, *(np.shape(k) for k in face.log_penalty))
        shapes = np.empty((len(face.log_penalty), *size))
        for shape, log_k in zip(shapes, face.log_penalty, strict=True):
            np.subtract(common, log_k, out=shape)
    return wall.clock.log_age(shapes, face.exponent)


def _log_critical_tau(face: Face, cover: Number) -> Array:
    """Logarithm of `critical_tau`, from the root that the face already holds."""
    depth = np.maximum(np.asarray(cover) - face.zone, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        log_tau = np.asarray(2.0 * np.log(depth / (2.0 * face.root)))
    if not face.all_moving:
        ratio = np.asarray(face.ratio)
        np.copyto(log_tau, np.inf, where=ratio >= 1.0)
        np.copyto(log_tau, -np.inf, where=ratio <= 0.0)
    return log_tau
