"""Fronts under the options of the physics: rise of the surface chloride, seasons, carbonation.

The deeper of the two fronts governs, with one cover for both. Everything is the first passage.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from stripwise.ingress.carbonation import carbonation_age, carbonation_depth
from stripwise.ingress.front import layered_critical_tau, layered_front_depth
from stripwise.ingress.season import season_factor
from stripwise.ingress.surface_history.rise_over_skin import SkinRise
from stripwise.ingress.surface_history.rising_front import BuildUp
from stripwise.risk.model.initiation_search import SEARCHED, age_of
from stripwise.risk.model.layered_fronts import NumericalFronts, strata_of
from stripwise.risk.model.service_conditions import Conditions, Extras
from stripwise.risk.model.wall import Face, Number, Wall

__all__ = ["ServiceFronts"]

Array = NDArray[np.float64]

STACKED = 4096
"""Samples times strategies of one search for roots over a skin; more would leave the cache."""


@dataclass(frozen=True, slots=True)
class ServiceFronts:
    """The fronts of one cell of faces under options, with what stays with age worked out once.

    Attributes
    ----------
    wall, face
        The wall and its faces, n of them.
    conditions, extras
        The options, and what they draw.
    rise
        The root under a surface content that changes; None where it is constant.
    numerical
        The chloride fronts of a face with layers or a coating; None without.
    """

    wall: Wall
    face: Face
    conditions: Conditions
    extras: Extras
    rise: BuildUp | None
    numerical: NumericalFronts | None = None

    @classmethod
    def of(cls, wall: Wall, face: Face) -> ServiceFronts:
        """Prepare the fronts of a cell."""
        conditions, extras = wall.conditions, face.extras
        assert conditions is not None
        assert extras is not None
        rise = None
        if conditions.history is not None and conditions.chloride:
            rise = BuildUp.of(
                conditions.history,
                ratio=face.ratio,
                duration=extras.duration,
                clock=wall.clock,
                exponent=face.exponent,
            )
        fronts = cls(wall, face, conditions, extras, rise)
        if not (conditions.numerical and conditions.chloride):
            return fronts
        return replace(fronts, numerical=fronts._numerical())

    def at(self, age: float) -> Iterator[Array]:
        """Yield the depth of the deeper front from the surface at one age, per strategy.

        Parameters
        ----------
        age
            Age since first exposure [yr].

        Yields
        ------
        s arrays (n,) [mm]; 0 where there is no front, inf where depassivated from the start.
        """
        chloride = self._chloride_depths(age) if self.conditions.chloride else None
        for i in range(len(self.wall.plans)):
            depth = next(chloride) if chloride is not None else np.zeros(1)
            if self.conditions.carbonation:
                depth = np.maximum(depth, self.carbonated(i, age))
            yield np.asarray(depth * self.extras.factor)

    def least(self, age: float, cover: Number) -> Iterator[Array]:
        """Yield the least factor on the faces' diffusivity that brings a front to the bars.

        Parameters
        ----------
        age
            Age since first exposure [yr].
        cover
            Cover [mm].

        Yields
        ------
        s arrays (n,); 0 where the steel is depassivated with any, inf with none.
        """
        deep = np.asarray(cover) / self.extras.factor
        face = self.face
        together = None
        if self.rise is not None and self.wall.layered and self.conditions.chloride:
            together = self._skin_critical(deep - np.asarray(face.zone), age)
        for i, log_k in enumerate(face.log_penalty):
            need: Array = np.full(1, np.inf)
            if self.numerical is not None:
                # no scaling of the diffusivity brings one solution to another: told yes or no
                need = np.where(self._numerical_depth(i, age) >= deep, 0.0, np.inf)
            elif self.conditions.chloride:
                tau = np.exp(face.log_rate + self.log_shape(age))
                depth = deep - np.asarray(face.zone)
                critical = next(together) if together else self._critical_tau(depth, log_k, age)
                with np.errstate(divide="ignore", invalid="ignore"):
                    need = np.where(critical > 0.0, critical / tau, 0.0)
            if self.conditions.carbonation:
                need = np.where(self.carbonated(i, age) >= deep, 0.0, need)
            yield need

    def reached(self, age: float, cover: Number) -> Iterator[NDArray[np.bool_]]:
        """Yield whether a front is at the bars, by the content there where that can be told.

        Parameters
        ----------
        age
            Age since first exposure [yr].
        cover
            Cover [mm].

        Yields
        ------
        s arrays (n,). Where the surface content rises only, the content at the bars is compared
        with the critical one, which shares no root search with `at`. So it is where the front is
        a numerical solution, which is run again to the age.
        """
        history = self.conditions.history
        if self.numerical is not None:
            yield from self._numerically_reached(age, np.asarray(cover))
            return
        if self.rise is None or history is None or history.falls:
            for depth in self.at(age):
                yield depth >= cover
            return
        face = self.face
        ratio = np.asarray(face.ratio)
        deep = np.asarray(cover) / self.extras.factor
        started = (self.rise.history.share(age, self.extras.duration) > ratio) | (ratio <= 0.0)
        depth = np.maximum(deep - face.zone, 0.0)
        for i in range(len(face.log_penalty)):
            there = started & ((self._share(depth, i, age) >= ratio) | (ratio <= 0.0))
            if self.conditions.carbonation:
                there = there | (self.carbonated(i, age) >= deep)
            yield there

    def log_initiation_ages(self, cover: Number) -> Array:
        """Logarithm of the age at depassivation of each sample.

        Parameters
        ----------
        cover
            Cover [mm].

        Returns
        -------
        (s, n) ln of ages [yr]; -inf from the start, inf never or, where the surface content or
        the season changes, beyond 1,000 yr. There the ages are interpolated between 41 of them.
        """
        deep = np.asarray(cover) / self.extras.factor
        found = []
        searched = None
        layered_rise = self.wall.layered and self.rise is not None
        if self.numerical is not None:
            searched = None if self.extras.departures is None else self._searched(1.0)
        elif self.conditions.chloride and (self.rise or self.extras.departures is not None):
            searched = self._searched(1.0 if self.wall.layered else None)
        for i, log_k in enumerate(self.face.log_penalty):
            ages: Array = np.full(1, np.inf)
            if self.numerical is not None:
                ages = self._numerical_log_age(i, deep, searched)
            elif self.conditions.chloride:
                if layered_rise and searched is not None:
                    ages = self._skin_log_age(deep, log_k, searched)
                else:
                    ages = self._chloride_log_age(deep, log_k, searched)
            if self.conditions.carbonation:
                rate = self.extras.carbonation[i]
                with np.errstate(divide="ignore"):
                    other = np.log(carbonation_age(deep, rate=rate, power=self.extras.power))
                ages = np.minimum(ages, other)
            found.append(ages)
        return np.stack(np.broadcast_arrays(*found, np.zeros(1))[:-1])

    def carbonated(self, i: int, age: float) -> Array:
        """Depth of carbonation of strategy i at an age [yr], (n,) [mm], before the model factor."""
        rate, power = self.extras.carbonation[i], self.extras.power
        return carbonation_depth(age, rate=rate, power=power)

    def log_shape(self, age: float) -> Array:
        """Logarithm of tau over its rate at an age [yr], (n,), seasons integrated if asked for."""
        plain = self.wall.clock.log_shape(age, self.face.exponent)
        departures, first = self.extras.departures, self.conditions.first_month
        if departures is None or first is None:
            return plain
        factor = season_factor(
            age, self.face.exponent, departures=departures, clock=self.wall.clock, first=first
        )
        return np.asarray(plain + np.log(factor))

    def _root(self, age: float) -> tuple[Array, Array]:
        """Root of the front, and the depth that it starts from."""
        face = self.face
        if self.rise is None:
            return np.asarray(face.root), np.asarray(face.edge)
        root = self.extras.roots.get(age)
        if root is None:
            root = self.extras.roots[age] = self.rise.root(age)
        edge = np.where(root > 0.0, face.edge, 0.0)
        return np.where(np.isfinite(root), root, 0.0), edge

    def _chloride_depths(self, age: float) -> Iterator[Array]:
        wall, face = self.wall, self.face
        if self.numerical is not None:
            for i in range(len(wall.plans)):
                yield self._numerical_depth(i, age)
            return
        log_shape = self.log_shape(age)
        if wall.layered:
            ratio = np.asarray(face.ratio)
            moving = np.where((ratio > 0.0) & (ratio < 1.0), ratio, 1.0)
            tau, skin = np.exp(face.log_rate + log_shape), self._skin
            if self.rise is not None:
                for k in self._stacks():
                    for depth in SkinRise(self.rise).depth(tau, age, penalty=k, skin=skin):
                        yield np.where(depth > 0.0, face.zone + depth, 0.0)
                return
            for log_k in face.log_penalty:
                k = np.exp(log_k)
                yield face.edge + layered_front_depth(moving, tau, penalty=k, skin=skin)
            return
        root, edge = self._root(age)
        spread = 2.0 * root * np.exp(0.5 * (face.log_rate + log_shape))
        for log_k in face.log_penalty:
            yield np.asarray(edge + spread * np.exp(0.5 * log_k))

    def _numerical(self) -> NumericalFronts:
        face, conditions, extras = self.face, self.conditions, self.extras
        parts = [face.ratio, face.zone, face.log_rate, face.exponent, face.skin, *face.log_penalty]
        parts += [part for layer in extras.layers for part in layer]
        parts += [*extras.coating] if extras.coating else []
        size = np.broadcast_shapes(*(np.shape(part) for part in parts), (1,))[0]

        def full(value: Number) -> Array:
            return np.broadcast_to(np.asarray(value, dtype=float), (size,))

        ratio = full(face.ratio)
        lay = partial(strata_of, extras, zone=face.zone, skin=face.skin, surface=face.surface)
        return NumericalFronts(
            ratio=np.where((ratio > 0.0) & (ratio < 1.0), ratio, 0.5),
            zone=full(face.zone),
            log_rate=full(face.log_rate),
            exponent=full(face.exponent),
            log_penalty=tuple(full(log_k) for log_k in face.log_penalty),
            strata=lambda log_k: lay(log_penalty=log_k, size=size),
            coating=(full(extras.coating[0]), full(extras.coating[1])) if extras.coating else None,
            clock=self.wall.clock,
            horizon=conditions.horizon,
            grid=conditions.grid,
            log_shape=self.log_shape,
            courses=extras.courses,
        )

    def _numerical_depth(self, i: int, age: float) -> Array:
        assert self.numerical is not None
        ratio = np.asarray(self.face.ratio)
        moving = (ratio > 0.0) & (ratio < 1.0)
        return np.where(moving, self.numerical.depth(i, age), self.face.edge)

    def _numerically_reached(self, age: float, cover: Array) -> Iterator[NDArray[np.bool_]]:
        assert self.numerical is not None
        ratio, deep = np.asarray(self.face.ratio), cover / self.extras.factor
        for i in range(len(self.wall.plans)):
            share = self.numerical.share(i, age, np.broadcast_to(deep, self.numerical.ratio.shape))
            there = (ratio <= 0.0) | ((ratio < 1.0) & (share >= ratio))
            if self.conditions.carbonation:
                there = there | (self.carbonated(i, age) >= deep)
            yield there

    def _numerical_log_age(self, i: int, deep: Array, searched: Array | None) -> Array:
        assert self.numerical is not None
        ratio = np.asarray(self.face.ratio)
        target = self.numerical.log_time(i, deep)
        if searched is None:
            found = self.wall.clock.log_age(target, self.face.exponent)
        else:
            found = age_of(searched, 0.5 * target)
        return np.where(ratio <= 0.0, -np.inf, np.where(ratio >= 1.0, np.inf, found))

    @property
    def _skin(self) -> Array:
        """Thickness of the skin below the convection zone [mm]."""
        return np.asarray(np.maximum(self.face.skin - self.face.zone, 0.0))

    def _share(self, depth: Array, i: int, age: float) -> Array:
        """Share of the full surface content at a depth below the convection zone."""
        face, rise = self.face, self.rise
        assert rise is not None
        log_tau, log_k = face.log_rate + self.log_shape(age), face.log_penalty[i]
        if self.wall.layered:
            k, tau = np.exp(log_k), np.exp(log_tau)
            return SkinRise(rise).share(depth, tau, age, penalty=k, skin=self._skin)
        return rise.share(depth / (2.0 * np.exp(0.5 * (log_tau + log_k))), age)

    def _critical_tau(self, depth: Array, log_k: Number, age: float) -> Array:
        """Return tau of good concrete at which the front of this age reaches a depth [mm2]."""
        if not self.wall.layered:
            return self._critical(depth, age) * np.exp(-log_k)
        k, ratio = np.exp(log_k), self.face.ratio
        return layered_critical_tau(depth, ratio, penalty=k, skin=self._skin)

    def _skin_critical(self, depth: Array, age: float) -> Iterator[Array]:
        """Yield the same for each strategy, where a rise lies over a skin."""
        assert self.rise is not None
        for k in self._stacks():
            yield from SkinRise(self.rise).critical(depth, age, penalty=k, skin=self._skin)

    def _stacks(self) -> Iterator[Array]:
        """Yield the penalties of some strategies, (s, n): small samples go through one search."""
        log_k = np.array(np.broadcast_arrays(*self.face.log_penalty, np.zeros(1))[:-1])
        some = max(STACKED // np.size(self.face.ratio), 1)
        for first in range(0, len(log_k), some):
            yield np.exp(log_k[first : first + some])

    def _critical(self, depth: Array, age: float) -> Array:
        """Return k_c tau at which a front with the root of this age reaches a depth [mm2]."""
        root, edge = self._root(age)
        with np.errstate(divide="ignore", invalid="ignore"):
            tau = (np.maximum(depth, 0.0) / (2.0 * root)) ** 2
        return np.where(root > 0.0, tau, np.where(np.isinf(edge), 0.0, np.inf))

    def _chloride_log_age(self, deep: Array, log_k: Number, searched: Array | None) -> Array:
        wall, face = self.wall, self.face
        depth = deep - np.asarray(face.zone)
        if wall.layered:
            k = np.exp(log_k)
            critical = layered_critical_tau(depth, face.ratio, penalty=k, skin=self._skin)
            with np.errstate(divide="ignore"):
                target = np.log(critical) - face.log_rate
            if searched is None:
                return wall.clock.log_age(target, face.exponent)
            return age_of(searched, 0.5 * target)
        if searched is None:
            with np.errstate(divide="ignore"):
                target = np.log(self._critical(depth, 1.0)) - log_k - face.log_rate
            return wall.clock.log_age(target, face.exponent)
        with np.errstate(divide="ignore"):
            wanted = np.log(np.maximum(depth, 0.0) / 2.0) - 0.5 * (face.log_rate + log_k)
        ages = age_of(searched, wanted)
        return np.where(np.asarray(face.ratio) <= 0.0, -np.inf, ages)

    def _skin_log_age(self, deep: Array, log_k: Number, searched: Array) -> Array:
        assert self.rise is not None
        face, skin = self.face, SkinRise(self.rise)
        # what the seasons add to the logarithm of tau at the searched ages
        plain = self.wall.clock.log_shape(SEARCHED[:, None], np.atleast_1d(face.exponent))
        return skin.log_age(
            np.maximum(deep - np.asarray(face.zone), 0.0),
            face.log_rate,
            penalty=np.exp(log_k),
            skin=self._skin,
            ages=SEARCHED,
            seasons=2.0 * searched - plain,
        )

    def _searched(self, root: float | None) -> Array:
        """Logarithm of root sqrt(tau/rate) at the searched ages, (t, n), never falling."""
        rows = []
        for age in SEARCHED:
            own = self._root(float(age))[0] if root is None else np.asarray(root)
            with np.errstate(divide="ignore"):
                rows.append(np.log(own) + 0.5 * self.log_shape(float(age)))
        return np.maximum.accumulate(np.array(np.broadcast_arrays(*rows, np.zeros(1))[:-1]))
