"""How chloride spreads through layers in transformed time: finite volumes, Thomas algorithm.

Cells are graded over travel y = integral of dx / sqrt(k), in which every layer spreads alike. A
face between cells conducts by the exact resistance between their centres, so that layers need not
end at faces. Axes: b samples, c cells.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripwise.ingress.finite_volume.face_layers import FaceLayers

__all__ = ["SOLVER_BLOCK_SIZE", "FiniteVolumeSolver", "Grid"]

Array = NDArray[np.float64]

SOLVER_BLOCK_SIZE = 2048
"""Samples solved together: few enough to stay in cache, enough to hide the cost of calls."""
GRADING = 3.5
GRID_DEPTH = 5.0
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
    steps_per_level
        Steps of one length, even; a coated face spends half of them before the coating ends.
    """

    cells: int = 60
    levels: int = 10
    steps_per_level: int = 20

    @property
    def steps(self) -> int:
        """Steps in all."""
        return self.levels * self.steps_per_level

    def finer(self) -> Grid:
        """Return the grid with half the cell size and half the step."""
        return Grid(2 * self.cells, self.levels, 2 * self.steps_per_level)

    def step_ends(self, steps_per_level: int) -> Array:
        """Return the ends of the steps as fractions of a phase, (steps,)."""
        lengths = np.repeat(2.0 ** np.arange(self.levels), steps_per_level)
        return np.asarray(np.cumsum(lengths) / np.sum(lengths))

    def edges(self) -> Array:
        """Return the faces of the cells as fractions of the depth of the grid, (c + 1,)."""
        even = np.linspace(0.0, 1.0, self.cells + 1)
        return np.asarray(np.expm1(GRADING * even) / np.expm1(GRADING))


