"""Which likelihood each set of inspections has under a scenario, and why a set is refused.

Axes: g sets, n draws.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy import special
from scipy.spatial.distance import cdist, pdist

from stripwise.distributions.distribution import Distribution
from stripwise.errors import EvidenceError
from stripwise.evidence.inspections.inspection_sets import (
    CRACK,
    CoreSet,
    CoverSet,
    DepthSet,
    InspectionSet,
    MigrationSet,
    PointSet,
)
from stripwise.risk.model.service_conditions import CARBONATION
from stripwise.risk.model.wall import COVER, DIFFUSIVITY, Wall
from stripwise.risk.probability.extent import bivariate_normal_cdf, face_correlation
from stripwise.risk.probability.parallel import run_parallel
from stripwise.scenario.model import Scenario
from stripwise.studies.update.cover_likelihood import CoverLikelihood, teaches_cover
from stripwise.studies.update.epistemic_scores import EpistemicDraws
from stripwise.studies.update.expected_readings import SURFACE
from stripwise.studies.update.point_likelihood import PointLikelihood
from stripwise.studies.update.specimen_likelihood import ERROR_PRIOR, SpecimenLikelihood
from stripwise.units.formatting import join_with_and, number
from stripwise.units.names import nearest_spelling, printable

__all__ = [
    "Likelihood",
    "SetLikelihoods",
    "check_sets",
    "content_factor",
    "core_reasons",
    "misfits",
    "points_on_face",
    "set_factor",
    "unknown_errors",
]

Array = NDArray[np.float64]


class Likelihood(Protocol):
    """The likelihood of some data."""

    def log_likelihood(self, draws: EpistemicDraws, points: int, /) -> Array:
        """Return ln p(data | draw), (n,)."""
        ...


CHUNK = 512
"""Draws that are computed together."""

BINDER = "pct_binder"
"""Unit of contents by mass of binder."""

NUMERICAL = (
    "the face has layers or a coating: its contents are a numerical solution, and one for every draw "
    "and specimen would take minutes a specimen. Cover readings, depths of carbonation and migration "
    "tests can be given; what an update of a copy without layers or coating learns does not hold for "
    "this wall, since it takes their resistance for that of the concrete"
)
"""Why contents and counts of points are refused on a layered or coated face, and what is not."""

RESISTANCE = f"{CARBONATION}inverse_resistance"

SUGGESTED = 0.5
"""Share between walls that is suggested where a measured input has none."""


@dataclass(frozen=True, slots=True, eq=False)
class SetLikelihoods:
    """The likelihood of every set.

    Attributes
    ----------
    likelihoods
        One per set.
    workers
        Threads.
    points
        Points of the integral over what varies along the wall.
    """

    likelihoods: tuple[Likelihood, ...]
    workers: int
    points: int

    @classmethod
    def from_sets(
        cls,
        sets: Sequence[InspectionSet],
        case: Scenario,
        wall: Wall,
        *,
        middle: EpistemicDraws,
        workers: int,
        points: int,
    ) -> SetLikelihoods:
        """Prepare the sets for a wall; `middle` is one draw in the middle of the prior."""
        found: list[Likelihood] = []
        for one in sets:
            if isinstance(one, CoverSet):
                found.append(CoverLikelihood.from_set(one, wall))
            elif isinstance(one, PointSet):
                found.append(PointLikelihood.from_set(one, wall, seed=case.sampling.seed))
            else:
                factor = set_factor(one, case)
                found.append(SpecimenLikelihood.from_set(one, wall, factor=factor, middle=middle))
        return cls(tuple(found), workers, points)

    def __call__(self, draws: EpistemicDraws) -> Array:
        """Return ln p(set | draw), (g, n)."""

        def chunk(k: int) -> Array:
            own = draws.rows(slice(CHUNK * k, CHUNK * (k + 1)))
            return np.array([one.log_likelihood(own, self.points) for one in self.likelihoods])

        count = -(-draws.count // CHUNK)
        return np.concatenate(list(run_parallel(chunk, count, workers=self.workers)), axis=1)


def unknown_errors(sets: Sequence[InspectionSet]) -> dict[str, Distribution]:
    """Return the prior of the error of the readings of each set that states none."""
    return {
        one.data_file.name: ERROR_PRIOR
        for one in sets
        if isinstance(one, CoreSet) and one.fits_error
    }


def content_factor(case: Scenario, basis: str, name: str) -> float:
    """Return per cent of binder over a content in the unit of a file; EvidenceError if unknown."""
    if basis == BINDER:
        return 1.0
    binder, density = case.binder_content, case.concrete_density
    factor = density / binder if basis == "pct" else 100.0 / binder
    if math.isnan(factor):
        keys = "exposure.binder_content" + (" and exposure.density" if basis == "pct" else "")
        raise EvidenceError(
            [
                f"{name}: contents by {'mass' if basis == 'pct' else 'volume'} of concrete need {keys} "
                f"in {case.path.name} to convert; or give chloride_pct_binder"
            ]
        )
    return factor


def set_factor(one: CoreSet | DepthSet | MigrationSet, case: Scenario) -> float:
    """Return per cent of binder over a content in the unit of a set; 1 where it has no contents."""
    basis = BINDER
    if isinstance(one, CoreSet):
        basis = one.profiles.basis
    elif isinstance(one, DepthSet) and one.basis:
        basis = one.basis
    return content_factor(case, basis, one.data_file.name)


def points_on_face(case: Scenario) -> Callable[[Array, float], float] | None:
    """Return how many independent points places (n, 2) [m] are worth; None without [extent].

    That of a mean of yes and no: n / (1 + (n - 1) r), r the mean correlation of two points, each of
    which is active where a Gaussian field of the correlation of [extent] exceeds a level.
    """
    extent = case.service.extent
    if extent is None:
        return None
    length = extent.correlation_length

    def effective(positions: Array, share: float) -> float:
        n = len(positions)
        if n < 2:
            return float(n)
        distances, often = np.unique(pdist(positions).round(6), return_counts=True)
        level = float(special.ndtri(share))
        known = {
            rho: float(bivariate_normal_cdf(level, level, correlation=rho))
            for rho in np.unique(face_correlation(distances, length).round(4)).tolist()
        }
        both = np.array([known[r] for r in face_correlation(distances, length).round(4).tolist()])
        correlation = (both - share**2) / (share * (1.0 - share))
        mean = float(correlation @ often) / float(often.sum())
        return n / (1.0 + (n - 1.0) * max(mean, 0.0))

    return effective


def check_sets(
    sets: Sequence[InspectionSet], case: Scenario, wall: Wall, *, as_scatter: bool
) -> list[str]:
    """Raise EvidenceError where a set does not fit the scenario; return what to tell."""
    texts = [text for one in sets for text in _unknown_names(one, case)]
    found, told = misfits(sets, case, wall, as_scatter=as_scatter)
    if texts := [*texts, *found]:
        raise EvidenceError(texts)
    return told


def misfits(
    sets: Sequence[InspectionSet], case: Scenario, wall: Wall, *, as_scatter: bool
) -> tuple[list[str], list[str]]:
    """Return why sets do not fit the scenario, their strategies left aside, and what to tell."""
    texts: list[str] = []
    told: list[str] = []
    if not any(wall.uses(item) for item in wall.inputs if item.epistemic_share > 0.0):
        texts.append(
            f"{case.path.name}: no random input is epistemic, so inspections have nothing to "
            'change; write kind = "knowledge" or between_walls'
        )
    for one in sets:
        if one.last_age > case.sampling.horizon:
            texts.append(
                f"{one.data_file.name}: an inspection after {number(one.last_age)} yr lies beyond "
                f"the horizon of {number(case.sampling.horizon)} yr"
            )
        texts += _unread(one, case)
    told += _close_cores(sets, case)
    told += _repeated_surveys(sets)
    found, sentences = _unshared([one for one in sets if not _unread(one, case)], case, wall)
    if found and not as_scatter:
        texts += found
    told += sentences if as_scatter else []
    return texts, told


def _unknown_names(one: InspectionSet, case: Scenario) -> list[str]:
    names = [strategy.name for strategy in case.strategies]
    return [
        f"{one.data_file.name}: strategy {printable(name)} is none of {case.path.name}"
        f"{nearest_spelling(name, names)}"
        for name in one.strategies
        if name not in names
    ]


def core_reasons(case: Scenario) -> list[tuple[str, bool]]:
    """Return why contents of cores might not be comparable with the model, and whether it is so."""
    service = case.service
    return [
        ("chloride does not act", not service.chloride),
        (NUMERICAL, service.numerical),
        ("the front is a model of the caller's own", case.front_model is not None),
    ]


def _unread(one: InspectionSet, case: Scenario) -> list[str]:
    """Say under which options data of a kind cannot be compared with the model."""
    service = case.service
    still, numerical, own = core_reasons(case)
    cracking = ("the scenario has no [cracking]", service.cracking is None)
    reasons: list[tuple[str, bool]] = []
    if isinstance(one, CoreSet) or (isinstance(one, DepthSet) and one.basis):
        reasons = [still, numerical, own]
    elif isinstance(one, DepthSet):
        reasons = [("the scenario has no carbonation", not service.carbonation), own]
    elif isinstance(one, MigrationSet):
        reasons = [still, own]
    elif isinstance(one, PointSet):
        cracks = any(count.event == CRACK for count in one.counts)
        reasons = [numerical, *([cracking] if cracks else [])]
    return [
        f"{one.data_file.name}: {one.data_file.kind.description} cannot be compared where {reason}"
        for reason, found in reasons
        if found
    ]


def _close_cores(sets: Sequence[InspectionSet], case: Scenario) -> list[str]:
    """Name the files, or pairs of files, whose cores lie closer than points vary."""
    extent = case.service.extent
    if extent is None:
        return []
    placed = [
        (one.data_file.name, one.positions)
        for one in sets
        if isinstance(one, CoreSet) and one.positions is not None
    ]
    told = []
    for (name, own), (other, theirs) in itertools.combinations_with_replacement(placed, 2):
        apart = pdist(own) if own is theirs else cdist(own, theirs).ravel()
        nearest = float(apart.min(initial=np.inf))
        if nearest >= extent.correlation_length:
            continue
        where = name if own is theirs else f"{name} and {other}"
        told.append(
            f"{where}: two cores lie {number(nearest)} m apart, closer than the correlation length of "
            f"{number(extent.correlation_length)} m. They are counted as independent, so the update is "
            "too sure of itself."
        )
    return told


def _repeated_surveys(sets: Sequence[InspectionSet]) -> list[str]:
    """Name the faces, or areas of them, whose points more than one survey holds."""
    surveys: dict[str, set[tuple[int, float]]] = {}
    for place, one in enumerate(sets):
        for count in one.counts if isinstance(one, PointSet) else ():
            where = f"area {count.area}" if count.area else f"points of {count.strategy}"
            surveys.setdefault(where, set()).add((place, count.age if count.area else 0.0))
    return [
        f"More than one survey holds {where}. They are counted as "
        "independent; where they looked at the same points, the update is too sure of itself."
        for where, found in surveys.items()
        if len(found) > 1
    ]


def _measures(one: InspectionSet) -> tuple[str, ...]:
    """Name the inputs that a set measures."""
    if isinstance(one, CoverSet):
        return (COVER,)
    if isinstance(one, MigrationSet):
        return (DIFFUSIVITY,)
    if isinstance(one, DepthSet) and not one.basis:
        return (RESISTANCE,)
    return () if isinstance(one, PointSet) else (SURFACE, DIFFUSIVITY)


def _unshared(
    sets: Sequence[InspectionSet], case: Scenario, wall: Wall
) -> tuple[list[str], list[str]]:
    """Name what the data measure and the scenario holds for scatter alone, and what follows."""
    measured: dict[str, list[str]] = {}
    shares = {item.name: item.epistemic_share for item in wall.inputs}
    for one in sets:
        for name in _measures(one):
            taught = teaches_cover(wall) if name == COVER else shares.get(name, 0.0) > 0.0
            if not taught:
                measured.setdefault(name, []).append(one.data_file.name)
    texts, told = [], []
    for name, files in measured.items():
        way = f"write between_walls = {number(SUGGESTED)} on it"
        if name == COVER:
            way = f"write mean_sd, or {way.removeprefix('write ')}"
        names = join_with_and(list(dict.fromkeys(files)))
        texts.append(
            f"{case.path.name}: {name}: {names} measure{'s' if len(set(files)) == 1 else ''} it, but "
            f"nothing of it is common to the whole wall; {way}, or pass --as-scatter to insist that "
            "it varies along the wall alone"
        )
        told.append(
            f"{name} is taken as varying along the wall alone (--as-scatter): the data cannot move it, "
            "and what they say of it moves other inputs instead."
        )
    return texts, told
