"""Depth of the front in a face of several layers, or under a coating that ends one day.

Finite volumes in transformed time, blocks of samples solved together. Contents are relative to
the surface content. The inner cells do not depend on age or coating, so the elimination runs from
the deep end to the surface and only the last pivot changes with the coating. Steps double level
by level, so that one factorisation serves a level.

Axes: n samples, m layers, c cells, t recorded times.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stripwise.ingress.finite_volume.face_layers import FaceLayers
from stripwise.ingress.finite_volume.finite_volume_solver import (
    SOLVER_BLOCK_SIZE,
    FiniteVolumeSolver,
    Grid,
)

__all__ = ["DEFAULT_GRID", "CoatingResistance", "FrontHistory", "solve_content", "solve_fronts"]

Array = NDArray[np.float64]
CoatingResistance = Callable[[Array, slice], Array]
"""From transformed times (t, b) of a block of samples to the resistance of their coating [mm]."""

DEFAULT_GRID = Grid()


@dataclass(frozen=True, slots=True)
class FrontHistory:
    """Front depths over transformed time.

    Attributes
    ----------
    fractions
        Per phase: (t,) recorded times as fractions of the phase, from 0.
    depths
        Per phase: (t, n) depths below the convection zone [mm], never falling; negative while the
        content at the surface itself is below the ratio.
    starts, ends
        Per phase: (n,) transformed times [mm2].
    """

    fractions: tuple[Array, ...]
    depths: tuple[Array, ...]
    starts: tuple[Array, ...]
    ends: tuple[Array, ...]

    def depth_at(self, tau: ArrayLike) -> Array:
        """Return depths (n,) [mm] below the convection zone at transformed times (n,) [mm2].

        Negative where there is no front yet; times are at most the end of the solution.
        """
        when = np.asarray(tau, dtype=float)
        result = np.zeros(self.depths[0].shape[1])
        for fractions, depths, start, end in self._phases():
            with np.errstate(divide="ignore", invalid="ignore"):
                fraction = (when - start) / (end - start)
            fraction = np.where(end > start, fraction, np.where(when >= start, 1.0, -1.0))
            row = np.clip(np.searchsorted(fractions, fraction), 1, len(fractions) - 1)
            column = np.arange(depths.shape[1])
            # between two records the depth is nearly straight in the root of time
            low, high = np.sqrt(fractions[row - 1]), np.sqrt(fractions[row])
            weight = (np.sqrt(np.clip(fraction, 0.0, 1.0)) - low) / (high - low)
            depth = depths[row - 1, column]
            depth = depth + weight * (depths[row, column] - depth)
            result = np.where(fraction >= 0.0, depth, result)
        return np.asarray(result)

    def tau_at(self, depth: ArrayLike) -> Array:
        """Return first transformed times (n,) [mm2] at depths (n,) [mm]: inverse of `depth_at`.

        A depth below 0 counts as 0; inf where not within the solution.
        """
        target = np.maximum(np.asarray(depth, dtype=float), 0.0)
        result = np.full(self.depths[0].shape[1], np.inf)
        for fractions, depths, start, end in reversed(self._phases()):
            row = np.sum(depths < target, axis=0)
            inside = row < len(fractions)
            row = np.clip(row, 1, len(fractions) - 1)
            column = np.arange(depths.shape[1])
            before, after = depths[row - 1, column], depths[row, column]
            low, high = np.sqrt(fractions[row - 1]), np.sqrt(fractions[row])
            with np.errstate(divide="ignore", invalid="ignore"):
                weight = np.where(after > before, (target - before) / (after - before), 0.0)
            root = low + np.clip(weight, 0.0, 1.0) * (high - low)
            result = np.where(inside, start + root * root * (end - start), result)
        return np.asarray(result)

    def _phases(self) -> list[tuple[Array, Array, Array, Array]]:
        return list(zip(self.fractions, self.depths, self.starts, self.ends, strict=True))


def solve_fronts(
    ratio: ArrayLike,
    tau: ArrayLike,
    *,
    layers: FaceLayers,
    coating_resistance: CoatingResistance | None = None,
    coating_end: ArrayLike | None = None,
    grid: Grid = DEFAULT_GRID,
) -> FrontHistory:
    """Follow the front of every sample from first exposure to a transformed time.

    Parameters
    ----------
    ratio
        (n,) from `stripwise.ingress.front.critical_ratio`, in (0, 1).
    tau
        (n,) transformed times of the good concrete at the end [mm2].
    layers
        Layers of the n faces.
    coating_resistance
        Resistance of a coating; None without one.
    coating_end
        (n,) transformed times at which the coating ends [mm2]; only with a coating.
    grid
        Cells and steps.

    Returns
    -------
    The `FrontHistory`.

    Notes
    -----
    dC/dtau = d/dx (k dC/dx) with k = D(x) / D of the good concrete; at the surface
    k dC/dx = (C - 1) / W, W = (thickness / diffusivity of the coating) dtau/dt, zero once it has
    ended. Second order in cell size and step (backward differences of two steps).
    """
    rho, end = np.broadcast_arrays(np.asarray(ratio, dtype=float), np.asarray(tau, dtype=float))
    phases = _phases(end, coating_end if coating_resistance is not None else None, grid)
    size = end.size
    recorded = tuple(np.concatenate([[0.0], fractions[1::2]]) for fractions, _, _ in phases)
    depths = tuple(np.empty((len(fractions), size)) for fractions in recorded)
    for first in range(0, size, SOLVER_BLOCK_SIZE):
        block = slice(first, min(first + SOLVER_BLOCK_SIZE, size))
        solver = FiniteVolumeSolver.from_layers(layers.subset(block), np.sqrt(end[block]), grid)
        for phase, (fractions, begin, stop) in enumerate(phases):
            table = depths[phase][:, block]
            span = stop[block] - begin[block]
            resistance = None
            if coating_resistance is not None and phase == 0:
                resistance = coating_resistance(fractions[:, None] * span, block)
            for step in solver.run(span, fractions, len(fractions) // grid.levels, resistance):
                if step % 2 == 1:
                    table[(step + 1) // 2] = solver.front_depth(rho[block])
            before = depths[phase - 1][-1, block] if phase else np.minimum(table[1], 0.0)
            table[0] = before
            np.maximum.accumulate(table, axis=0, out=table)
    return FrontHistory(recorded, depths, tuple(p[1] for p in phases), tuple(p[2] for p in phases))


def solve_content(
    depth: ArrayLike,
    tau: ArrayLike,
    *,
    layers: FaceLayers,
    coating_resistance: CoatingResistance | None = None,
    coating_end: ArrayLike | None = None,
    grid: Grid = DEFAULT_GRID,
) -> Array:
    """Content relative to that of the surface, at depths, at the end of a transformed time.

    Parameters
    ----------
    depth
        (n,), or (p, n) for a profile: depths below the convection zone [mm]; 0 or less is the
        surface.
    tau, layers, coating_resistance, coating_end, grid
        As for `solve_fronts`.

    Returns
    -------
    Relative contents in [0, 1] of the shape of `depth`.
    """
    x, end = np.asarray(depth, dtype=float), np.asarray(tau, dtype=float)
    phases = _phases(end, coating_end if coating_resistance is not None else None, grid)
    out = np.empty(np.broadcast_shapes(x.shape, end.shape))
    x = np.broadcast_to(x, out.shape)
    for first in range(0, end.size, SOLVER_BLOCK_SIZE):
        block = slice(first, min(first + SOLVER_BLOCK_SIZE, end.size))
        solver = FiniteVolumeSolver.from_layers(layers.subset(block), np.sqrt(end[block]), grid)
        for phase, (fractions, begin, stop) in enumerate(phases):
            span = stop[block] - begin[block]
            resistance = None
            if coating_resistance is not None and phase == 0:
                resistance = coating_resistance(fractions[:, None] * span, block)
            for _ in solver.run(span, fractions, len(fractions) // grid.levels, resistance):
                pass
        out[..., block] = solver.content_at(x[..., block])
    return out


def _phases(
    end: Array, coating_end: ArrayLike | None, grid: Grid
) -> list[tuple[Array, Array, Array]]:
    """Return step ends, start and end of each phase; with a coating that ends there are two."""
    zero = np.zeros(end.shape)
    if coating_end is None:
        return [(grid.step_ends(grid.steps_per_level), zero, end)]
    fractions = grid.step_ends(grid.steps_per_level // 2)
    switch = np.minimum(np.broadcast_to(np.asarray(coating_end, dtype=float), end.shape), end)
    return [(fractions, zero, switch), (fractions, switch, end)]
