"""How probable the contents of cores are for each draw of what is epistemic.

Axes: m layers, n draws, k points of what varies along the wall.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.distribution import Distribution, distribution
from stripwise.evidence.inspections.inspection_sets import CoreSet
from stripwise.ingress.transformed_time import DAYS_PER_YEAR
from stripwise.risk.model.wall import Wall
from stripwise.studies.update.core_contents import CoreModel, core_inputs
from stripwise.studies.update.epistemic_scores import EpistemicDraws, ScatterInputs
from stripwise.studies.update.scatter_integral import (
    Readings,
    integrated_log_likelihood,
    scatter_mode,
)

__all__ = ["ERROR_PRIOR", "Core", "CoreLikelihood"]

Array = NDArray[np.float64]

ERROR_PRIOR: Distribution = distribution("lognormal", mean=0.05 * np.sqrt(1.36), cov=0.6)
"""Error of a reading over the content where a file states none: median 5 %, coefficient of
variation 0.6; an assumption."""

FLOOR_SHARE = 0.05
"""Share of the largest content of a core below which an error in proportion falls no further."""


@dataclass(frozen=True, slots=True, eq=False)
class Core:
    """One core as the likelihood reads it.

    Attributes
    ----------
    name
        Name of the specimen.
    strategy
        Face that it is from.
    model
        Contents that the model expects.
    scatter
        What varies along the wall among its inputs.
    measured
        (m,) contents [% by mass of binder], the limit where `below`.
    below
        (m,) whether a content lies below a limit of detection.
    error
        (m,) standard deviation of the readings [% by mass of binder]; None where in proportion.
    error_share
        (m,) standard deviation over the content; None where fitted, by `error_name`.
    error_name
        Name of the unknown error; empty where the file states it.
    start
        Scores along the wall that are most probable for this core in the middle of the prior.
    """

    name: str
    strategy: str
    model: CoreModel
    scatter: ScatterInputs
    measured: Array
    below: NDArray[np.bool_]
    error: Array | None
    error_share: Array | None
    error_name: str
    start: Array

    def sd(self, draws: EpistemicDraws) -> Callable[[Array], Array]:
        """Return how the error of readings follows from expected contents (m, n, k)."""
        if self.error is not None:
            fixed = self.error[:, None, None]
            return lambda expected: np.broadcast_to(fixed, expected.shape)
        share = (
            draws.errors[self.error_name][:, None]
            if self.error_share is None
            else self.error_share[:, None, None]
        )
        least = FLOOR_SHARE * float(self.measured.max())
        return lambda expected: share * np.maximum(expected, least)

    def contents(self, draws: EpistemicDraws, w: Array) -> Array:
        """Return expected contents at scores along the wall (d, n, k), (m, n, k)."""
        found = self.model.contents(self.scatter.values(draws, w))
        return np.broadcast_to(found, (len(self.measured), *w.shape[1:]))

    def log_likelihood(self, draws: EpistemicDraws, points: int) -> Array:
        """Return ln p(contents | draw), (n,)."""
        return integrated_log_likelihood(
            lambda w: self.contents(draws, w),
            Readings(self.measured, self.below, self.sd(draws)),
            draws=draws.count,
            start=self.start,
            points=points,
        )

    def started(self, middle: EpistemicDraws) -> Core:
        """Return the core with its start sought at one draw in the middle of the prior."""
        if not self.start.size:
            return self
        mode, _ = scatter_mode(
            lambda w: self.contents(middle, w),
            Readings(self.measured, self.below, self.sd(middle)),
            draws=1,
            start=self.start,
        )
        return replace(self, start=mode[:, 0])


@dataclass(frozen=True, slots=True, eq=False)
class CoreLikelihood:
    """The cores of one set."""

    cores: tuple[Core, ...]

    @classmethod
    def from_set(
        cls, found: CoreSet, wall: Wall, *, factor: float, middle: EpistemicDraws
    ) -> CoreLikelihood:
        """Prepare the cores of a file.

        `factor` turns its contents into % by mass of binder; `middle` is one draw in the middle of
        the prior.
        """
        profiles = found.profiles
        cores = []
        for g, (name, strategy) in enumerate(
            zip(profiles.specimens, profiles.strategies, strict=True)
        ):
            own = profiles.present[g]
            plan = next(plan for plan in wall.plans if plan.name == strategy)
            face = wall.with_plans((plan,))
            model = CoreModel(
                face,
                float(profiles.exposure[g]) / DAYS_PER_YEAR,
                profiles.upper[g][own],
                profiles.lower[g][own],
            )
            scatter = ScatterInputs.among(core_inputs(face), wall.correlations)
            cores.append(
                Core(
                    name=name,
                    strategy=strategy,
                    model=model,
                    scatter=scatter,
                    measured=factor * profiles.content[g][own],
                    below=found.below[g][own],
                    error=None if found.error is None else factor * found.error[g][own],
                    error_share=None if found.error_share is None else found.error_share[g][own],
                    error_name=found.data_file.name if found.fits_error else "",
                    start=np.zeros(scatter.dimensions),
                ).started(middle)
            )
        return cls(tuple(cores))

    def log_likelihood(self, draws: EpistemicDraws, points: int) -> Array:
        """Return ln p(all contents | draw), (n,)."""
        found = np.zeros(draws.count)
        for core in self.cores:
            found += core.log_likelihood(draws, points)
        return found
