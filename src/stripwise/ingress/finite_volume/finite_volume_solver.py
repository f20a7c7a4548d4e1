"""One block of samples stepped through transformed time: finite volumes and a Thomas sweep.

Cells are graded over travel y = integral of dx / sqrt(k), in which every layer spreads alike. A
face between cells conducts by the exact resistance between their centres, so that layers need not
end at faces. Axes: b samples, c cells.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripwise.ingress.finite_volume.face_layers import Strata

__all__ = ["BLOCK", "Grid", "Sweep"]

Array = NDArray[np.float64]

BLOCK = 2048
"""Samples swept together: few enough to stay in cache, enough to hide the calls."""
GRADING = 3.5
FAR = 5.0
"""Depth of the grid over sqrt(tau): at a front the mirrored far end adds less than 1e-7."""


@dataclass(frozen=True, slots=True)
class Grid:
    """Cells and steps of a solution.

    Attributes
    ----------
    cells
        Cells over the depth c, finer towards the surface; at most 250.
    levels
        Lengths of step, each twice the one before.
    per_level
        Steps of one length, even; a coated face spends half of them before the coating ends.
    """

    cells: int = 60
    levels: int = 10
    per_level: int = 20

    @property
    def steps(self) -> int:
        """Steps in all."""
        return self.levels * self.per_level

    def finer(self) -> Grid:
        """Return the grid with half the cell size and half the step."""
        return Grid(2 * self.cells, self.levels, 2 * self.per_level)

    def shares(self, per_level: int) -> Array:
        """Return the ends of the steps as shares of a phase, (steps,)."""
        lengths = np.repeat(2.0 ** np.arange(self.levels), per_level)
        return np.asarray(np.cumsum(lengths) / np.sum(lengths))

    def faces(self) -> Array:
        """Return the faces of the cells as shares of the depth of the grid, (c + 1,)."""
        even = np.linspace(0.0, 1.0, self.cells + 1)
        return np.asarray(np.expm1(GRADING * even) / np.expm1(GRADING))


@dataclass(frozen=True, slots=True)
class _Factors:
    """The elimination of one length of step, all rows but the last pivot.

    Attributes
    ----------
    right
        (c + 1, b) weight of the right-hand side over the pivot.
    below, above
        c - 1 rows (b,) each, in the order of use: weights of the cell below on the way up, and of
        the cell above on the way back.
    pivot
        (b,) pivot of the first cell without the surface.
    length
        (b,) length of the step over the leading weight [mm2].
    """

    right: Array
    below: list[Array]
    above: list[Array]
    pivot: Array
    length: Array


@dataclass(slots=True)
class Sweep:
    """Contents of a block as they go, and what a step needs to know of the cells.

    Attributes
    ----------
    strata
        Layers of the b faces.
    resistance
        (c + 1, b) resistance from the surface to the surface, 0, and to each centre [mm].
    down, up
        (c, b) conductance to the cell above and below over the cell's thickness [1/mm2].
    surface
        (b,) one over the thickness of the first cell [1/mm].
    contents
        Four arrays (c + 1, b), the first row that of the surface: now, one and two steps ago, and
        room for the next.
    """

    strata: Strata
    resistance: Array
    down: Array
    up: Array
    surface: Array
    contents: list[Array]

    @classmethod
    def of(cls, strata: Strata, reach: Array, grid: Grid) -> Sweep:
        """Lay the cells for a block that will have spread by `reach` = sqrt(tau) [mm], (b,)."""
        edges = grid.faces()[:, None] * (FAR * reach)
        centres = 0.5 * (edges[1:] + edges[:-1])
        width = np.diff(strata.depth(edges), axis=0)
        inner = strata.resistance(centres)
        conductance = 1.0 / np.diff(inner, axis=0)
        down, up = np.zeros_like(width), np.zeros_like(width)
        down[1:] = conductance / width[1:]
        up[:-1] = conductance / width[:-1]
        resistance = np.concatenate([np.zeros((1, reach.size)), inner])
        contents = [np.zeros_like(resistance) for _ in range(4)]
        contents[0][0] = 1.0
        return cls(strata, resistance, down, up, 1.0 / width[0], contents)

    def run(self, span: Array, shares: Array, per_level: int, outer: Array | None) -> Iterator[int]:
        """Step through a phase.

        Parameters
        ----------
        span
            (b,) length of the phase [mm2].
        shares
            (steps,) ends of the steps as shares of the phase.
        per_level
            Steps of one length.
        outer
            (steps, b) resistance of a coating at the end of each step [mm]; None without one.

        Yields
        ------
        The number of each step after it.
        """
        first = self.resistance[1]
        lengths = np.diff(shares, prepend=0.0)
        for step, length in enumerate(lengths):
            if step == 0:  # implicit Euler, from contents that may jump at the surface
                factors = self._factors(length * span, lead=1.0)
            elif step == 1 or step % per_level == 0:
                factors = self._factors(length * span / 1.5, lead=4.0 / 3.0)
            if step and step % per_level == 0:
                # a step of twice the length looks back over two of the old ones
                self.contents[1], self.contents[2] = self.contents[2], self.contents[1]
            into = 1.0 / (first if outer is None else first + outer[step])
            self._step(factors, self.surface * into, back=0.25 if step else 0.0)
            now = self.contents[0]
            surface = 1.0 if outer is None else now[1] + (1.0 - now[1]) * into * first
            # a phase without length leaves the surface as it was
            np.copyto(now[0], surface, where=span > 0.0)
            yield step

    def _factors(self, length: Array, *, lead: float) -> _Factors:
        down, up = self.down * length, self.up * length
        pivot = 1.0 + down + up
        over = np.zeros_like(length)
        for cell in range(len(up) - 1, 0, -1):
            row = pivot[cell]
            row -= up[cell] * over
            np.divide(1.0, row, out=row)
            over = np.multiply(down[cell], row, out=down[cell])
            up[cell] *= row
        last = 1.0 + up[0] * (1.0 - over)
        right = np.empty_like(self.resistance)
        right[:2] = lead
        np.multiply(pivot[1:], lead, out=right[2:])
        return _Factors(right, [*up[-2:0:-1], up[0]], list(down[1:]), last, length)

    def _step(self, factors: _Factors, entry: Array, *, back: float) -> None:
        now, before, older, spare = self.contents
        np.multiply(before, -back, out=spare)
        spare += now
        spare *= factors.right
        rows = list(spare)
        room = np.empty_like(entry)
        lower = rows[-1]
        for weight, row in zip(factors.below, rows[-2:0:-1], strict=True):
            np.multiply(weight, lower, out=room)
            lower = np.add(row, room, out=row)
        entry = entry * factors.length
        lower += entry
        lower /= factors.pivot + entry
        for weight, row in zip(factors.above, rows[2:], strict=True):
            np.multiply(weight, lower, out=room)
            lower = np.add(row, room, out=row)
        self.contents[:] = spare, now, before, older

    def depth_of(self, share: Array) -> Array:
        """Depth at which the content falls to a share (b,) [mm], negative if it never rose to it.

        Straight in the logarithm of the content over the resistance; beyond the surface the line
        goes on, so that the depth passes 0 smoothly in time.
        """
        now = self.contents[0]
        passed = np.add.reduce((now > share).view(np.uint8), axis=0, dtype=np.uint8)
        low = np.clip(passed, 1, len(now) - 1).astype(np.intp)
        low -= 1
        size = share.size
        place = low * size
        place += np.arange(size)
        upper, lower = now.take(place), now.take(place + size)
        near, far = self.resistance.take(place), self.resistance.take(place + size)
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            part = (upper - share) / (upper - lower)
            bend = np.log(upper / share) / np.log(upper / lower)
        part = np.where((passed > 0) & np.isfinite(bend), bend, part)
        part = np.where(np.isfinite(part), part, 0.0)
        limit = self.resistance[-1]
        return self.strata.depth_of_resistance(np.maximum(near + part * (far - near), -limit))

    def share_at(self, depth: Array) -> Array:
        """Content at depths (..., b) [mm], the first cells' line going on inside the surface."""
        now = self.contents[0]
        goal = self.strata.resistance_at(np.maximum(depth, 0.0))
        out = np.empty_like(goal)
        for index in np.ndindex(goal.shape[:-1]):
            wanted = goal[index]
            row = np.clip(np.sum(self.resistance <= wanted, axis=0), 1, len(now) - 1)
            column = np.arange(wanted.size)
            near, far = self.resistance[row - 1, column], self.resistance[row, column]
            upper, lower = now[row - 1, column], now[row, column]
            weight = (wanted - near) / (far - near)
            out[index] = np.maximum(upper + weight * (lower - upper), 0.0)
        return out
