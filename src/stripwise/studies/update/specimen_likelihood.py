"""How probable the readings on specimens are for each draw of what is epistemic.

A specimen is a core with its layers, a place with depths of a colour indicator or of carbonation,
or a specimen of a migration test. All readings on it share what varies along the wall.

Axes: m readings, n draws, k points of what varies along the wall.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stripwise.distributions.distribution import Distribution, distribution
from stripwise.evidence.inspections.inspection_sets import CoreSet, DepthSet, MigrationSet
from stripwise.evidence.profiles.chloride_profiles import MM2_D_PER_M2_S
from stripwise.ingress.transformed_time import DAYS_PER_YEAR
from stripwise.risk.model.wall import Wall
from stripwise.studies.update.epistemic_scores import EpistemicDraws, ScatterInputs
from stripwise.studies.update.expected_readings import (
    CarbonationModel,
    ColourModel,
    CoreModel,
    MigrationModel,
    ReadingModel,
    model_inputs,
)
from stripwise.studies.update.scatter_integral import (
    Predict,
    Readings,
    Rows,
    integrated_log_likelihood,
    scatter_mode,
    scatter_nodes,
)

__all__ = ["ERROR_PRIOR", "Specimen", "SpecimenLikelihood"]

Array = NDArray[np.float64]

ERROR_PRIOR: Distribution = distribution("lognormal", mean=0.05 * np.sqrt(1.36), cov=0.6)
"""Error of a reading over the content where a file states none: median 5 %, coefficient of
variation 0.6; an assumption."""

FLOOR_SHARE = 0.05
"""Share of the largest content of a core below which an error in proportion falls no further."""


@dataclass(frozen=True, slots=True, eq=False)
class Specimen:
    """One specimen as the likelihood reads it.

    Attributes
    ----------
    name, strategy
        Name of the specimen, and the face that it is from.
    model
        Readings that the model expects.
    scatter
        What varies along the wall among its inputs.
    measured
        (m,) readings, in the unit of the model; the limit where `below`.
    below
        (m,) whether a content lies below a limit of detection.
    error
        (m,) standard deviation of the readings; None where in proportion.
    error_share
        (m,) standard deviation over what is expected; None where fitted, by `error_name`.
    error_name
        Name of the unknown error; empty where the file states it.
    open
        Names of its inputs of which something is epistemic.
    start
        Scores along the wall that are most probable for it in the middle of the prior.
    """

    name: str
    strategy: str
    model: ReadingModel
    scatter: ScatterInputs
    measured: Array
    below: NDArray[np.bool_]
    error: Array | None
    error_share: Array | None = None
    error_name: str = ""
    open: tuple[str, ...] = ()
    start: Array | None = None

    @classmethod
    def of(
        cls,
        name: str,
        strategy: str,
        model: ReadingModel,
        measured: Array,
        *,
        below: NDArray[np.bool_] | None = None,
        error: Array | None = None,
        error_share: Array | None = None,
        error_name: str = "",
    ) -> Specimen:
        """Make a specimen of what is expected and what was read on it."""
        inputs = model_inputs(model)
        return cls(
            name=name,
            strategy=strategy,
            model=model,
            scatter=ScatterInputs.among(inputs, model.wall.correlations),
            measured=measured,
            below=np.zeros(len(measured), dtype=bool) if below is None else below,
            error=error,
            error_share=error_share,
            error_name=error_name,
            open=tuple(item.name for item in inputs if item.epistemic_share > 0.0),
        )

    def sd(self, draws: EpistemicDraws) -> Callable[[Array], Array]:
        """Return how the error of readings follows from what is expected (m, n, k)."""
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

    def expected(self, draws: EpistemicDraws, w: Array) -> Array:
        """Return expected readings at scores along the wall (d, n, k), (m, n, k)."""
        found = self.model.expected(self.scatter.values(draws, w))
        return np.broadcast_to(found, (len(self.measured), *w.shape[1:]))

    def log_likelihood(self, draws: EpistemicDraws, points: int) -> Array:
        """Return ln p(readings | draw), (n,)."""
        return integrated_log_likelihood(
            self._at(draws),
            draws=draws.count,
            start=self._start,
            points=points,
            features=self._features(draws),
        )

    def nodes(self, draws: EpistemicDraws, points: int) -> tuple[Array, Array]:
        """Return scores along the wall (d, n, k) and ln of the weights (n, k) that they have."""
        return scatter_nodes(
            self._at(draws),
            draws=draws.count,
            start=self._start,
            points=points,
            features=self._features(draws),
        )

    def _features(self, draws: EpistemicDraws) -> Array | None:
        columns = {**draws.inputs, **draws.scores}
        known = [columns[name] for name in self.open if name in columns]
        return np.column_stack(known) if known else None

    def started(self, middle: EpistemicDraws) -> Specimen:
        """Return the specimen with its start sought at one draw in the middle of the prior."""
        if not self.scatter.dimensions:
            return self
        mode, _ = scatter_mode(self._at(middle), draws=1, start=self._start[:, None])
        return replace(self, start=mode[:, 0])

    def _at(self, draws: EpistemicDraws) -> Callable[[Rows], tuple[Predict, Readings]]:
        """Return what is expected and read for some of the draws."""

        def at(rows: Rows) -> tuple[Predict, Readings]:
            own = draws.rows(rows)
            return (
                lambda w: self.expected(own, w),
                Readings(self.measured, self.below, self.sd(own)),
            )

        return at

    @property
    def _start(self) -> Array:
        return np.zeros(self.scatter.dimensions) if self.start is None else self.start


@dataclass(frozen=True, slots=True, eq=False)
class SpecimenLikelihood:
    """The specimens of one set."""

    specimens: tuple[Specimen, ...]

    @classmethod
    def from_set(
        cls,
        found: CoreSet | DepthSet | MigrationSet,
        wall: Wall,
        *,
        factor: float,
        middle: EpistemicDraws,
    ) -> SpecimenLikelihood:
        """Prepare the specimens of a file.

        `factor` turns its contents into % by mass of binder; `middle` is one draw in the middle of
        the prior.
        """
        if isinstance(found, CoreSet):
            own = _cores(found, wall, factor)
        elif isinstance(found, DepthSet):
            own = _depths(found, wall, factor)
        else:
            own = _migration(found, wall)
        return cls(tuple(one.started(middle) for one in own))

    def log_likelihood(self, draws: EpistemicDraws, points: int) -> Array:
        """Return ln p(all readings | draw), (n,)."""
        found = np.zeros(draws.count)
        for one in self.specimens:
            found += one.log_likelihood(draws, points)
        return found


def _face(wall: Wall, strategy: str) -> Wall:
    return wall.with_plans(tuple(plan for plan in wall.plans if plan.name == strategy))


def _cores(found: CoreSet, wall: Wall, factor: float) -> Iterator[Specimen]:
    profiles = found.profiles
    for g, (name, strategy) in enumerate(zip(profiles.specimens, profiles.strategies, strict=True)):
        own = profiles.present[g]
        yield Specimen.of(
            name,
            strategy,
            CoreModel(
                _face(wall, strategy),
                float(profiles.exposure[g]) / DAYS_PER_YEAR,
                profiles.upper[g][own],
                profiles.lower[g][own],
            ),
            factor * profiles.content[g][own],
            below=found.below[g][own],
            error=None if found.error is None else factor * found.error[g][own],
            error_share=None if found.error_share is None else found.error_share[g][own],
            error_name=found.data_file.name if found.fits_error else "",
        )


def _depths(found: DepthSet, wall: Wall, factor: float) -> Iterator[Specimen]:
    for one in found.depths:
        face, readings = _face(wall, one.strategy), one.depths.size
        model: ReadingModel = (
            ColourModel(face, one.age, factor * one.content, readings)
            if found.basis
            else CarbonationModel(face, one.age, readings)
        )
        yield Specimen.of(one.specimen, one.strategy, model, one.depths, error=one.error)


def _migration(found: MigrationSet, wall: Wall) -> Iterator[Specimen]:
    tests = found.tests
    for g, (name, strategy) in enumerate(zip(tests.specimens, tests.strategies, strict=True)):
        coefficient = tests.coefficient[g] * MM2_D_PER_M2_S * DAYS_PER_YEAR
        error = np.hypot(found.error_share[g], np.sqrt(tests.log_variance[g]))
        yield Specimen.of(
            name,
            strategy,
            MigrationModel(_face(wall, strategy), float(tests.age[g])),
            np.array([np.log(coefficient)]),
            error=np.array([error]),
        )
