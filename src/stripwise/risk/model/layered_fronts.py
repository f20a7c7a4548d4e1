"""How deep the fronts are behind layers or a coating, where only a numerical solution tells.

The concrete's time runs as tau, the coating's by the clock: its resistance to the concrete is
(thickness / diffusivity) dtau/dt, which reads the slope of tau as the diffusivity of the instant.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stripwise.ingress.finite_volume.face_layers import FaceLayers
from stripwise.ingress.finite_volume.finite_volume_solver import Grid
from stripwise.ingress.finite_volume.numerical_front import (
    CoatingResistance,
    FrontHistory,
    solve_content,
    solve_fronts,
)
from stripwise.ingress.transformed_time import AgeingLaw
from stripwise.risk.model.service_conditions import ServiceSample

__all__ = ["NumericalFronts", "build_face_layers"]

PENALTY_NODES = 5
"""Solutions from which those of more strategies are interpolated over ln k_c."""

Array = NDArray[np.float64]
Number = Array | float


def build_face_layers(
    service: ServiceSample,
    *,
    zone: Number,
    skin: Number,
    log_penalty: Number,
    size: int,
    surface: Number = 0.0,
) -> FaceLayers:
    """Stack the layers of a block of samples below the convection zone, one more where a skin ends.

    `zone` and `skin` are where the convection zone and the penalty end, `surface` where the layers
    begin [mm]; `size` is n.
    """
    edges = [np.broadcast_to(np.asarray(surface, dtype=float), size)]
    for thickness, _, _ in service.layers:
        edges.append(edges[-1] + thickness)
    limited = bool(np.any(np.isfinite(skin)))
    ends = [*edges[1:], np.broadcast_to(np.asarray(skin, dtype=float), size)] if limited else edges
    bounds = np.sort(np.array(ends if limited else ends[1:]).reshape(-1, size), axis=0)
    middle = 0.5 * (bounds + np.concatenate([edges[0][None], bounds[:-1]]))
    middle = np.concatenate([middle, np.full((1, size), np.inf)])[-len(bounds) - 1 :]
    factor, share = np.ones_like(middle), np.ones_like(middle)
    for top, (thickness, own, part) in zip(edges, service.layers, strict=False):
        inside = (middle > top) & (middle <= top + thickness)
        factor, share = np.where(inside, own, factor), np.where(inside, part, share)
    factor = factor * np.exp(np.where(middle <= skin, share, 0.0) * log_penalty)
    below = np.maximum(bounds - zone, 0.0)
    return FaceLayers(np.diff(below, axis=0, prepend=0.0), factor)


@dataclass(frozen=True, slots=True)
class NumericalFronts:
    """The chloride fronts of one block of samples, n of them.

    Attributes
    ----------
    ratio, zone, log_rate, exponent
        (n,) as in a `stripwise.risk.model.wall.SampleBlock`; the ratio of samples without a moving
        front is one half.
    log_penalty
        ln k_c of each strategy, (n,) each.
    layers
        ln k_c -> the layers under that penalty.
    coating
        (n,) resistance [yr/mm] and life [yr]; None without one.
    ageing_law, horizon, grid
        Ageing, age to which the solution goes [yr], and its cells and steps.
    log_effective_time
        Age [yr] -> (n,) ln(tau / rate), seasons included.
    front_histories
        Cached solutions by strategy; below 0 those at the nodes of ln k_c.

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
    layers: Callable[[Array], FaceLayers]
    coating: tuple[Array, Array] | None
    ageing_law: AgeingLaw
    horizon: float
    grid: Grid
    log_effective_time: Callable[[float], Array]
    front_histories: dict[int, FrontHistory]

    def tau(self, age: float) -> Array:
        """Return the transformed time of the good concrete at an age [yr], (n,) [mm2]."""
        return np.asarray(np.exp(self.log_rate + self.log_effective_time(age)))

    def depth(self, strategy: int, age: float) -> Array:
        """Return the depth of the front from the surface [mm], (n,); 0 where there is none yet."""
        front = self._solution(strategy).depth_at(self.tau(min(age, self.horizon)))
        return np.where(front >= 0.0, self.zone + front, 0.0)

    def share(self, strategy: int, age: float, depth: Array) -> Array:
        """Return shares of the surface content at depths from the surface [mm], (n,), at an age."""
        coating_resistance, coating_end = self._outer()
        return solve_content(
            np.maximum(depth - self.zone, 0.0),
            self.tau(age),
            coating_resistance=coating_resistance,
            coating_end=coating_end,
            layers=self.layers(self.log_penalty[strategy]),
            grid=self.grid,
        )

    def log_time(self, strategy: int, depth: Array) -> Array:
        """Return ln(tau / rate), (n,), at which the front is at a depth [mm]; inf never."""
        with np.errstate(divide="ignore"):
            tau = self._solution(strategy).tau_at(np.asarray(depth) - self.zone)
            return np.asarray(np.log(tau) - self.log_rate)

    def _solution(self, strategy: int) -> FrontHistory:
        front_history = self.front_histories.get(strategy)
        if front_history is None:
            if len(self.log_penalty) > PENALTY_NODES:
                front_history = self._interpolate(strategy)
            else:
                front_history = self._solve(self.log_penalty[strategy])
            self.front_histories[strategy] = front_history
        return front_history

    def _solve(self, log_penalty: Array) -> FrontHistory:
        coating_resistance, coating_end = self._outer()
        return solve_fronts(
            self.ratio,
            self.tau(self.horizon),
            layers=self.layers(log_penalty),
            coating_resistance=coating_resistance,
            coating_end=coating_end,
            grid=self.grid,
        )

    def _interpolate(self, strategy: int) -> FrontHistory:
        low, high = np.min(self.log_penalty, axis=0), np.max(self.log_penalty, axis=0)
        middle, half = 0.5 * (low + high), 0.5 * (high - low)
        # the ends are among the points, so that nothing is extrapolated
        points = -np.cos(np.linspace(0.0, np.pi, PENALTY_NODES))
        position = (self.log_penalty[strategy] - middle) / np.where(half > 0.0, half, 1.0)
        # what is left of a kink where a front crosses a layer is smaller over resistance than depth
        totals: list[Array | float] = [0.0, 0.0]
        front_history = None
        for j, point in enumerate(points):
            log_k = middle + point * half
            if -1 - j not in self.front_histories:
                self.front_histories[-1 - j] = self._solve(log_k)
            front_history = self.front_histories[-1 - j]
            others = np.delete(points, j)[:, None]
            weight = np.prod((position - others) / (point - others), axis=0)
            layers = self.layers(log_k)
            for phase, depths in enumerate(front_history.depths):
                totals[phase] = totals[phase] + weight * layers.resistance_from_depth(depths)
        assert front_history is not None
        own = self.layers(self.log_penalty[strategy])
        front = [
            own.depth_from_resistance(np.asarray(r)) for r in totals[: len(front_history.depths)]
        ]
        return replace(front_history, depths=tuple(np.maximum.accumulate(x, axis=0) for x in front))

    def _outer(self) -> tuple[CoatingResistance | None, Array | None]:
        if self.coating is None:
            return None, None
        resistance, life = self.coating

        def coating_resistance(tau: Array, block: slice) -> Array:
            rate, exponent = self.log_rate[block], self.exponent[block]
            with np.errstate(divide="ignore", over="ignore"):
                age = self.ageing_law.age(np.log(tau) - rate, exponent)
                speed = self.ageing_law.log_effective_time_rate(np.maximum(age, 1e-300), exponent)
            uptake = np.exp(np.minimum(rate + speed, MAX_LOG_SPEED))
            return np.asarray(resistance[block] * uptake)

        with np.errstate(divide="ignore", invalid="ignore"):
            coating_end = np.exp(
                self.log_rate + self.ageing_law.log_effective_time(life, self.exponent)
            )
        return coating_resistance, np.where(life > 0.0, coating_end, 0.0)


MAX_LOG_SPEED = 60.0
"""Where the concrete takes chloride faster than exp(60) mm2/yr, the coating lets none through."""
