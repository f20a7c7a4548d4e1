"""Fronts of faces with layers or a coating, for one cell of faces: the numerical path.

The concrete's time runs as tau, the coating's by the clock: its resistance to the concrete is
(thickness / diffusivity) dtau/dt, which reads the slope of tau as the diffusivity of the instant.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stripwise.ingress.clock import Clock
from stripwise.ingress.finite_volume.face_layers import Strata
from stripwise.ingress.finite_volume.finite_volume_solver import Grid
from stripwise.ingress.finite_volume.numerical_front import Course, Outer, content, fronts
from stripwise.risk.model.service_conditions import Extras

__all__ = ["NumericalFronts", "strata_of"]

PENALTY_NODES = 5
"""Solutions from which those of more strategies are interpolated over ln k_c."""

Array = NDArray[np.float64]
Number = Array | float


def strata_of(
    extras: Extras,
    *,
    zone: Number,
    skin: Number,
    log_penalty: Number,
    size: int,
    surface: Number = 0.0,
) -> Strata:
    """Lay the layers of a cell of faces, below the convection zone.

    Parameters
    ----------
    extras
        With the layers as drawn.
    zone
        Where the convection zone ends, which takes what lies in it [mm].
    skin
        Depth down to which the penalty holds [mm]; inf for the whole cover.
    log_penalty
        ln k_c.
    size
        Number of faces n.
    surface
        Depth of the surface, where the layers begin [mm].

    Returns
    -------
    The `Strata`: as many layers as the scenario has, and one more where the skin has an end.
    """
    edges = [np.broadcast_to(np.asarray(surface, dtype=float), size)]
    for thickness, _, _ in extras.layers:
        edges.append(edges[-1] + thickness)
    limited = bool(np.any(np.isfinite(skin)))
    ends = [*edges[1:], np.broadcast_to(np.asarray(skin, dtype=float), size)] if limited else edges
    bounds = np.sort(np.array(ends if limited else ends[1:]).reshape(-1, size), axis=0)
    middle = 0.5 * (bounds + np.concatenate([edges[0][None], bounds[:-1]]))
    middle = np.concatenate([middle, np.full((1, size), np.inf)])[-len(bounds) - 1 :]
    factor, share = np.ones_like(middle), np.ones_like(middle)
    for top, (thickness, own, part) in zip(edges, extras.layers, strict=False):
        inside = (middle > top) & (middle <= top + thickness)
        factor, share = np.where(inside, own, factor), np.where(inside, part, share)
    factor = factor * np.exp(np.where(middle <= skin, share, 0.0) * log_penalty)
    below = np.maximum(bounds - zone, 0.0)
    return Strata(np.diff(below, axis=0, prepend=0.0), factor)


@dataclass(frozen=True, slots=True)
class NumericalFronts:
    """The chloride fronts of one cell of faces, n of them.

    Attributes
    ----------
    ratio, zone, log_rate, exponent
        (n,) as in a `stripwise.risk.model.wall.Face`, the ratio of faces without a moving front
        replaced by one half.
    log_penalty
        ln k_c of each strategy, (n,) each.
    strata
        ln k_c -> the layers under that penalty.
    coating
        (n,) resistance [yr/mm] and life [yr]; None without one.
    clock, horizon, grid
        Ageing, age to which the solution goes [yr], and its cells and steps.
    log_shape
        Age [yr] -> (n,) ln(tau / rate), seasons included.
    courses
        Solutions already found, by strategy; below 0 those at the nodes of ln k_c.

    Notes
    -----
    Strategies differ in their penalty alone, and the depth of a front at a transformed time is
    smooth in it. Where there are more than `PENALTY_NODES` of them, the solutions are polynomials
    in ln k_c through as many Chebyshev points between the least and the largest of each sample.
    """

    ratio: Array
    zone: Array
    log_rate: Array
    exponent: Array
    log_penalty: tuple[Array, ...]
    strata: Callable[[Array], Strata]
    coating: tuple[Array, Array] | None
    clock: Clock
    horizon: float
    grid: Grid
    log_shape: Callable[[float], Array]
    courses: dict[int, Course]

    def tau(self, age: float) -> Array:
        """Return the transformed time of the good concrete at an age [yr], (n,) [mm2]."""
        return np.asarray(np.exp(self.log_rate + self.log_shape(age)))

    def depth(self, strategy: int, age: float) -> Array:
        """Return the depth of the front from the surface [mm], (n,); 0 where there is none yet."""
        found = self._course(strategy).at(self.tau(min(age, self.horizon)))
        return np.where(found >= 0.0, self.zone + found, 0.0)

    def share(self, strategy: int, age: float, depth: Array) -> Array:
        """Return shares of the surface content at depths from the surface [mm], (n,), at an age."""
        outer, until = self._outer()
        return content(
            np.maximum(depth - self.zone, 0.0),
            self.tau(age),
            outer=outer,
            until=until,
            strata=self.strata(self.log_penalty[strategy]),
            grid=self.grid,
        )

    def log_time(self, strategy: int, depth: Array) -> Array:
        """Return ln(tau / rate), (n,), at which the front is at a depth [mm]; inf never."""
        with np.errstate(divide="ignore"):
            tau = self._course(strategy).reached(np.asarray(depth) - self.zone)
            return np.asarray(np.log(tau) - self.log_rate)

    def _course(self, strategy: int) -> Course:
        course = self.courses.get(strategy)
        if course is None:
            if len(self.log_penalty) > PENALTY_NODES:
                course = self._interpolated(strategy)
            else:
                course = self._solved(self.log_penalty[strategy])
            self.courses[strategy] = course
        return course

    def _solved(self, log_penalty: Array) -> Course:
        outer, until = self._outer()
        return fronts(
            self.ratio,
            self.tau(self.horizon),
            strata=self.strata(log_penalty),
            outer=outer,
            until=until,
            grid=self.grid,
        )

    def _interpolated(self, strategy: int) -> Course:
        low, high = np.min(self.log_penalty, axis=0), np.max(self.log_penalty, axis=0)
        middle, half = 0.5 * (low + high), 0.5 * (high - low)
        # the ends are among the points, so that nothing is extrapolated
        points = -np.cos(np.linspace(0.0, np.pi, PENALTY_NODES))
        place = (self.log_penalty[strategy] - middle) / np.where(half > 0.0, half, 1.0)
        # what is left of a kink where a front crosses a layer is smaller over resistance than depth
        totals: list[Array | float] = [0.0, 0.0]
        course = None
        for j, point in enumerate(points):
            log_k = middle + point * half
            if -1 - j not in self.courses:
                self.courses[-1 - j] = self._solved(log_k)
            course = self.courses[-1 - j]
            others = np.delete(points, j)[:, None]
            weight = np.prod((place - others) / (point - others), axis=0)
            layers = self.strata(log_k)
            for phase, depths in enumerate(course.depths):
                totals[phase] = totals[phase] + weight * layers.resistance_at(depths)
        assert course is not None
        own = self.strata(self.log_penalty[strategy])
        found = [own.depth_of_resistance(np.asarray(r)) for r in totals[: len(course.depths)]]
        return replace(course, depths=tuple(np.maximum.accumulate(x, axis=0) for x in found))

    def _outer(self) -> tuple[Outer | None, Array | None]:
        if self.coating is None:
            return None, None
        resistance, life = self.coating

        def outer(tau: Array, block: slice) -> Array:
            rate, exponent = self.log_rate[block], self.exponent[block]
            with np.errstate(divide="ignore", over="ignore"):
                age = self.clock.age(np.log(tau) - rate, exponent)
                speed = self.clock.log_speed(np.maximum(age, 1e-300), exponent)
            slowed = np.exp(np.minimum(rate + speed, LARGEST))
            return np.asarray(resistance[block] * slowed)

        with np.errstate(divide="ignore", invalid="ignore"):
            until = np.exp(self.log_rate + self.clock.log_shape(life, self.exponent))
        return outer, np.where(life > 0.0, until, 0.0)


LARGEST = 60.0
"""Where the concrete takes chloride faster than exp(60) mm2/yr, the coating lets none through."""