@dataclass(frozen=True, slots=True)
class _Elimination:
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
class FiniteVolumeSolver:
    """Contents of a block of samples at the current step, and what a step needs of the cells.

    Attributes
    ----------
    layers
        Layers of the b faces.
    resistance
        (c + 1, b) resistance from the surface to the surface, 0, and to each centre [mm].
    down, up
        (c, b) conductance to the cell above and below over the cell's thickness [1/mm2].
    surface
        (b,) one over the thickness of the first cell [1/mm].
    contents
        Four arrays (c + 1, b), the first row that of the surface: now, one and two steps ago, and
        a buffer for the next.
    """

    layers: FaceLayers
    resistance: Array
    down: Array
    up: Array
    surface: Array
    contents: list[Array]

    @classmethod
    def from_layers(cls, layers: FaceLayers, reach: Array, grid: Grid) -> FiniteVolumeSolver:
        """Place the cells for a final sqrt(tau) of `reach` [mm], (b,)."""
        edges = grid.edges()[:, None] * (GRID_DEPTH * reach)
        centres = 0.5 * (edges[1:] + edges[:-1])
        width = np.diff(layers.depth_from_travel(edges), axis=0)
        inner = layers.resistance_from_travel(centres)
        conductance = 1.0 / np.diff(inner, axis=0)
        down, up = np.zeros_like(width), np.zeros_like(width)
        down[1:] = conductance / width[1:]
        up[:-1] = conductance / width[:-1]
        resistance = np.concatenate([np.zeros((1, reach.size)), inner])
        contents = [np.zeros_like(resistance) for _ in range(4)]
        contents[0][0] = 1.0
        return cls(layers, resistance, down, up, 1.0 / width[0], contents)

    def run(
        self, span: Array, fractions: Array, steps_per_level: int, coating_resistance: Array | None
    ) -> Iterator[int]:
        """Step through a phase and yield the number of each step after it.

        Parameters
        ----------
        span
            (b,) length of the phase [mm2].
        fractions
            (steps,) ends of the steps as fractions of the phase.
        steps_per_level
            Steps of one length.
        coating_resistance
            (steps, b) resistance of a coating at the end of each step [mm]; None without one.
        """
        first = self.resistance[1]
        lengths = np.diff(fractions, prepend=0.0)
        for step, length in enumerate(lengths):
            if step == 0:  # implicit Euler, from contents that may jump at the surface
                factors = self._factors(length * span, leading_weight=1.0)
            elif step == 1 or step % steps_per_level == 0:
                factors = self._factors(length * span / 1.5, leading_weight=4.0 / 3.0)
            if step and step % steps_per_level == 0:
                # a step of twice the length looks back over two of the old ones
                self.contents[1], self.contents[2] = self.contents[2], self.contents[1]
            conductance_in = 1.0 / (
                first if coating_resistance is None else first + coating_resistance[step]
            )
            self._step(factors, self.surface * conductance_in, older_weight=0.25 if step else 0.0)
            now = self.contents[0]
            surface = (
                1.0
                if coating_resistance is None
                else now[1] + (1.0 - now[1]) * conductance_in * first
            )
            # a phase without length leaves the surface as it was
            np.copyto(now[0], surface, where=span > 0.0)
            yield step

    def _factors(self, length: Array, *, leading_weight: float) -> _Elimination:
        down, up = self.down * length, self.up * length
        pivot = 1.0 + down + up
        coupling = np.zeros_like(length)
        for cell in range(len(up) - 1, 0, -1):
            row = pivot[cell]
            row -= up[cell] * coupling
            np.divide(1.0, row, out=row)
            coupling = np.multiply(down[cell], row, out=down[cell])
            up[cell] *= row
        last = 1.0 + up[0] * (1.0 - coupling)
        right = np.empty_like(self.resistance)
        right[:2] = leading_weight
        np.multiply(pivot[1:], leading_weight, out=right[2:])
        return _Elimination(right, [*up[-2:0:-1], up[0]], list(down[1:]), last, length)

    def _step(self, factors: _Elimination, entry: Array, *, older_weight: float) -> None:
        now, before, older, new = self.contents
        np.multiply(before, -older_weight, out=new)
        new += now
        new *= factors.right
        rows = list(new)
        buffer = np.empty_like(entry)
        lower = rows[-1]
        for weight, row in zip(factors.below, rows[-2:0:-1], strict=True):
            np.multiply(weight, lower, out=buffer)
            lower = np.add(row, buffer, out=row)
        entry = entry * factors.length
        lower += entry
        lower /= factors.pivot + entry
        for weight, row in zip(factors.above, rows[2:], strict=True):
            np.multiply(weight, lower, out=buffer)
            lower = np.add(row, buffer, out=row)
        self.contents[:] = new, now, before, older

    def front_depth(self, ratio: Array) -> Array:
        """Depth at which the content falls to a ratio (b,) [mm], negative if it never rose to it.

        Linear in the logarithm of the content over the resistance; the line is extended beyond the
        surface, so that the depth passes 0 smoothly in time.
        """
        now = self.contents[0]
        cells_above_ratio = np.add.reduce((now > ratio).view(np.uint8), axis=0, dtype=np.uint8)
        low = np.clip(cells_above_ratio, 1, len(now) - 1).astype(np.intp)
        low -= 1
        size = ratio.size
        position = low * size
        position += np.arange(size)
        upper, lower = now.take(position), now.take(position + size)
        resistance_above, resistance_below = (
            self.resistance.take(position),
            self.resistance.take(position + size),
        )
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            weight = (upper - ratio) / (upper - lower)
            log_weight = np.log(upper / ratio) / np.log(upper / lower)
        weight = np.where((cells_above_ratio > 0) & np.isfinite(log_weight), log_weight, weight)
        weight = np.where(np.isfinite(weight), weight, 0.0)
        limit = self.resistance[-1]
        return self.layers.depth_from_resistance(
            np.maximum(resistance_above + weight * (resistance_below - resistance_above), -limit)
        )

    def content_at(self, depth: Array) -> Array:
        """Content at depths (..., b) [mm], by linear interpolation over the resistance."""
        now = self.contents[0]
        target = self.layers.resistance_from_depth(np.maximum(depth, 0.0))
        out = np.empty_like(target)
        for index in np.ndindex(target.shape[:-1]):
            resistance = target[index]
            row = np.clip(np.sum(self.resistance <= resistance, axis=0), 1, len(now) - 1)
            column = np.arange(resistance.size)
            resistance_above, resistance_below = (
                self.resistance[row - 1, column],
                self.resistance[row, column],
            )
            upper, lower = now[row - 1, column], now[row, column]
            weight = (resistance - resistance_above) / (resistance_below - resistance_above)
            out[index] = np.maximum(upper + weight * (lower - upper), 0.0)
        return out
