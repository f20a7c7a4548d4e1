"""Which ways to cure, covers and ages a table of many faces holds, and how one face reads it.

Faces of one concrete and one exposure differ in curing, cover and age alone. A table over nodes of
these three is computed once, and each face is a few weights of its nodes.

Axes: e faces, p plans (nodes of curing), c nodes of cover and its sd, a ages.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stripwise.risk.model.wall import Plan
from stripwise.risk.probability.table_axes import Axis

__all__ = ["CuringLine", "FaceGrid", "FacePlaces", "Stencil"]

Array = NDArray[np.float64]
Places = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class CuringLine:
    """Ways to cure that differ in their equivalent durations alone.

    Attributes
    ----------
    strip
        ln of the equivalent hours until stripping; of all equivalent curing where nothing follows,
        or where a fixed share of it counts.
    after
        Equivalent hours of the curing after stripping; one node, 0, for none.
    retention
        Name of the input with its random moisture retention; empty for none.
    """

    strip: Axis
    after: Axis
    retention: str = ""

    @property
    def plans(self) -> tuple[Plan, ...]:
        """The plan of every node, by strip and then by what follows."""
        return tuple(
            self.plan(float(s), float(f)) for s in self.strip.nodes for f in self.after.nodes
        )

    def plan(self, log_strip: float, after: float) -> Plan:
        """Return a plan of this line, of equivalent hours."""
        return Plan(
            f"{np.exp(log_strip):.6g} h, {self.retention} {after:.6g} h",
            float(np.exp(log_strip)),
            1.0,
            follow_up_h=after,
            retention=self.retention,
        )


@dataclass(frozen=True, slots=True)
class FacePlaces:
    """Where e faces lie on a grid.

    Attributes
    ----------
    line
        Position of their line, or, from the number of lines on, of their named plan.
    log_strip, after
        As `CuringLine`; of no use to a named plan.
    cover
        Nominal cover [mm].
    log_sd
        ln of the sd of the cover [ln(mm)]; of no use where the grid has none.
    """

    line: Places
    log_strip: Array
    after: Array
    cover: Array
    log_sd: Array


@dataclass(frozen=True, slots=True)
class Stencil:
    """Faces that read the same nodes: which faces, plans (i,) and covers (j,), weights (e, i j)."""

    faces: Places
    plans: Places
    covers: Places
    weights: Array

    def read(self, table: NDArray[Any]) -> NDArray[Any]:
        """Return what the faces read of a table (p, c, x): (e, x)."""
        part = table[np.ix_(self.plans, self.covers)]
        return np.asarray(self.weights.astype(table.dtype) @ part.reshape(-1, table.shape[-1]))


@dataclass(frozen=True, slots=True)
class FaceGrid:
    """The nodes of a table.

    Attributes
    ----------
    lines
        Lines of curing.
    named
        Plans that stand for themselves, after the nodes of all lines.
    cover
        Nominal covers [mm].
    spread
        ln of the sd of the cover; None where every face has the sd of the wall.
    ages
        Ages since first exposure, the first 0 [yr].
    """

    lines: tuple[CuringLine, ...]
    named: tuple[Plan, ...]
    cover: Axis
    spread: Axis | None
    ages: Array

    @property
    def plans(self) -> tuple[Plan, ...]:
        """The plan of every node of curing."""
        return (*(plan for line in self.lines for plan in line.plans), *self.named)

    @property
    def covers(self) -> tuple[Array, Array | None]:
        """Nominal cover and sd of every node, (c,) each; None for the sd of the wall."""
        if self.spread is None:
            return self.cover.nodes, None
        sds = np.exp(self.spread.nodes)
        return np.repeat(self.cover.nodes, sds.size), np.tile(sds, self.cover.nodes.size)

    def stencils(self, faces: FacePlaces) -> Iterator[Stencil]:
        """Split faces into those that read the same nodes."""
        cover = self.cover.pieces(faces.cover)
        spread = np.zeros_like(cover) if self.spread is None else self.spread.pieces(faces.log_sd)
        strip, after = np.zeros_like(cover), np.zeros_like(cover)
        for k, line in enumerate(self.lines):
            own = faces.line == k
            strip[own] = line.strip.pieces(faces.log_strip[own])
            after[own] = line.after.pieces(faces.after[own])
        keys = np.stack([faces.line, strip, after, cover, spread])
        order = np.lexsort(keys[::-1])
        if order.size == 0:
            return
        changes = np.any(np.diff(keys[:, order], axis=1) != 0, axis=0)
        for rows in np.split(order, np.flatnonzero(changes) + 1):
            line_at, strip_at, after_at, cover_at, spread_at = (int(k[rows[0]]) for k in keys)
            plans, along = self._curing(faces, rows, line_at, strip_at, after_at)
            covers, across = self._cover(faces, rows, cover_at, spread_at)
            weights = (along[:, :, np.newaxis] * across[:, np.newaxis, :]).reshape(rows.size, -1)
            yield Stencil(rows, plans, covers, weights)

    def _curing(
        self, faces: FacePlaces, rows: Places, line_at: int, strip_at: int, after_at: int
    ) -> tuple[Places, Array]:
        sizes = [line.strip.nodes.size * line.after.nodes.size for line in self.lines]
        if line_at >= len(self.lines):
            place = sum(sizes) + line_at - len(self.lines)
            return np.array([place]), np.ones((rows.size, 1))
        line = self.lines[line_at]
        start, width = sum(sizes[:line_at]), line.after.nodes.size
        first, second = line.strip.stencil(strip_at), line.after.stencil(after_at)
        weights = (
            line.strip.weights(faces.log_strip[rows], strip_at)[:, :, np.newaxis]
            * line.after.weights(faces.after[rows], after_at)[:, np.newaxis, :]
        )
        plans = start + (first[:, np.newaxis] * width + second).ravel()
        return plans, weights.reshape(rows.size, -1)

    def _cover(
        self, faces: FacePlaces, rows: Places, cover_at: int, spread_at: int
    ) -> tuple[Places, Array]:
        first = self.cover.stencil(cover_at)
        weights = self.cover.weights(faces.cover[rows], cover_at)
        if self.spread is None:
            return first, weights
        second = self.spread.stencil(spread_at)
        across = self.spread.weights(faces.log_sd[rows], spread_at)
        both = (weights[:, :, np.newaxis] * across[:, np.newaxis, :]).reshape(rows.size, -1)
        places = (first[:, np.newaxis] * self.spread.nodes.size + second).ravel()
        return places, both
