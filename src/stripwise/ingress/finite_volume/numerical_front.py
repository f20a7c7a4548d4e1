"""Numerical fronts: faces of several layers, and coatings that keep chloride out for a while.

Finite volumes in transformed time, all samples of a cell swept together. Contents are shares of
the surface content; the inner cells know neither age nor coating, so that the elimination runs
from the deep end to the surface and only the last pivot changes where a coating's share of the
resistance does. Steps double level by level, so that one factorisation serves a level.

Axes: n samples, m layers, c cells, t recorded times.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stripwise.ingress.finite_volume.face_layers import Strata
from stripwise.ingress.finite_volume.finite_volume_solver import BLOCK, Grid, Sweep

__all__ = ["GRID", "Course", "Outer", "content", "fronts"]

Array = NDArray[np.float64]
Outer = Callable[[Array, slice], Array]
"""Transformed times (t, b) of a block of samples -> resistance of their coating [mm]."""

GRID = Grid()


@dataclass(frozen=True, slots=True)
class Course:
    """Front depths over transformed time.

    Attributes
    ----------
    shares
        Per phase: (t,) recorded times as shares of the phase, from 0.
    depths
        Per phase: (t, n) depths below the convection zone [mm], never falling; negative while the
        content at the surface itself is below the ratio.
    starts, ends
        Per phase: (n,) transformed times [mm2].
    """

    shares: tuple[Array, ...]
    depths: tuple[Array, ...]
    starts: tuple[Array, ...]
    ends: tuple[Array, ...]

    def at(self, tau: ArrayLike) -> Array:
        """Depth of the front at transformed times.

        Parameters
        ----------
        tau
            (n,) transformed times of the good concrete [mm2], at most the end of the solution.

        Returns
        -------
        (n,) depths below the convection zone [mm]; negative where there is no front yet.
        """
        when = np.asarray(tau, dtype=float)
        found = np.zeros(self.depths[0].shape[1])
        for shares, depths, start, end in self._phases():
            with np.errstate(divide="ignore", invalid="ignore"):
                part = (when - start) / (end - start)
            part = np.where(end > start, part, np.where(when >= start, 1.0, -1.0))
            row = np.clip(np.searchsorted(shares, part), 1, len(shares) - 1)
            column = np.arange(depths.shape[1])
            # between two records the depth is nearly straight in the root of time
            low, high = np.sqrt(shares[row - 1]), np.sqrt(shares[row])
            weight = (np.sqrt(np.clip(part, 0.0, 1.0)) - low) / (high - low)
            depth = depths[row - 1, column]
            depth = depth + weight * (depths[row, column] - depth)
            found = np.where(part >= 0.0, depth, found)
        return np.asarray(found)

    def reached(self, depth: ArrayLike) -> Array:
        """First transformed time at which the front is at a depth: inverse of `at`.

        Parameters
        ----------
        depth
            (n,) depths below the convection zone [mm]; below 0 counts as 0.

        Returns
        -------
        (n,) transformed times [mm2]; inf where not within the solution.
        """
        goal = np.maximum(np.asarray(depth, dtype=float), 0.0)
        found = np.full(self.depths[0].shape[1], np.inf)
        for shares, depths, start, end in reversed(self._phases()):
            row = np.sum(depths < goal, axis=0)
            inside = row < len(shares)
            row = np.clip(row, 1, len(shares) - 1)
            column = np.arange(depths.shape[1])
            before, after = depths[row - 1, column], depths[row, column]
            low, high = np.sqrt(shares[row - 1]), np.sqrt(shares[row])
            with np.errstate(divide="ignore", invalid="ignore"):
                weight = np.where(after > before, (goal - before) / (after - before), 0.0)
            root = low + np.clip(weight, 0.0, 1.0) * (high - low)
            found = np.where(inside, start + root * root * (end - start), found)
        return np.asarray(found)

    def _phases(self) -> list[tuple[Array, Array, Array, Array]]:
        return list(zip(self.shares, self.depths, self.starts, self.ends, strict=True))


def fronts(
    ratio: ArrayLike,
    tau: ArrayLike,
    *,
    strata: Strata,
    outer: Outer | None = None,
    until: ArrayLike | None = None,
    grid: Grid = GRID,
) -> Course:
    """Follow the front of every sample from first exposure to a transformed time.

    Parameters
    ----------
    ratio
        (n,) from `stripwise.ingress.front.critical_ratio`, in (0, 1).
    tau
        (n,) transformed times of the good concrete at the end [mm2].
    strata
        Layers of the n faces.
    outer
        Resistance of a coating; None without one.
    until
        (n,) transformed times at which the coating ends [mm2]; with `outer` only.
    grid
        Cells and steps.

    Returns
    -------
    The `Course`.

    Notes
    -----
    dC/dtau = d/dx (k dC/dx) with k = D(x) / D of the good concrete; at the surface
    k dC/dx = (C - 1) / W, W = (thickness / diffusivity of the coating) dtau/dt, zero once it has
    ended. Second order in cell size and step (backward differences of two steps).
    """
    rho, end = np.broadcast_arrays(np.asarray(ratio, dtype=float), np.asarray(tau, dtype=float))
    phases = _phases(end, until if outer is not None else None, grid)
    size = end.size
    recorded = tuple(np.concatenate([[0.0], shares[1::2]]) for shares, _, _ in phases)
    depths = tuple(np.empty((len(shares), size)) for shares in recorded)
    for first in range(0, size, BLOCK):
        block = slice(first, min(first + BLOCK, size))
        sweep = Sweep.of(strata.part(block), np.sqrt(end[block]), grid)
        for number, (shares, begin, stop) in enumerate(phases):
            table = depths[number][:, block]
            span = stop[block] - begin[block]
            resistance = None
            if outer is not None and number == 0:
                resistance = outer(shares[:, None] * span, block)
            for step in sweep.run(span, shares, len(shares) // grid.levels, resistance):
                if step % 2 == 1:
                    table[(step + 1) // 2] = sweep.depth_of(rho[block])
            before = depths[number - 1][-1, block] if number else np.minimum(table[1], 0.0)
            table[0] = before
            np.maximum.accumulate(table, axis=0, out=table)
    return Course(recorded, depths, tuple(p[1] for p in phases), tuple(p[2] for p in phases))


def content(
    depth: ArrayLike,
    tau: ArrayLike,
    *,
    strata: Strata,
    outer: Outer | None = None,
    until: ArrayLike | None = None,
    grid: Grid = GRID,
) -> Array:
    """Share of the surface content at depths, at the end of a transformed time.

    Parameters
    ----------
    depth
        (n,), or (p, n) for a profile: depths below the convection zone [mm]; 0 or less is the
        surface.
    tau, strata, outer, until, grid
        As for `fronts`.

    Returns
    -------
    Shares in [0, 1] of the shape of `depth`.
    """
    x, end = np.asarray(depth, dtype=float), np.asarray(tau, dtype=float)
    phases = _phases(end, until if outer is not None else None, grid)
    out = np.empty(np.broadcast_shapes(x.shape, end.shape))
    x = np.broadcast_to(x, out.shape)
    for first in range(0, end.size, BLOCK):
        block = slice(first, min(first + BLOCK, end.size))
        sweep = Sweep.of(strata.part(block), np.sqrt(end[block]), grid)
        for number, (shares, begin, stop) in enumerate(phases):
            span = stop[block] - begin[block]
            resistance = None
            if outer is not None and number == 0:
                resistance = outer(shares[:, None] * span, block)
            for _ in sweep.run(span, shares, len(shares) // grid.levels, resistance):
                pass
        out[..., block] = sweep.share_at(x[..., block])
    return out


def _phases(end: Array, until: ArrayLike | None, grid: Grid) -> list[tuple[Array, Array, Array]]:
    """Return shares, start and end of each phase; with a coating that ends there are two."""
    zero = np.zeros(end.shape)
    if until is None:
        return [(grid.shares(grid.per_level), zero, end)]
    shares = grid.shares(grid.per_level // 2)
    switch = np.minimum(np.broadcast_to(np.asarray(until, dtype=float), end.shape), end)
    return [(shares, zero, switch), (shares, switch, end)]
