"""How probable cover readings are for each draw of what is epistemic.

Readings tell the mean cover of the wall, through its uncertain mean or through what of the cover
lies between walls; how covers scatter along the wall is that of the scenario.

Axes: n draws, j readings, g points of a grid of scores.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import interpolate, special

from stripwise.distributions.random_input import Input
from stripwise.evidence.inspections.inspection_sets import CoverSet
from stripwise.risk.model.wall import COVER, MEAN_COVER_OFFSET, Wall
from stripwise.studies.update.epistemic_scores import EpistemicDraws

__all__ = ["CoverLikelihood", "teaches_cover"]

Array = NDArray[np.float64]

SCORES = np.linspace(-8.0, 8.0, 1601)
"""Scores along the wall over which a reading's density is summed; spacing times the density of a
reader's error is even enough for a sum to be an integral."""

REACH, NODES = 12.0, 193
"""Scores between walls up to which the likelihood is tabulated, and at how many of them."""


def teaches_cover(wall: Wall) -> bool:
    """Whether anything of the mean cover is open, so that readings have something to tell."""
    return any(
        item.epistemic_share > 0.0
        for item in wall.inputs
        if item.name in (COVER, MEAN_COVER_OFFSET)
    )


@dataclass(frozen=True, slots=True, eq=False)
class CoverLikelihood:
    """The cover readings of one set.

    Attributes
    ----------
    cover
        The cover of the scenario, without its uncertain mean.
    readings, error
        (j,) readings and the standard deviation of the meter [mm].
    weight
        Independent readings over readings.
    by_score
        ln of the likelihood by the score between walls of the cover; None where the cover has none.
    """

    cover: Input
    readings: Array
    error: Array
    weight: float
    by_score: Callable[[Array], Array] | None

    @classmethod
    def from_set(cls, found: CoverSet, wall: Wall) -> CoverLikelihood:
        """Prepare the readings of a file."""
        cover = wall.input(COVER)
        weight = found.effective / found.cover.size
        by_score = None
        if 0.0 < cover.epistemic_share < 1.0:
            nodes = np.linspace(-REACH, REACH, NODES)
            b = cover.epistemic_share
            table = []
            for score in nodes:
                grid = cover.distribution.from_normal(
                    np.sqrt(b) * score + np.sqrt(1.0 - b) * SCORES
                )
                table.append(float(np.sum(_log_densities(found.cover, found.error, grid))))
            by_score = interpolate.CubicSpline(nodes, table)
        return cls(cover, found.cover, found.error, weight, by_score)

    def log_likelihood(self, draws: EpistemicDraws, _points: int) -> Array:
        """Return ln p(readings | draw), (n,), weighed for neighbours that are alike."""
        if self.by_score is not None:
            return np.asarray(self.weight * self.by_score(draws.scores[COVER]))
        offset = draws.inputs.get(MEAN_COVER_OFFSET)
        if COVER in draws.inputs or self.cover.distribution.is_fixed:
            cover = draws.inputs.get(COVER, np.array([self.cover.distribution.mean]))
            level = cover if offset is None else cover + offset
            gap = (self.readings - np.asarray(level)[:, None]) / self.error
            logs = -0.5 * gap * gap - np.log(self.error) - 0.5 * np.log(2.0 * np.pi)
            total = logs.sum(axis=1)
        elif offset is None:
            total = np.zeros(1)  # nothing of the mean is open
        else:
            total = self._by_offset(offset)
        return np.broadcast_to(self.weight * total, draws.count)

    def _by_offset(self, offset: Array) -> Array:
        """Sum ln of the density of readings less an offset (n,) of the mean cover."""
        grid = self.cover.distribution.from_normal(SCORES)
        ends = (
            float(self.readings.min() - offset.max()),
            float(self.readings.max() - offset.min()),
        )
        total = np.zeros(len(offset))
        for error in np.unique(self.error):
            own = self.readings[self.error == error]
            step = min(0.25 * error, 0.05 * self.cover.distribution.sd)
            at = np.linspace(*ends, max(int((ends[1] - ends[0]) / step) + 2, 8))
            density = interpolate.CubicSpline(at, _log_densities(at, np.full(at.size, error), grid))
            total += density(own - offset[:, None]).sum(axis=1)
        return total


def _log_densities(readings: Array, errors: Array, grid: Array) -> Array:
    """Return ln of the density of each reading (j,) where covers lie at `grid` (g,) scores."""
    weight = np.exp(-0.5 * SCORES**2)
    logs = np.log(weight / weight.sum())
    found = np.empty(len(readings))
    for first in range(0, len(readings), 256):
        part = slice(first, first + 256)
        gap = (readings[part, None] - grid) / errors[part, None]
        found[part] = special.logsumexp(logs - 0.5 * gap * gap, axis=1)
    return np.asarray(found - np.log(errors) - 0.5 * np.log(2.0 * np.pi))
