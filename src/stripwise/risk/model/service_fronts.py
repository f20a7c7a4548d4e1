"""How deep the fronts are under service conditions: rising surface chloride, seasons, carbonation.

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
from stripwise.ingress.season import seasonal_factor
from stripwise.ingress.surface_history.duhamel_front import DuhamelFront
from stripwise.ingress.surface_history.layered_duhamel_front import LayeredDuhamelFront
from stripwise.risk.model.initiation_search import SEARCH_AGES, interpolate_log_age
from stripwise.risk.model.layered_fronts import NumericalFronts, build_face_layers
from stripwise.risk.model.service_conditions import ServiceConditions, ServiceSample
from stripwise.risk.model.wall import Number, SampleBlock, Wall

__all__ = ["ServiceFronts"]

Array = NDArray[np.float64]

MAX_STACK_SIZE = 4096
"""Most samples times strategies in one root search over a skin; more would leave the cache."""


@dataclass(frozen=True, slots=True)
class ServiceFronts:
    """The fronts of one block of samples under service conditions.

    Attributes
    ----------
    wall, block, conditions, service
        The wall and n samples of it, its service conditions and their sampled values.
    rise
        The root under a surface content that changes; None where it is constant.
    numerical
        The chloride fronts of a face with layers or a coating; None without.
    """

    wall: Wall
    block: SampleBlock
    conditions: ServiceConditions
    service: ServiceSample
    rise: DuhamelFront | None
    numerical: NumericalFronts | None = None

    @classmethod
    def from_block(cls, wall: Wall, block: SampleBlock) -> ServiceFronts:
        """Prepare the fronts of a block of samples."""
        conditions, service = wall.conditions, block.service
        assert conditions is not None
        assert service is not None
        rise = None
        if conditions.history is not None and conditions.chloride:
            rise = DuhamelFront.from_history(
                conditions.history,
                ratio=block.ratio,
                duration=service.duration,
                ageing_law=wall.ageing_law,
                exponent=block.exponent,
            )
        fronts = cls(wall, block, conditions, service, rise)
        if not (conditions.numerical and conditions.chloride):
            return fronts
        return replace(fronts, numerical=fronts._build_numerical())

    def depths(self, age: float) -> Iterator[Array]:
        """Yield the depth of the deeper front (n,) [mm] at an age [yr], per strategy.

        0 where there is no front, inf where depassivated from the start.
        """
        chloride = self._chloride_depths(age) if self.conditions.chloride else None
        for i in range(len(self.wall.plans)):
            depth = next(chloride) if chloride is not None else np.zeros(1)
            if self.conditions.carbonation:
                depth = np.maximum(depth, self.carbonated_depth(i, age))
            yield np.asarray(depth * self.service.factor)

    def critical_diffusivity_factors(self, age: float, cover: Number) -> Iterator[Array]:
        """Yield the least factor (n,) on the diffusivity that brings a front to the bars by an age.

        Per strategy, for a cover [mm]; 0 where the steel is depassivated with any, inf with none.
        """
        scaled_cover = np.asarray(cover) / self.service.factor
        block = self.block
        over_skin = None
        if self.rise is not None and self.wall.layered and self.conditions.chloride:
            over_skin = self._skin_critical(scaled_cover - np.asarray(block.zone), age)
        for i, log_k in enumerate(block.log_penalty):
            critical_factor: Array = np.full(1, np.inf)
            if self.numerical is not None:
                # no scaling of the diffusivity turns one solution into another: it is yes or no
                critical_factor = np.where(
                    self._numerical_depth(i, age) >= scaled_cover, 0.0, np.inf
                )
            elif self.conditions.chloride:
                tau = np.exp(block.log_rate + self.log_effective_time(age))
                depth = scaled_cover - np.asarray(block.zone)
                critical = next(over_skin) if over_skin else self._critical_tau(depth, log_k, age)
                with np.errstate(divide="ignore", invalid="ignore"):
                    critical_factor = np.where(critical > 0.0, critical / tau, 0.0)
            if self.conditions.carbonation:
                critical_factor = np.where(
                    self.carbonated_depth(i, age) >= scaled_cover, 0.0, critical_factor
                )
            yield critical_factor

    def is_depassivated(self, age: float, cover: Number) -> Iterator[NDArray[np.bool_]]:
        """Yield whether a front is at a cover [mm] at an age [yr], (n,) per strategy.

        Where the surface content only rises, the content at the bars is compared with the critical
        one, without the root search of `depths`; a numerical solution is run again to the age.
        """
        history = self.conditions.history
        if self.numerical is not None:
            yield from self._numerically_depassivated(age, np.asarray(cover))
            return
        if self.rise is None or history is None or history.falls:
            for depth in self.depths(age):
                yield depth >= cover
            return
        block = self.block
        ratio = np.asarray(block.ratio)
        scaled_cover = np.asarray(cover) / self.service.factor
        started = (self.rise.history.relative_content(age, self.service.duration) > ratio) | (
            ratio <= 0.0
        )
        depth = np.maximum(scaled_cover - block.zone, 0.0)
        for i in range(len(block.log_penalty)):
            depassivated = started & ((self.content_share(depth, i, age) >= ratio) | (ratio <= 0.0))
            if self.conditions.carbonation:
                depassivated = depassivated | (self.carbonated_depth(i, age) >= scaled_cover)
            yield depassivated

    def log_initiation_ages(self, cover: Number) -> Array:
        """Return ln of the ages at depassivation (s, n) [yr] for a cover [mm]; -inf from the start.

        inf never, or beyond 1,000 yr where they are interpolated (changing content or season).
        """
        scaled_cover = np.asarray(cover) / self.service.factor
        log_ages = []
        growth_table = None
        layered_rise = self.wall.layered and self.rise is not None
        if self.numerical is not None:
            growth_table = None if self.service.deviations is None else self._log_growth_table(1.0)
        elif self.conditions.chloride and (self.rise or self.service.deviations is not None):
            growth_table = self._log_growth_table(1.0 if self.wall.layered else None)
        for i, log_k in enumerate(self.block.log_penalty):
            ages: Array = np.full(1, np.inf)
            if self.numerical is not None:
                ages = self._numerical_log_age(i, scaled_cover, growth_table)
            elif self.conditions.chloride:
                if layered_rise and growth_table is not None:
                    ages = self._skin_log_age(scaled_cover, log_k, growth_table)
                else:
                    ages = self._chloride_log_age(scaled_cover, log_k, growth_table)
            if self.conditions.carbonation:
                rate = self.service.carbonation[i]
                with np.errstate(divide="ignore"):
                    other = np.log(
                        carbonation_age(scaled_cover, rate=rate, power=self.service.power)
                    )
                ages = np.minimum(ages, other)
            log_ages.append(ages)
        return np.stack(np.broadcast_arrays(*log_ages, np.zeros(1))[:-1])

    def carbonated_depth(self, i: int, age: float) -> Array:
        """Return the carbonation depth (n,) [mm] of strategy i, before the model factor."""
        rate, power = self.service.carbonation[i], self.service.power
        return carbonation_depth(age, rate=rate, power=power)

    def log_effective_time(self, age: float) -> Array:
        """Return ln(tau / rate) at an age [yr], (n,), seasons integrated where the wall says so."""
        without_seasons = self.wall.ageing_law.log_effective_time(age, self.block.exponent)
        deviations, first_month = self.service.deviations, self.conditions.first_month
        if deviations is None or first_month is None:
            return without_seasons
        factor = seasonal_factor(
            age,
            self.block.exponent,
            deviations=deviations,
            ageing_law=self.wall.ageing_law,
            first_month=first_month,
        )
        return np.asarray(without_seasons + np.log(factor))

    def _root(self, age: float) -> tuple[Array, Array]:
        """Return the root of the front, and the depth that it starts from."""
        block = self.block
        if self.rise is None:
            return np.asarray(block.root), np.asarray(block.start_depth)
        root = self.service.roots_by_age.get(age)
        if root is None:
            root = self.service.roots_by_age[age] = self.rise.root(age)
        start_depth = np.where(root > 0.0, block.start_depth, 0.0)
        return np.where(np.isfinite(root), root, 0.0), start_depth

    def _chloride_depths(self, age: float) -> Iterator[Array]:
        wall, block = self.wall, self.block
        if self.numerical is not None:
            for i in range(len(wall.plans)):
                yield self._numerical_depth(i, age)
            return
        log_effective_time = self.log_effective_time(age)
        if wall.layered:
            ratio = np.asarray(block.ratio)
            front_ratio = np.where((ratio > 0.0) & (ratio < 1.0), ratio, 1.0)
            tau, skin = np.exp(block.log_rate + log_effective_time), self._skin_thickness
            if self.rise is not None:
                for k in self._penalty_stacks():
                    for depth in LayeredDuhamelFront(self.rise).depth(
                        tau, age, penalty=k, skin=skin
                    ):
                        yield np.where(depth > 0.0, block.zone + depth, 0.0)
                return
            for log_k in block.log_penalty:
                k = np.exp(log_k)
                yield block.start_depth + layered_front_depth(
                    front_ratio, tau, penalty=k, skin=skin
                )
            return
        root, start_depth = self._root(age)
        spread = 2.0 * root * np.exp(0.5 * (block.log_rate + log_effective_time))
        for log_k in block.log_penalty:
            yield np.asarray(start_depth + spread * np.exp(0.5 * log_k))

    def _build_numerical(self) -> NumericalFronts:
        block, conditions, service = self.block, self.conditions, self.service
        parts = [
            block.ratio,
            block.zone,
            block.log_rate,
            block.exponent,
            block.skin,
            *block.log_penalty,
        ]
        parts += [part for layer in service.layers for part in layer]
        parts += [*service.coating] if service.coating else []
        size = np.broadcast_shapes(*(np.shape(part) for part in parts), (1,))[0]

        def full(value: Number) -> Array:
            return np.broadcast_to(np.asarray(value, dtype=float), (size,))

        ratio = full(block.ratio)
        build = partial(
            build_face_layers,
            service,
            zone=block.zone,
            skin=block.skin,
            surface=block.surface,
        )
        return NumericalFronts(
            ratio=np.where((ratio > 0.0) & (ratio < 1.0), ratio, 0.5),
            zone=full(block.zone),
            log_rate=full(block.log_rate),
            exponent=full(block.exponent),
            log_penalty=tuple(full(log_k) for log_k in block.log_penalty),
            layers=lambda log_k: build(log_penalty=log_k, size=size),
            coating=(full(service.coating[0]), full(service.coating[1]))
            if service.coating
            else None,
            ageing_law=self.wall.ageing_law,
            horizon=conditions.horizon,
            grid=conditions.grid,
            log_effective_time=self.log_effective_time,
            front_histories=service.front_histories,
        )

    def _numerical_depth(self, i: int, age: float) -> Array:
        assert self.numerical is not None
        ratio = np.asarray(self.block.ratio)
        has_front = (ratio > 0.0) & (ratio < 1.0)
        return np.where(has_front, self.numerical.depth(i, age), self.block.start_depth)

    def _numerically_depassivated(self, age: float, cover: Array) -> Iterator[NDArray[np.bool_]]:
        assert self.numerical is not None
        ratio, scaled_cover = np.asarray(self.block.ratio), cover / self.service.factor
        for i in range(len(self.wall.plans)):
            share = self.numerical.share(
                i, age, np.broadcast_to(scaled_cover, self.numerical.ratio.shape)
            )
            depassivated = (ratio <= 0.0) | ((ratio < 1.0) & (share >= ratio))
            if self.conditions.carbonation:
                depassivated = depassivated | (self.carbonated_depth(i, age) >= scaled_cover)
            yield depassivated

    def _numerical_log_age(self, i: int, scaled_cover: Array, growth_table: Array | None) -> Array:
        assert self.numerical is not None
        ratio = np.asarray(self.block.ratio)
        target = self.numerical.log_time(i, scaled_cover)
        if growth_table is None:
            log_ages = self.wall.ageing_law.log_age(target, self.block.exponent)
        else:
            log_ages = interpolate_log_age(growth_table, 0.5 * target)
        return np.where(ratio <= 0.0, -np.inf, np.where(ratio >= 1.0, np.inf, log_ages))

    @property
    def _skin_thickness(self) -> Array:
        """Thickness of the skin below the convection zone [mm]."""
        return np.asarray(np.maximum(self.block.skin - self.block.zone, 0.0))

    def content_share(self, depth: Array, i: int, age: float) -> Array:
        """Return the share of the full surface content at a depth below the convection zone."""
        block, rise = self.block, self.rise
        assert rise is not None
        log_tau, log_k = block.log_rate + self.log_effective_time(age), block.log_penalty[i]
        if self.wall.layered:
            k, tau = np.exp(log_k), np.exp(log_tau)
            return LayeredDuhamelFront(rise).relative_content(
                depth, tau, age, penalty=k, skin=self._skin_thickness
            )
        return rise.relative_content(depth / (2.0 * np.exp(0.5 * (log_tau + log_k))), age)

    def _critical_tau(self, depth: Array, log_k: Number, age: float) -> Array:
        """Return tau of good concrete at which the front of this age reaches a depth [mm2]."""
        if not self.wall.layered:
            return self._critical_penalised_tau(depth, age) * np.exp(-log_k)
        k, ratio = np.exp(log_k), self.block.ratio
        return layered_critical_tau(depth, ratio, penalty=k, skin=self._skin_thickness)

    def _skin_critical(self, depth: Array, age: float) -> Iterator[Array]:
        """Yield the same for each strategy, where a rise lies over a skin."""
        assert self.rise is not None
        for k in self._penalty_stacks():
            yield from LayeredDuhamelFront(self.rise).critical_tau(
                depth, age, penalty=k, skin=self._skin_thickness
            )

    def _penalty_stacks(self) -> Iterator[Array]:
        """Yield the penalties of some strategies, (s, n): small samples go through one search."""
        log_k = np.array(np.broadcast_arrays(*self.block.log_penalty, np.zeros(1))[:-1])
        stack_size = max(MAX_STACK_SIZE // np.size(self.block.ratio), 1)
        for first in range(0, len(log_k), stack_size):
            yield np.exp(log_k[first : first + stack_size])

    def _critical_penalised_tau(self, depth: Array, age: float) -> Array:
        """Return k_c tau at which a front with the root of this age reaches a depth [mm2]."""
        root, start_depth = self._root(age)
        with np.errstate(divide="ignore", invalid="ignore"):
            tau = (np.maximum(depth, 0.0) / (2.0 * root)) ** 2
        return np.where(root > 0.0, tau, np.where(np.isinf(start_depth), 0.0, np.inf))

    def _chloride_log_age(
        self, scaled_cover: Array, log_k: Number, growth_table: Array | None
    ) -> Array:
        wall, block = self.wall, self.block
        depth = scaled_cover - np.asarray(block.zone)
        if wall.layered:
            k = np.exp(log_k)
            critical = layered_critical_tau(
                depth, block.ratio, penalty=k, skin=self._skin_thickness
            )
            with np.errstate(divide="ignore"):
                target = np.log(critical) - block.log_rate
            if growth_table is None:
                return wall.ageing_law.log_age(target, block.exponent)
            return interpolate_log_age(growth_table, 0.5 * target)
        if growth_table is None:
            with np.errstate(divide="ignore"):
                target = np.log(self._critical_penalised_tau(depth, 1.0)) - log_k - block.log_rate
            return wall.ageing_law.log_age(target, block.exponent)
        with np.errstate(divide="ignore"):
            log_growth = np.log(np.maximum(depth, 0.0) / 2.0) - 0.5 * (block.log_rate + log_k)
        ages = interpolate_log_age(growth_table, log_growth)
        return np.where(np.asarray(block.ratio) <= 0.0, -np.inf, ages)

    def _skin_log_age(self, scaled_cover: Array, log_k: Number, growth_table: Array) -> Array:
        assert self.rise is not None
        block, skin = self.block, LayeredDuhamelFront(self.rise)
        # what the seasons add to the logarithm of tau at the searched ages
        without_seasons = self.wall.ageing_law.log_effective_time(
            SEARCH_AGES[:, None], np.atleast_1d(block.exponent)
        )
        return skin.log_age(
            np.maximum(scaled_cover - np.asarray(block.zone), 0.0),
            block.log_rate,
            penalty=np.exp(log_k),
            skin=self._skin_thickness,
            ages=SEARCH_AGES,
            seasons=2.0 * growth_table - without_seasons,
        )

    def _log_growth_table(self, root: float | None) -> Array:
        """Return ln(root sqrt(tau/rate)) at the searched ages, (t, n), never falling."""
        rows = []
        for age in SEARCH_AGES:
            own = self._root(float(age))[0] if root is None else np.asarray(root)
            with np.errstate(divide="ignore"):
                rows.append(np.log(own) + 0.5 * self.log_effective_time(float(age)))
        return np.maximum.accumulate(np.array(np.broadcast_arrays(*rows, np.zeros(1))[:-1]))
